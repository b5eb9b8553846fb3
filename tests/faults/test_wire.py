"""Faults over the real wire protocols in lockstep: the same history as without a wire, to the last bit."""

from dataclasses import replace

import pytest
from fault_bench import When, broken_invariants, run_faults, run_seed
from run_seeds import Task
from seed_benches import CONTROLLER, HAND_TWO_GAUGES
from seed_plans import DOUBLE, plan_of
from wire_check import compare_fault, compare_plan, compare_seed, differences, every_fault

from drivers.catalogue import virtual_faults
from drivers.virtual_spec import FaultSpec
from rig.safety_documents.faults import PROGRAM_FAULTS

_SAMPLE = (
    ("gauge_silent", "both"),
    ("gauge_link_lost", "second_gauge"),
    ("gauge_not_a_number", "gauge"),
    ("slow_replies", "gauge"),
    ("voltmeter_silent", ""),
    ("voltmeter_link_lost", ""),
    ("valves_silent", ""),
    ("power_loss", ""),
    ("supply_stuck_open", ""),
    ("killed", ""),
    ("rig_suspended", ""),
    ("wrong_instrument", "barometer"),
)
"""One of each way that a wire, a gauge, a valve, the voltmeter and the program can fail."""


@pytest.mark.parametrize(("name", "target"), _SAMPLE, ids=[":".join(case) for case in _SAMPLE])
def test_a_fault_over_the_wire_goes_as_it_does_without(name, target):
    run, differs = compare_fault(name, target)
    assert differs == [], f"again: {Task(name=name, target=target, wire=True).replay_line()}"
    assert broken_invariants(run) == []


@pytest.mark.parametrize("name", ["gateway_down", "valves_busy", "foreign_master", "voltmeter_frozen"])
def test_a_shared_cause_or_a_busy_block_goes_over_the_wire_as_it_does_without(name):
    _, differs = compare_fault(name, "")
    assert differs == [], f"again: {Task(name=name, wire=True).replay_line()}"


@pytest.mark.parametrize("kind", [CONTROLLER, HAND_TWO_GAUGES])
def test_other_kinds_of_bench_go_over_the_wire_as_they_do_without(kind):
    _, differs = compare_plan(plan_of(DOUBLE, 1, kind))
    assert differs == []


def test_two_random_faults_over_the_wire_go_as_they_do_without():
    _, differs = compare_seed(4, 2)
    assert differs == [], f"again: {Task(4, 2, wire=True).replay_line()}"


def test_a_voltmeter_that_comes_back_slow_holds_up_no_reading_of_the_pressure():
    """Each of its settings comes in time and all of them together do not; the pressure waits for none."""
    faults = (
        FaultSpec("voltmeter_link_lost", 0.0, duration_s=5.0),
        FaultSpec("slow_replies", 0.0, target="voltmeter", value=0.15, duration_s=30.0),
    )
    run = run_faults(faults, seed=1, when=When("measure", 1, 3.0), mode="lockstep")
    assert run.how == "completed"
    assert [data for kind, _, data in run.sink.events if kind == "gap"] == []


def test_a_difference_is_seen_wherever_it_is():
    run = run_seed(3, 1, keep_rows=True)
    assert differences(run, run) == []
    kept = run.sink.kept
    assert len(kept) > 1000
    other = run_seed(3, 1, keep_rows=True)
    other.sink.kept[700] = kept[700]._replace(t_s=kept[700].t_s + 1e-9)
    (found,) = differences(run, other)
    assert found.startswith("first row that differs: ")
    other = run_seed(3, 1, keep_rows=True)
    kind, t_s, data = other.sink.events[40]
    other.sink.events[40] = kind, t_s + 1e-9, data
    (found,) = differences(run, other)
    assert found.startswith("first event that differs: ")
    other = run_seed(3, 1, keep_rows=True)
    other.truth_later = replace(other.truth_later, pressure_bar=other.truth_later.pressure_bar + 1e-12)
    (found,) = differences(run, other)
    assert found.startswith("true pot three minutes later: ")


def test_every_fault_is_among_those_compared_with_each_of_its_targets():
    cases = every_fault()
    assert {name for name, _ in cases} == {kind.name for kind in virtual_faults()} | set(PROGRAM_FAULTS)
    assert {target for name, target in cases if name == "slow_replies"} == {
        "voltmeter",
        "gauge",
        "second_gauge",
        "valves",
        "thermometer",
        "barometer",
    }
