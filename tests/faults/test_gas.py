"""Another gas, or a meter that is off: whole runs, judged on the true gas and on the grades."""

from functools import cache

import pytest
from graded_run import by_flow, graded_run

from drivers.virtual_spec import FaultSpec
from grading.document import write_results
from rig.archive.check import check_archive
from rig.archive.regrade import grade_source
from rig.setup.procedure import parse_procedure
from rig_configs.files.checked_toml import FileError, TomlText

CLAIMED = 0.98
"""Least oxygen fraction that a purge of these runs claims."""
GOOD = ("TB-0417", "OS-1123")


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("records")


@cache
def quick():
    return by_flow("quick")


def no_good_cell_is_blamed(run):
    """No good cell is rejected, and none is graded in a gas that was not what the record claims."""
    for serial in GOOD:
        grade = run.grades.get(serial, "ungraded")
        assert grade != "reject", run.reasons
        assert grade == "ungraded" or run.truth.oxygen_fraction > CLAIMED, run.truth


def test_air_in_the_bottle_after_the_purge_of_quick_rejects_no_cell(out):
    run = graded_run(out, faults=["wrong_gas=0.21@1836"])
    assert set(run.grades.values()) == {"ungraded"}
    assert run.truth.oxygen_fraction < 0.9
    assert "Gas suspect" in run.reasons
    assert any("Gas suspect" in text for text in run.said)


@pytest.mark.parametrize(
    ("fault", "cells"),
    [
        ("wrong_gas=0.9@10", 6),
        ("wrong_gas=0.21@430", 2),
        ("wrong_gas=0.5@445", 2),
        ("wrong_gas=0.9@430", 2),
        ("wrong_gas=0.21@430", 1),
    ],
)
def test_another_gas_at_any_time_is_the_gas_and_not_the_cells(out, fault, cells):
    run = graded_run(out, procedure=quick(), cells=cells, faults=[fault])
    no_good_cell_is_blamed(run)
    assert set(run.grades.values()) == {"ungraded"}
    assert any("uspect" in text for text in run.said)


def test_a_gas_that_changes_on_the_way_up_is_found_on_the_way_down(out):
    run = graded_run(out, procedure=by_flow("full"), cells=2, faults=["wrong_gas=0.9@500"])
    no_good_cell_is_blamed(run)
    assert set(run.grades.values()) == {"ungraded"}


def test_a_bottle_changed_while_the_run_was_held_is_found_in_the_step_that_is_resumed(out):
    def change_bottle(code, bench):
        if code != "mend_no_response":
            return None
        bench.inject(FaultSpec("wrong_gas", bench.clock.monotonic_s(), value=0.3))
        return "retry"

    run = graded_run(
        out, procedure=quick(), cells=2, faults=["supply_stuck_shut@430+17"], reply=change_bottle
    )
    assert any(event["code"] == "mend_no_response" for event in run.events("prompt"))
    assert run.outcome.code == "GAS_SUSPECT"
    assert [event["step"] for event in run.events("hold_end")][-1] == 3
    assert "since the run was held" in run.reasons
    no_good_cell_is_blamed(run)


@cache
def with_gain(out):
    return graded_run(out, procedure=quick(), cells=3, faults=["voltmeter_gain=0.02@560"])


def test_a_meter_whose_gain_moves_by_two_percent_is_seen_by_the_last_step(out):
    run = with_gain(out)
    assert run.outcome.how == "completed"
    assert set(run.grades.values()) == {"ungraded"}
    assert any("Suspect: gas, gauges or meter." in text for text in run.said)


def test_a_run_without_a_reading_in_air_proves_no_gas_and_grades_no_cell(out):
    text = quick().text.replace("hold = true", "hold = false")
    run = graded_run(out, procedure=parse_procedure(TomlText("no_air.toml", text)), cells=2)
    assert run.outcome.how == "completed"
    assert set(run.grades.values()) == {"ungraded"}
    assert "no reading in air" in run.reasons


@cache
def with_bottle(out, bottle):
    """A run on a bottle of 0.95 with this name; the virtual bench has no lot of cells that are bad alike."""
    supply = "supply_pressure_bar = 4.0"
    return graded_run(
        out,
        procedure=quick(),
        cells=2,
        faults=["wrong_gas=0.95@10"],
        replaced=((supply, f'bottle = "{bottle}"\n{supply}'),),
    )


def test_a_second_run_with_another_bottle_makes_cells_off_alike_gradable(out):
    first, second = with_bottle(out, "B-1"), with_bottle(out, "B-2")
    assert set(first.grades.values()) == {"ungraded"}
    both = grade_source(first.record, second_run=second.record)
    assert {cell.grade for cell in both.cells} <= {"watch", "reject"}
    assert both.second_run == second.record.name
    write_results(first.record, both)
    assert check_archive(first.record) == {first.record: ()}


def test_a_second_run_is_refused_in_one_line_unless_it_is_another_one_on_another_bottle(out, tmp_path):
    first, unnamed = with_bottle(out, "B-1").record, with_gain(out).record
    with pytest.raises(FileError, match="is the same run"):
        grade_source(first, second_run=first)
    with pytest.raises(FileError, match="does not name its bottle"):
        grade_source(first, second_run=unnamed)
    table = tmp_path / "typed.csv"
    table.write_text("cell,step,gas\n")
    with pytest.raises(FileError, match="is no record"):
        grade_source(first, second_run=table)
