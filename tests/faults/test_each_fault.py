"""Every row of the fault table, injected where it shows: noticed as listed, in time, and ended safely."""

import pytest
from detection import detect, run_where_it_shows
from fault_bench import broken_invariants, run_faults

from drivers.catalogue import start_virtual, virtual_faults
from drivers.virtual_spec import FaultSpec, VirtualBenchError
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits
from grading.sources.any_source import load_source
from rig.safety_documents.faults import FAULT_TABLE, PROGRAM_FAULTS
from rig.setup.bench import load_bench, virtual_spec
from rig.setup.cells import load_cells

_CASES = [
    (row, fault) for row in FAULT_TABLE for fault in (*row.faults, *(later.fault for later in row.later))
]
_NOT_NOTICED = [fault for row in FAULT_TABLE for fault in row.not_noticed]


_DONE = {"HOLDING": "holds", "STOPPING": "vents on the ramp", "ABORTING": "de-energises"}


def done_first(run):
    """What the rig did first after the onset, in the words of the fault table; empty where none shows."""
    if run.how == "refused":
        return "refuses to start"
    begun_s = run.faults[0].at_s
    states = [data["to"] for kind, t_s, data in run.sink.events if kind == "state" and t_s >= begun_s]
    return next((_DONE[state] for state in states if state in _DONE), "")


@pytest.mark.parametrize(("row", "fault"), _CASES, ids=[f"{row.row}-{fault}" for row, fault in _CASES])
def test_fault_is_noticed_in_time_and_ends_safe(row, fault):
    found = detect(row, fault)
    assert found.in_time, (found.noticed_as, found.after_s)
    assert done_first(found.run) in row.answer
    assert broken_invariants(found.run) == []


@pytest.mark.parametrize("fault", _NOT_NOTICED)
def test_fault_listed_as_not_noticed_ends_no_run(fault):
    """What the fault table says of them: if a run notices one, the table has to be corrected."""
    run = run_where_it_shows(fault, target="1" if fault.startswith("cell") else "")
    assert (run.how, run.trips(), run.findings()) == ("completed", [], [])
    assert broken_invariants(run) == []


@pytest.mark.parametrize(("row", "fault"), _CASES, ids=[f"{row.row}-{fault}" for row, fault in _CASES])
def test_table_names_faults_that_exist(row, fault):
    assert fault in {kind.name for kind in virtual_faults()} | set(PROGRAM_FAULTS)


def test_every_fault_of_the_bench_stands_in_a_row_but_those_that_take_a_layer_away():
    listed = [*(fault for _, fault in _CASES), *_NOT_NOTICED]
    layers = {kind.name for kind in virtual_faults() if kind.text.endswith("(layer removed)")}
    assert layers == {"pressure_switch_dead", "relief_stuck", "watchdog_dead"}
    assert len(listed) == len(set(listed))
    assert set(listed) - set(PROGRAM_FAULTS) == {kind.name for kind in virtual_faults()} - layers


@pytest.mark.parametrize("kind", virtual_faults(), ids=lambda kind: kind.name)
def test_every_fault_can_be_practised_on_a_shipped_bench(kind):
    refused = []
    for name in ("virtual_bench", "virtual_hand_pot"):
        bench = load_bench(name)
        cells = load_cells("three_cells", bench.sockets)
        try:
            start_virtual(
                virtual_spec(bench, cells, None, "direct", 1.0, (FaultSpec(kind.name, 0.0),))
            ).stop()
        except VirtualBenchError as error:
            refused.append(str(error))
    assert len(refused) < 2, refused


def test_table_has_thirty_six_rows_in_order():
    assert [row.row for row in FAULT_TABLE] == list(range(1, 37))


@pytest.mark.parametrize("fault", ["supply_stuck_open", "vent_stuck_shut", "gauge_not_a_number"])
def test_a_trip_says_what_happened_what_was_done_and_what_to_do(fault):
    row = next(row for row in FAULT_TABLE if fault in row.faults)
    said = " ".join(detect(row, fault).run.said)
    assert "De-energised: no valve has power." in said
    assert "Close the bottle" in said


def test_a_vent_that_stays_shut_leaves_an_alarm_with_the_force_on_the_lid():
    row = next(row for row in FAULT_TABLE if "vent_stuck_shut" in row.faults)
    run = detect(row, "vent_stuck_shut").run
    assert run.alarmed
    at_s = dict(run.trips())
    assert at_s["NOT_VENTED"] - at_s["VENT_BLOCKED"] == pytest.approx(120.0, abs=1.0)
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


def beyond_its_uncertainty(run):
    """By how much each hold's oxygen falls short of what the record says, over the expanded uncertainty."""
    return [
        (hold.claimed_oxygen_fraction - hold.oxygen_fraction) / (2.0 * hold.u_oxygen_fraction)
        for hold in run.sink.holds
    ]


@pytest.mark.parametrize("method", ["swings", "flow"])
def test_a_dead_space_within_the_allowance_is_covered_by_the_purges_uncertainty(method):
    run = run_faults((FaultSpec("purge_dead_space", 0.0, value=0.2),), seed=417, method=method)
    assert run.how == "completed"
    assert run.trips() == run.findings() == []
    assert 0.2 < max(beyond_its_uncertainty(run)) < 1.0


def test_a_dead_space_beyond_the_allowance_is_neither_noticed_nor_covered():
    """What the fault table says of it: if this fails, the table has to be corrected."""
    run = run_faults((FaultSpec("purge_dead_space", 0.0, value=0.5),), seed=417, method="swings")
    assert run.how == "completed"
    assert run.trips() == run.findings() == []
    assert max(beyond_its_uncertainty(run)) > 1.5


def test_a_dead_space_that_costs_the_cells_a_tenth_is_noticed_by_them():
    run = run_faults((FaultSpec("purge_dead_space", 0.0, value=0.9),), seed=417, method="flow")
    assert [code for code, _ in run.trips()] == ["GAS_SUSPECT"]


def test_a_bad_contact_is_noticed_by_no_run_and_named_by_its_grade(tmp_path):
    run = run_where_it_shows("cell_noisy", target="1", record=tmp_path)
    assert run.how == "completed"
    assert run.trips() == run.findings() == []
    (record,) = tmp_path.iterdir()
    noisy, sound = grade(load_source(record), load_limits("general")).cells
    assert any("contact" in text for text in noisy.diagnosis)
    assert not any("contact" in text for text in sound.diagnosis)


def test_a_barometer_that_is_wrong_ends_the_run_and_one_that_is_lost_is_noted_once():
    row = next(row for row in FAULT_TABLE if "barometer_wrong" in row.faults)
    assert detect(row, "barometer_wrong").noticed_as in ("BAROMETER", "VENTED_ZERO")
    run = detect(row, "barometer_link_lost").run
    assert run.how == "completed"
    assert len([text for text in run.said if "barometer no longer answers" in text]) == 1
    notes = [data["text"] for kind, _, data in run.sink.events if kind == "note"]
    assert len([text for text in notes if "barometer no longer answers" in text]) == 1
