"""A figure added later: old limits files and old records stay valid."""

import io
import json
from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from rich.console import Console

from grading import wording
from grading.document import from_json, public_json, to_json
from grading.figure_kinds import FIGURE_KINDS, FigureKey, FigureKind
from grading.judgement import cell_figures
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits, parse_limits
from grading.judgement.limits_file import schema_of
from grading.papers.rows import ALL_RULES, condition_rows, decision_rows
from grading.results import Figure
from grading.sources.any_source import load_source
from rig.terminal.grades import show_grading, show_summary
from rig_configs.files.checked_toml import FileError

GOLDEN = Path(__file__).parents[1] / "golden"
LIMITS = sorted(GOLDEN.glob("limits_*.toml"))
NEWEST = max(kind.since for kind in FIGURE_KINDS.values())
LATER = FigureKind(
    key="warm_up_s", unit="s", name="Warm-up", decimals=1, since=NEWEST + 1, depends_on_pressure=True
)
NOT_GRADED = "Not graded under these limits: Warm-up."
LATER_TABLE = "\n[figures.warm_up_s]\npass_most = 30.0\nreject_above = 60.0\n"
SCHEMA = schema_of(LATER.since)
GENERAL = load_limits().text
LATER_GENERAL = GENERAL.replace(schema_of(load_limits().schema_version), SCHEMA) + LATER_TABLE


@pytest.fixture(scope="module")
def measurement():
    (record,) = (GOLDEN / "records" / "v1").glob("*Z-*")
    return load_source(record)


@pytest.fixture
def later(monkeypatch):
    """The figures with one that is newer than every limits file: its row and its arithmetic."""
    monkeypatch.setitem(FIGURE_KINDS, LATER.key, LATER)
    monkeypatch.setitem(
        cell_figures.FIGURE_OF,
        LATER.key,
        lambda quantities, cell: Figure(LATER.key, LATER.unit, 45.0, 1.0, coverage_factor=2.0),
    )


@pytest.fixture
def general_knows_it(monkeypatch, later):
    general = parse_limits(LATER_GENERAL, "general.toml", check_loosening=False)
    monkeypatch.setattr("grading.judgement.limits.general_limits", lambda: general)
    return general


def without(table, text=GENERAL):
    before, after = text.split(f"[figures.{table}]\n")
    rest = after[after.find("\n\n") :] if "\n\n" in after else ""
    return before + rest


def shown(show, grading):
    console = Console(file=io.StringIO(), width=160)
    show(console, grading)
    return console.file.getvalue()


def papers(grading):
    return json.dumps([condition_rows(grading), decision_rows(grading, ALL_RULES)], ensure_ascii=False)


@pytest.mark.parametrize("path", LIMITS, ids=lambda path: path.stem)
@pytest.mark.parametrize("kept", [True, False])
def test_limits_of_every_version_grade_as_before_when_a_figure_comes(request, measurement, path, kept):
    text = path.read_text(encoding="utf-8")
    before = grade(measurement, parse_limits(text, path.name, check_loosening=not kept))
    request.getfixturevalue("later")
    after = grade(measurement, parse_limits(text, path.name, check_loosening=not kept))
    assert after.limits_not_graded == (*before.limits_not_graded, LATER.key)
    assert after.conditions == before.conditions
    assert [cell.grade for cell in before.cells] == ["pass", "ungraded"]
    for old, new in zip(before.cells, after.cells, strict=True):
        assert (new.grade, new.diagnosis) == (old.grade, old.diagnosis)
        said = wording.not_graded(after.limits_not_graded)
        assert new.reasons == old.reasons if old.grade == "ungraded" else new.reasons[-1] == said
        assert [figure for figure in new.figures if figure.key != LATER.key] == list(old.figures)
        (came,) = [figure for figure in new.figures if figure.key == LATER.key]
        assert (came.value, came.grade, came.required) == (45.0, None, False)
        assert came.reason == f"not graded, since the limits file '{after.limits_name}' has no table for it"


def test_what_is_not_graded_is_said_in_json_on_paper_and_on_screen(later, measurement):
    graded = grade(measurement, load_limits())
    assert NOT_GRADED in papers(graded)
    passed, ungraded = graded.cells
    watched = replace(passed, grade="watch")
    for cells in ((ungraded,), (watched,), (watched, watched), graded.cells):
        assert shown(show_summary, replace(graded, cells=cells)).count(NOT_GRADED) == 1
        assert NOT_GRADED in shown(show_grading, replace(graded, cells=cells))
    assert public_json(graded)["limits"]["not_graded"] == [LATER.key]
    assert from_json(json.loads(json.dumps(to_json(graded)))) == graded


