"""Gradings on screen: no number cut, no grade by colour alone, every reason reported."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import pytest
from rich.console import Console

from drivers.virtual_spec import CellTruth
from grading.results import CellDetail, CellInfo, CellResult, Contribution, Figure, Grading, RunConditions
from rig.terminal.grades import show_grading, show_summary, truth_table

BUDGET = (Contribution("gauge gain", 0.0213, math.inf, 0.9), Contribution("scatter", 0.0071, 12.0, 0.1))
GOOD = CellResult(
    CellInfo("TB-0417", socket=1, maker="Tarnby"),
    "pass",
    ("Every figure tested lies inside its pass limits.",),
    (),
    (
        Figure(
            "oxygen_output_mv",
            "mV",
            50.234,
            0.21,
            coverage_factor=2.0,
            degrees_of_freedom=math.inf,
            grade="pass",
            probability_of_conformity=1.0,
            pass_limits=(40.0, 67.0),
            reject_limits=(34.0, 76.0),
            required=True,
            budget=BUDGET,
        ),
        Figure("linear_to_bar", "bar", None, None, grade="pass", at_least=2.0, pass_limits=(2.0, None)),
        Figure("t90_s", "s", None, None, reason="no response to a pressure change was recorded"),
    ),
    CellDetail(statements=("When it shows 1.30, the truth is 1.30 bar.",)),
)
BAD = CellResult(
    CellInfo("OS-1090", socket=2),
    "reject",
    ("At 1.6 bar a handset would show 1.44: 10.0 % low (limit 5 %).",),
    ("Current limited: replace the cell.",),
    (
        Figure(
            "indication_error_percent",
            "%",
            -10.04,
            0.19,
            nominal_po2_bar=1.6,
            grade="reject",
            probability_of_conformity=0.0,
            pass_limits=(-2.5, 2.5),
            reject_limits=(-5.0, 5.0),
        ),
    ),
)
GRADING = Grading(
    "records/2026-03-02T101500Z-a1b2",
    "record",
    "general",
    "1",
    "ab" * 32,
    "0.1.0",
    RunConditions(uncertainty_source="bench file mine.toml"),
    (GOOD, BAD),
)


def shown(width: int = 120, **options: object) -> str:
    console = Console(width=width, file=io.StringIO(), record=True, markup=False, emoji=False)
    show_grading(console, GRADING, **options)  # type: ignore[arg-type]
    return console.export_text()


@pytest.mark.parametrize("width", [80, 100, 130])
def test_numbers_are_whole_at_every_width(width: int) -> None:
    text = shown(width)
    for number in ("50.23 ± 0.21 mV", "at least 2.00 bar", "−10.04 ± 0.19 %", "40 to 67", "> 99.9 %"):
        assert number in text
    assert "…" not in text


def test_no_grade_is_cut_beside_the_longest_usual_value_and_limits() -> None:
    longest = Figure(
        "fade_percent_per_min",
        "%/min",
        -0.0066,
        0.0081,
        grade="reject",
        probability_of_conformity=0.0,
        pass_limits=(40.0, 67.0),
        reject_limits=(34.0, 76.0),
    )
    cell = replace(GOOD, figures=(longest,))
    for width in range(60, 140):
        console = Console(width=width, file=io.StringIO(), record=True, markup=False, emoji=False)
        show_grading(console, replace(GRADING, cells=(cell,)))
        assert "✖ reject" in console.export_text(), f"{width} columns"


def test_grades_are_words_reasons_and_statements_are_reported() -> None:
    text = shown()
    for words in (
        "✔ PASS",
        "✖ REJECT",
        "At 1.6 bar a handset would show 1.44",
        "Current limited: replace the cell.",
        "When it shows 1.30, the truth is 1.30 bar.",
        "Response time T90: no response to a pressure change was recorded",
        "2 cells: 1 pass, 0 watch, 1 reject, 0 ungraded",
        "bench file mine.toml",
        "general 1, sha256 abababababab",
        "* required by the limits file",
    ):
        assert words in text


def test_budget_lists_contributions_with_freedom_and_share() -> None:
    text = shown(budget=True)
    line = next(line for line in text.splitlines() if "scatter" in line)
    assert "0.0071" in line
    assert "12" in line
    assert "10.0 %" in line
    assert "Budget of Output in oxygen" in text
    assert "gauge gain" not in shown()


def test_one_cell_alone() -> None:
    text = shown(cell="OS-1090")
    assert "OS-1090" in text
    assert "TB-0417" not in text


def test_what_changed_is_listed_against_the_kept_grading() -> None:
    before = replace(GRADING, limits_name="shop", cells=(replace(GOOD, grade="watch"), BAD))
    text = shown(earlier=before)
    after = text[text.index("What changed against the grading kept with the record (limits shop 1)") :]
    line = next(line for line in after.splitlines() if "TB-0417" in line)
    assert line.split() == ["TB-0417", "grade", "watch", "pass"]
    assert "What changed" not in shown(earlier=GRADING)


def test_box_of_many_cells_stays_a_summary() -> None:
    many = replace(
        GRADING, cells=tuple(replace(BAD, info=CellInfo(f"OS-{number}")) for number in range(1000, 1020))
    )
    console = Console(width=120, file=io.StringIO(), record=True, markup=False, emoji=False)
    show_grading(console, many)
    text = console.export_text()
    assert "20 cells" in text
    assert "add --cell SERIAL" in text
    assert "within ±2.5" not in text


def test_summary_of_a_run_says_why_and_spares_the_passed() -> None:
    console = Console(width=120, file=io.StringIO(), record=True, markup=False, emoji=False)
    show_summary(console, GRADING)
    text = console.export_text()
    assert "Current limited: replace the cell." in text
    assert "Every figure tested" not in text


def test_truth_of_virtual_cells_stands_beside_what_was_measured() -> None:
    truth = {
        "TB-0417": CellTruth("TB-0417", "new", 21.0, 50.2, None, 4.85, 0.0, {}),
        "OS-9999": CellTruth("OS-9999", "not in this run", 21.0, 50.2, None, 4.85, 0.0, {}),
    }
    console = Console(width=120, file=io.StringIO(), record=True, markup=False, emoji=False)
    console.print(truth_table(GRADING, truth))
    text = console.export_text()
    line = next(line for line in text.splitlines() if "TB-0417" in line)
    assert line.split() == ["TB-0417", "new", "PASS", ">", "6", "bar", "≥", "2", "bar", "4.8", "s", "–"]
    assert "OS-9999" not in text


def test_an_ungraded_cell_shows_no_figure_beside_graded_ones() -> None:
    truth = {name: CellTruth(name, "new", 21.0, 50.2, None, 4.85, 0.0, {}) for name in ("TB-0417", "OS-1090")}
    ungraded = replace(BAD, grade="ungraded", reasons=("Its readings belong to two cells.",), diagnosis=())
    grading = replace(GRADING, cells=(GOOD, ungraded))
    console = Console(width=120, file=io.StringIO(), record=True, markup=False, emoji=False)
    show_summary(console, grading)
    console.print(truth_table(grading, truth))
    text = console.export_text()
    assert "≥ 2" in text
    assert "10.0" not in text
    of_the_cell = [line.split() for line in text.splitlines() if "OS-1090" in line and "–" in line]
    assert [words.count("–") for words in of_the_cell] == [5, 2]


def test_what_is_said_of_every_cell_is_said_once() -> None:
    why = "The run was stopped in the purge."
    cells = tuple(
        replace(BAD, info=CellInfo(name), grade="ungraded", reasons=(why, *own), diagnosis=())
        for name, own in (("TB-0417", ()), ("OS-1123", ("Unplugged at 12:31.",)))
    )
    console = Console(width=120, file=io.StringIO(), record=True, markup=False, emoji=False)
    show_summary(console, replace(GRADING, cells=cells))
    text = console.export_text()
    assert text.count(why) == 1
    assert text.index("All cells") < text.index(why) < text.index("Unplugged at 12:31.")


def test_a_serial_of_any_length_leaves_the_figures_on_the_screen() -> None:
    long = replace(GOOD, info=replace(GOOD.info, cell="TB-" + "0417" * 50))
    text = io.StringIO()
    show_summary(Console(file=text, width=80), replace(GRADING, cells=(long,)))
    assert "50.2" in text.getvalue()
    assert "1 cell:" in text.getvalue()


def test_changes_to_ungraded_name_the_cell_once() -> None:
    text = io.StringIO()
    ungraded = replace(
        GOOD, grade="ungraded", figures=tuple(replace(figure, grade=None) for figure in GOOD.figures)
    )
    console = Console(file=text, width=120)
    show_grading(console, replace(GRADING, cells=(ungraded,)), earlier=replace(GRADING, cells=(GOOD,)))
    changed = text.getvalue().split("What changed against")[1]
    assert changed.count("TB-0417") == 1


def test_figures_keep_their_names_on_a_narrow_terminal() -> None:
    narrow = shown(60)
    assert "Output in oxygen" in narrow
    assert "50.23 ± 0.21 mV" in narrow
    for kept in ("TB-0417", "OS-1090", "✔ PASS", "✖ REJECT", "✖ reject", "≥ 2 bar"):
        assert kept in narrow


TWINS = tuple(
    replace(cell, info=replace(cell.info, cell=f"TB-2026-0417-{number}"))
    for number, cell in enumerate((GOOD, BAD), start=1)
)


@pytest.mark.parametrize("width", [40, 60, 80])
def test_serials_that_differ_at_the_end_stay_distinct_in_every_table(width: int) -> None:
    twins = replace(GRADING, cells=TWINS)
    before = replace(GRADING, cells=tuple(replace(cell, grade="watch") for cell in TWINS))
    truth = {
        cell.info.cell: CellTruth(cell.info.cell, "new", 21.0, 50.2, None, 4.85, 0.0, {}) for cell in TWINS
    }
    console = Console(width=width, file=io.StringIO(), record=True, markup=False, emoji=False)
    show_grading(console, twins, earlier=before)
    console.print(truth_table(twins, truth))
    text = console.export_text()
    for serial in ("TB-2026-0417-1", "TB-2026-0417-2"):
        assert text.count(serial) == 4
    assert "…" not in text


@pytest.mark.parametrize("width", [40, 60])
def test_numbers_and_budgets_are_whole_on_a_narrow_terminal(width: int) -> None:
    text = shown(width, budget=True)
    for whole in (
        "50.23 ± 0.21 mV",
        "at least 2.00 bar",
        "−10.04 ± 0.19 %",
        "✖ reject",
        "gauge gain",
        "90.0 %",
    ):
        assert whole in text
    assert "…" not in text


def test_a_serial_longer_than_its_column_is_folded_and_not_cut() -> None:
    serial = "TB-" + "".join(str(number % 10) for number in range(40))
    text = io.StringIO()
    long = replace(GOOD, info=replace(GOOD.info, cell=serial))
    show_summary(Console(file=text, width=80), replace(GRADING, cells=(long,)))
    assert serial[:24] in text.getvalue()
    assert serial[24:] in text.getvalue()
