"""A gateway that falters for a moment costs no run and no cells; one that stays away ends the run safely."""

import pytest
from fault_bench import VENTED_BAR, When, broken_invariants, run_faults

from drivers.virtual_spec import FaultSpec
from rig.setup.procedure import parse_procedure
from rig_configs.files.checked_toml import TomlText

IN_HOLD = When("measure", 2, 8.0)
_SHORT = """
schema = "leadline.procedure/1"
name = "short"
version = "1"
[purge]
method = "flow"
flow_volumes = 6.0
[hold]
least_s = 20
cap_s = 20
[leak]
settle_s = 30
hold_s = 30
[[steps]]
po2_bar = 1.0
direction = "up"
"""
PHASES = {
    "purge": When("purge", None, 20.0),
    "fill": When("fill", 3, 4.0),
    "hold": IN_HOLD,
    "let-out": When("let-out", 4, 4.0),
}


def completes(run):
    return (run.how, run.trips(), run.findings(), broken_invariants(run)) == ("completed", [], [], [])


@pytest.mark.parametrize("when", PHASES.values(), ids=PHASES)
def test_an_outage_of_a_third_of_a_second_is_bridged(when):
    run = run_faults((FaultSpec("gateway_down", 0.0, duration_s=0.3),), seed=417, when=when)
    assert completes(run), run.said


@pytest.mark.parametrize("offset_s", [0.05, 0.1, 0.15, 0.25])
def test_it_is_bridged_wherever_in_the_tick_it_strikes(offset_s):
    when = When("measure", 2, 8.0 + offset_s)
    run = run_faults((FaultSpec("gateway_down", 0.0, duration_s=0.3),), seed=417, when=when)
    assert completes(run), run.said


def test_it_is_bridged_over_the_wire_as_well():
    short = parse_procedure(TomlText("short.toml", _SHORT))
    outage = FaultSpec("gateway_down", 0.0, duration_s=0.3)
    in_hold = When("measure", 1, 8.0)
    run = run_faults((outage,), seed=417, when=in_hold, procedure=short, mode="lockstep")
    assert completes(run), run.said


@pytest.mark.parametrize("fault", ["valves_silent", "valves_link_lost"])
def test_one_lost_beat_and_one_lost_read_back_are_bridged(fault):
    run = run_faults((FaultSpec(fault, 0.0, duration_s=0.45),), seed=417, when=IN_HOLD)
    assert completes(run), run.said


def test_an_outage_of_three_seconds_ends_the_run_and_says_that_nothing_answers():
    run = run_faults((FaultSpec("gateway_down", 0.0, duration_s=3.0),), seed=417, when=IN_HOLD)
    assert run.how == "tripped"
    (code, t_s), *_ = run.trips()
    assert code in ("VALVES_LOST", "GAUGE_LOST")
    assert t_s - run.faults[0].at_s <= 2.0
    assert any("not answered" in text and "no answer" in text for text in run.said)
    assert abs(run.truth.pressure_bar - run.truth.room_pressure_bar) <= VENTED_BAR
    assert broken_invariants(run) == []


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_block_that_answers_busy_to_one_request_in_25_completes_its_runs(seed):
    run = run_faults(
        (FaultSpec("valves_busy", 5.0, value=0.04),), seed=seed, method=("flow", "swings")[seed % 2]
    )
    assert completes(run), run.said