def test_nothing_is_said_where_every_figure_is_graded(measurement):
    graded = grade(measurement, load_limits())
    assert public_json(graded)["limits"].keys() == {"name", "sha256"}
    assert to_json(graded)["limits"].keys() == {"name", "version", "sha256"}
    assert "Not graded" not in papers(graded) + shown(show_grading, graded) + shown(show_summary, graded)


def test_results_without_the_new_entry_are_read_as_ever(later, measurement):
    graded = grade(measurement, load_limits())
    data = to_json(graded)
    del data["limits"]["not_graded"]
    assert from_json(data) == replace(graded, limits_not_graded=())


def test_a_file_that_knows_the_figure_grades_it(later, measurement):
    cell = grade(measurement, parse_limits(LATER_GENERAL, "g.toml", check_loosening=False)).cells[0]
    (came,) = [figure for figure in cell.figures if figure.key == LATER.key]
    assert (came.grade, came.pass_limits) == ("watch", (None, 30.0))
    assert "Warm-up: 45.0 ± 1.0 s (pass limit 30 s)." in cell.reasons


def test_an_old_file_is_not_looser_for_a_figure_that_came_later(general_knows_it):
    assert general_knows_it.is_used(LATER.key)
    old = parse_limits(GENERAL, "shop.toml")
    assert (old.loosened, old.not_graded) == ((), (LATER.key,))
    assert LATER.key in load_limits("skerry_point").not_graded


def test_a_new_file_may_leave_it_out_and_is_looser_by_that(general_knows_it):
    shop = parse_limits(LATER_GENERAL.removesuffix(LATER_TABLE), "shop.toml")
    assert shop.not_graded == (LATER.key,)
    assert shop.loosened == ("Warm-up: has no table, looser than the general limits",)
    off = LATER_GENERAL.replace(
        "pass_most = 30.0", 'use = false\njustification = "no timer"\npass_most = 30.0'
    )
    assert parse_limits(off, "shop.toml").loosened == (
        "warm_up_s: is switched off, looser than the general limits; justification: no timer",
    )


def test_a_figure_that_the_general_file_does_not_have_is_compared_with_nothing(later):
    assert parse_limits(LATER_GENERAL, "shop.toml").loosened == ()


def test_a_new_file_still_justifies_what_is_looser_for_the_old_figures(general_knows_it):
    wider = LATER_GENERAL.replace("pass_most = 6.0", "pass_most = 8.0")
    with pytest.raises(FileError, match="t90_s"):
        parse_limits(wider, "shop.toml")


def test_an_old_schema_with_the_table_of_a_later_figure_names_the_schema_to_write(later):
    with pytest.raises(FileError) as raised:
        parse_limits(GENERAL + LATER_TABLE, "shop.toml")
    assert str(raised.value) == (
        f"shop.toml:{len(GENERAL.splitlines()) + 2}: figures.warm_up_s: came with {SCHEMA}; "
        f'write schema = "{SCHEMA}" to grade it'
    )


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize("key", ["oxygen_output_mv", "indication_error_percent"])
def test_two_figures_must_stand_in_every_file(key, kept):
    with pytest.raises(FileError, match=rf"figures\.{key}: missing"):
        parse_limits(
            GENERAL.replace(f"figures.{key}", "figures.air_output_mv.x"), "f.toml", check_loosening=not kept
        )


@pytest.mark.parametrize(("file", "checked"), [("kept.toml", False), ("shop.toml", True)])
def test_limits_without_a_table_grade_the_rest_and_say_so(measurement, file, checked):
    limits = parse_limits(without("noise_percent"), file, check_loosening=checked)
    assert limits.not_graded == ("noise_percent",)
    graded = grade(measurement, limits)
    assert "Noise, rms over a hold: has no table, looser than the general limits" in graded.conditions.notes
    assert "Not graded under these limits: Noise, rms over a hold." in papers(graded)
    noise = [figure for cell in graded.cells for figure in cell.figures if figure.key == "noise_percent"]
    assert [figure.grade for figure in noise] == [None] * len(graded.cells)


def test_every_key_of_the_type_has_its_row_and_every_row_its_table_in_the_general_file():
    assert get_args(FigureKey) == tuple(FIGURE_KINDS)
    assert load_limits().not_graded == ()
    assert len({wording.kind_name(key) for key in FIGURE_KINDS}) == len(FIGURE_KINDS)


def test_a_figure_that_is_switched_off_is_named_on_the_result_and_the_paper(measurement):
    off = GENERAL.replace("[figures.t90_s]", '[figures.t90_s]\nuse = false\njustification = "no fast logger"')
    graded = grade(measurement, parse_limits(off, "shop.toml"))
    assert graded.limits_not_graded == ("t90_s",)
    sentence = "Not graded under these limits: Response time T90."
    said = [sentence in cell.reasons for cell in graded.cells if cell.grade != "ungraded"]
    assert said
    assert all(said)
    assert sentence in papers(graded)
