"""A folder of records is sound when the records are whole and their gradings are what they give."""

import importlib.util
import json
import os
import shutil
import sys
from pathlib import Path

import pytest

from grading.document import write_results
from grading.judgement.limits import load_limits
from grading.record.format import FileText
from rig.archive.check import check_archive
from rig.archive.regrade import grade_source
from rig.cli.main import main

_spec = importlib.util.spec_from_file_location(
    "simulated_run", Path(__file__).parents[1] / "grading" / "simulated_run.py"
)
simulated_run = sys.modules.setdefault("simulated_run", importlib.util.module_from_spec(_spec))
if not hasattr(simulated_run, "Cell"):
    _spec.loader.exec_module(simulated_run)

CELLS = (simulated_run.Cell("TB-0417"), simulated_run.Cell("OS-1090", ceiling_mv=70.0))


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    """A whole record with its grading, as a run leaves it."""
    general = load_limits("general")
    path = simulated_run.write_run(
        tmp_path_factory.mktemp("records"),
        CELLS,
        (1.02, 1.62),
        hold_s=36.0,
        every_s=0.4,
        limits=FileText(general.name, "general.toml", general.text, general.version),
    )
    write_results(path, grade_source(path))
    assert [cell.grade for cell in grade_source(path).cells] == ["pass", "reject"]
    return path


@pytest.fixture
def record(graded, tmp_path):
    return Path(shutil.copytree(graded, tmp_path / graded.name))


def problems(record, **options):
    (found,) = check_archive(record, **options).values()
    return found


def changed(record, change):
    """Let `change(data)` edit results.json."""
    file = record / "results.json"
    data = json.loads(file.read_text(encoding="utf-8"))
    change(data)
    file.write_text(json.dumps(data), encoding="utf-8")


def test_a_grading_that_follows_from_the_record_is_sound_wherever_the_record_is_moved(record):
    assert problems(record) == ()
    changed(record, lambda data: None)
    assert problems(record) == ()
    (record / "results.json").unlink()
    assert problems(record) == ()


def test_a_forged_grade_is_reported_with_what_it_should_be(record, capsys):
    file = record / "results.json"
    file.write_text(file.read_text(encoding="utf-8").replace('"reject"', '"pass"'), encoding="utf-8")
    (reported,) = problems(record)
    assert reported.startswith(
        "results.json: does not follow from the record: OS-1090: grade is pass in it, reject when"
    )
    assert reported.endswith(f"leadline certify {record} makes it again")
    assert main(["archive", "check", str(record)]) == 1
    assert "1 record, 0 sound, 1 not" in capsys.readouterr().out


def forge_value(data):
    data["cells"][1]["figures"]["indication_error_percent"]["1.6"]["value"] = -1.2


def forge_reason(data):
    data["cells"][1]["reasons"] = ["Every figure tested lies inside its pass limits."]


def forge_serial(data):
    data["cells"][1]["info"]["cell"] = "TB-0418"


def swap_truth_for_number(data):
    data["cells"][0]["figures"]["oxygen_output_mv"]["required"] = 1


def forge_a_cell_more(data):
    data["cells"].append(data["cells"][0])


def add_a_field(data):
    data["cells"][0]["approved"] = True


def forge_step(data):
    data["cells"][1]["detail"]["steps"][-1]["output_mv"] += 0.05


@pytest.mark.parametrize(
    "forge",
    [
        forge_value,
        forge_reason,
        forge_serial,
        swap_truth_for_number,
        forge_a_cell_more,
        add_a_field,
        forge_step,
    ],
)
def test_any_forged_part_of_a_grading_is_reported(record, forge):
    changed(record, forge)
    (reported,) = problems(record)
    assert reported.startswith("results.json: does not follow from the record: ")


def test_last_bits_of_another_computer_are_no_difference(record):
    def nudge(data):
        figures = data["cells"][0]["figures"]
        figures["oxygen_output_mv"]["value"] *= 1.0 + 1e-7

    changed(record, nudge)
    assert problems(record) == ()


def test_another_version_may_word_it_otherwise_and_may_not_grade_it_otherwise(record):
    def older(data):
        data["software_version"] = "0.0.9"
        data["cells"][1]["reasons"] = ["Worded otherwise."]
        del data["cells"][0]["figures"]["fade_percent_per_min"]

    changed(record, older)
    assert problems(record) == ()
    changed(record, forge_value)
    (reported,) = problems(record)
    assert "leadline 0.0.9 made it, and this is " in reported


@pytest.mark.parametrize(
    "damage", [lambda b: b[:-200], lambda b: b"\0" * len(b), lambda b: b"", lambda b: b"[]"]
)
def test_a_grading_that_cannot_be_read_is_reported(record, damage):
    file = record / "results.json"
    file.write_bytes(damage(file.read_bytes()))
    (reported,) = problems(record)
    assert reported.startswith("results.json: not ")
    assert reported.endswith(f"leadline certify {record} makes it again")


def test_a_folder_in_the_place_of_a_grading_is_reported(record):
    (record / "results.json").unlink()
    (record / "results.json").mkdir()
    assert problems(record) == ("results.json: cannot be read (Is a directory)",)


def test_other_limits_are_found_by_name_or_named_or_reported(record, tmp_path):
    write_results(record, grade_source(record, limits="skerry_point"))
    assert problems(record) == ()
    own = tmp_path / "own.toml"
    text = load_limits("general").text
    own.write_text(
        text.replace('name = "general"', 'name = "own"', 1).replace("pass_least = 40.0", "pass_least = 45.0")
    )
    write_results(record, grade_source(record, limits=str(own)))
    (reported,) = problems(record)
    assert reported.startswith("results.json: graded under limits 'own' (sha256 ")
    assert reported.endswith("name their file with --limits")
    assert problems(record, limits=str(own)) == ()
    assert main(["archive", "check", str(record), "--limits", str(own)]) == 0


def test_a_damaged_record_is_reported_beside_its_grading(record):
    samples = record / "samples.csv"
    samples.write_bytes(samples.read_bytes().replace(b"1.013000", b"1.031000", 1))
    found = problems(record)
    assert any(reported.startswith("samples.csv") for reported in found)
    assert found[-1].startswith("results.json: does not follow from the record: ")


def test_a_file_is_not_said_to_be_missing(record, capsys):
    assert main(["archive", "check", str(record / "run.json")]) == 2
    assert "run.json: a file; give the folder of a record" in capsys.readouterr().err


def test_a_pipe_in_the_place_of_a_grading_is_not_waited_for(record):
    (record / "results.json").unlink()
    os.mkfifo(record / "results.json")
    (reported,) = problems(record)
    assert reported.startswith("results.json: is not a file that grading writes; leadline certify ")
