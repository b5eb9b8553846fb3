"""Every row of the fault table, injected where it shows: noticed as it should be, in time, and ended safe."""

import pytest
from detection import detect
from fault_bench import broken_invariants

from drivers.catalogue import virtual_faults
from rig.control.faults_table import FAULT_TABLE, PROGRAM_FAULTS

_CASES = [(row, fault) for row in FAULT_TABLE for fault in row.faults]


@pytest.mark.parametrize(("row", "fault"), _CASES, ids=[f"{row.row}-{fault}" for row, fault in _CASES])
def test_fault_is_noticed_in_time_and_ends_safe(row, fault):
    found = detect(row, fault)
    assert found.noticed_as in row.noticed_as
    assert found.after_s <= row.within_s
    assert broken_invariants(found.run) == []


@pytest.mark.parametrize(("row", "fault"), _CASES, ids=[f"{row.row}-{fault}" for row, fault in _CASES])
def test_table_names_faults_that_exist(row, fault):
    assert fault in {kind.name for kind in virtual_faults()} | set(PROGRAM_FAULTS)


def test_table_has_thirty_six_rows_in_order():
    assert [row.row for row in FAULT_TABLE] == list(range(1, 37))


@pytest.mark.parametrize("fault", ["supply_stuck_open", "vent_stuck_shut", "gauge_not_a_number"])
def test_a_trip_tells_what_happened_what_was_done_and_what_to_do(fault):
    row = next(row for row in FAULT_TABLE if fault in row.faults)
    said = " ".join(detect(row, fault).run.said)
    assert "De-energised: supply shut, vent open." in said
    assert "Close the bottle" in said


def test_a_vent_that_stays_shut_leaves_an_alarm_with_the_force_on_the_lid():
    row = next(row for row in FAULT_TABLE if "vent_stuck_shut" in row.faults)
    run = detect(row, "vent_stuck_shut").run
    assert run.alarmed
    assert any("N on the lid" in text and "manual bleed" in text for text in run.said)


def test_an_unplugged_cell_is_dropped_and_the_others_are_held_to_the_end():
    row = next(row for row in FAULT_TABLE if "cell_unplugged" in row.faults)
    run = detect(row, "cell_unplugged").run
    assert run.how == "completed"
    assert [finding for finding, _ in run.findings()] == ["unplugged"]
    last = [data for kind, _, data in run.sink.events if kind == "hold_end"][-1]
    assert last["settled"]["1"] is False


def test_rapid_decompression_marks_every_cell_once():
    row = next(row for row in FAULT_TABLE if "lid_opened" in row.faults)
    findings = [finding for finding, _ in detect(row, "lid_opened").run.findings()]
    assert findings == ["rapid_decompression", "rapid_decompression"]
