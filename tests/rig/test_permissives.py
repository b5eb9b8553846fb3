"""No gas is let in, and no lid opened, unless everything that must be true is true."""

from dataclasses import replace

import pytest

from drivers.ports import ReadingStatus, ValveState
from rig.control.permissives import disk_refusal, lid_refusal, supply_refusal
from rig.control.safety_limits import SafetyLimits
from rig.control.scan import Scan
from rig.control.states import STATE_RULES, State

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
VALVES = ValveState(
    supply_open=False,
    vent_open=False,
    lid_closed=True,
    heartbeat=1,
    watchdog_tripped=False,
    pressure_switch_tripped=False,
)


def scan(**changes):
    values = {
        "pressure_bar": 1.6,
        "pressure_b_bar": 1.6,
        "pressure_status": ReadingStatus.OK,
        "barometer_bar": 1.0,
        "valves": VALVES,
    }
    return Scan(**{**values, **changes})


def refusal(changes=None, state=State.EXECUTE, duration_ms=100, rise_bar=0.002, two_gauges=True):
    return supply_refusal(
        scan(**(changes or {})),
        STATE_RULES[state],
        LIMITS,
        duration_ms=duration_ms,
        longest_shot_ms=500,
        expected_rise_bar=rise_bar,
        two_gauges=two_gauges,
    )


def test_a_shot_is_given_when_all_is_well():
    assert refusal() is None
    assert refusal({"valves": replace(VALVES, lid_closed=None, watchdog_tripped=None)}) is None


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bad": 1}, "gauge"),
        ({"pressure_bar": None}, "gauge"),
        ({"bad_b": 1}, "second gauge"),
        ({"pressure_b_bar": None}, "second gauge"),
        ({"apart": 1}, "disagree"),
        ({"valves": None}, "valve block"),
        ({"valve_failures": 1}, "valve block"),
        ({"valves": replace(VALVES, lid_closed=False)}, "lid"),
        ({"valves": replace(VALVES, watchdog_tripped=True)}, "power"),
        ({"valves": replace(VALVES, pressure_switch_tripped=True)}, "power"),
        ({"pressure_bar": 2.199}, "2.199 bar is too close"),
        ({"pressure_b_bar": 2.199}, "2.199 bar is too close"),
    ],
)
def test_each_condition_alone_refuses_a_shot(changes, words):
    assert words in refusal(changes)


@pytest.mark.parametrize("state", list(State))
def test_gas_is_let_in_in_two_states_alone(state):
    allowed = state in (State.STARTING, State.EXECUTE)
    assert (refusal(state=state) is None) is allowed


@pytest.mark.parametrize(("duration_ms", "given"), [(0, False), (1, True), (500, True), (501, False)])
def test_a_shot_out_of_range_is_refused_and_never_clipped(duration_ms, given):
    assert (refusal(duration_ms=duration_ms) is None) is given


def test_a_shot_may_reach_the_filling_stop_and_not_pass_it():
    assert refusal({"pressure_bar": 2.0, "pressure_b_bar": 2.0}, rise_bar=0.19999) is None
    assert refusal({"pressure_bar": 2.0, "pressure_b_bar": 2.0}, rise_bar=0.2001) is not None
    assert refusal({"pressure_bar": 2.2, "pressure_b_bar": 2.0}, rise_bar=0.0) is None


def test_a_bench_with_one_gauge_does_not_wait_for_a_second():
    assert refusal({"pressure_b_bar": None, "bad_b": 3}, two_gauges=False) is None


def test_the_lid_needs_two_sources_and_ten_seconds():
    vented = {"pressure_bar": 1.0199, "pressure_b_bar": 1.01}
    assert lid_refusal(scan(**vented), LIMITS, 10.0) is None
    assert "9 s only" in lid_refusal(scan(**vented), LIMITS, 9.9)
    assert "not known" in lid_refusal(scan(**{**vented, "barometer_bar": None}), LIMITS, 60.0)
    assert "not known" in lid_refusal(scan(pressure_bar=None), LIMITS, 60.0)
    one_gauge = {"pressure_bar": 1.01, "pressure_b_bar": None}
    assert lid_refusal(scan(**one_gauge), LIMITS, 60.0) is None


def test_a_lid_under_pressure_is_refused_with_the_force_on_it():
    # 100 mm and 100 mbar: pi/4 * 0.1 m * 0.1 m * 10 kPa = 78.5 N.
    assert lid_refusal(scan(pressure_bar=1.1, pressure_b_bar=1.0), LIMITS, 60.0) == (
        "LID UNDER PRESSURE: 79 N on the lid"
    )
    border = {"pressure_bar": 0.02, "pressure_b_bar": 0.02, "barometer_bar": 0.0}
    assert lid_refusal(scan(**border), LIMITS, 60.0) is None
    assert lid_refusal(scan(pressure_bar=1.0, pressure_b_bar=1.0201), LIMITS, 60.0) is not None
    assert lid_refusal(scan(pressure_bar=1.0, pressure_b_bar=1.0199), LIMITS, 60.0) is None


def test_a_full_disk_refuses_the_run_before_it_begins():
    assert disk_refusal(50_000_000) is None
    assert "49 MB are free" in disk_refusal(49_000_000)
    assert "50 MB are needed" in disk_refusal(49_999_999)
