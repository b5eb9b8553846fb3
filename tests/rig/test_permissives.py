"""No gas is let in, and no lid opened, unless every condition is met."""

from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace

import pytest

from drivers.ports import ReadingStatus, ValveState
from rig.loop.acquisition import Acquisition, Instruments
from rig.loop.schedule import Schedule
from rig.safety.drive_words import Drive
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import disk_refusal, fill_refusal, lid_refusal, shot_refusal
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import SetPoint
from rig.safety.states import STATE_RULES, TRANSITIONS, Command, State

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
VALVES = ValveState(
    supply_open=False,
    vent_open=False,
    lid_closed=True,
    heartbeat=1,
    watchdog_tripped=False,
    pressure_switch_tripped=False,
)


def gauge(pressure_bar=1.6, **changes):
    return GaugeState(pressure_bar, ReadingStatus.OK, **changes)


def scan(**changes):
    values = {
        "gauge": gauge(),
        "second_gauge": gauge(),
        "barometer_bar": 1.0,
        "valves": VALVES,
    }
    return Scan(**{**values, **changes})


def refusal(changes=None, state=State.EXECUTE, rises_to_bar=1.7, two_gauges=True):
    return fill_refusal(
        scan(**(changes or {})), STATE_RULES[state], LIMITS, rises_to_bar=rises_to_bar, two_gauges=two_gauges
    )


def of_shot(changes=None, state=State.EXECUTE, duration_ms=100, rise_bar=0.002, two_gauges=True):
    return shot_refusal(
        scan(**(changes or {})),
        STATE_RULES[state],
        LIMITS,
        duration_ms=duration_ms,
        longest_shot_ms=500,
        expected_rise_bar=rise_bar,
        two_gauges=two_gauges,
    )


def test_without_any_pressure_no_shot_is_given():
    assert (
        of_shot({"gauge": gauge(None), "second_gauge": gauge(None)})
        == "the pressure gauge has no valid reading"
    )


@pytest.mark.parametrize("drive", list(Drive))
def test_gas_is_let_in_when_all_is_well(drive):
    assert refusal({"drive": drive}) is None
    assert (
        refusal({"drive": drive, "valves": replace(VALVES, lid_closed=None, watchdog_tripped=None)}) is None
    )
    assert of_shot() is None


# What refuses, the words said, and the nearest scan that does not refuse.
ALONE = [
    (
        {"gauge": gauge(failed_readings=1)},
        "the pressure gauge has no valid reading",
        {"gauge": gauge(failed_readings=0)},
    ),
    ({"gauge": gauge(None)}, "the pressure gauge has no valid reading", {"gauge": gauge(1.6)}),
    (
        {"second_gauge": gauge(failed_readings=1)},
        "the second gauge has no valid reading",
        {"second_gauge": gauge(failed_readings=0)},
    ),
    ({"second_gauge": gauge(None)}, "the second gauge has no valid reading", {"second_gauge": gauge(1.6)}),
    ({"scans_apart": 1}, "the two gauges disagree by more than 30 mbar", {"scans_apart": 0}),
    ({"valve_failures": 1}, "does not answer", {"valve_failures": 0}),
    ({"valve_failures": 1, "valve_answers": 1}, "answers with an error", {"valve_failures": 0}),
    ({"foreign_owner": 1}, "another program", {"foreign_owner": 0}),
    ({"valves": replace(VALVES, lid_closed=False)}, "the lid is open", {"valves": VALVES}),
    ({"valves": replace(VALVES, watchdog_tripped=True)}, "power has been cut", {"valves": VALVES}),
    ({"valves": replace(VALVES, pressure_switch_tripped=True)}, "power has been cut", {"valves": VALVES}),
    ({"free_bytes": 49_999_999}, "50 MB are needed", {"free_bytes": 50_000_000}),
    ({"gauge": gauge(2.2001)}, "2.200 bar is above the filling stop at 2.20 bar", {"gauge": gauge(2.2)}),
    ({"second_gauge": gauge(2.201)}, "2.201 bar is above the filling stop", {"second_gauge": gauge(2.2)}),
]


@pytest.mark.parametrize("drive", list(Drive))
@pytest.mark.parametrize(("changes", "words", "border"), ALONE)
def test_each_condition_alone_refuses_for_every_drive(changes, words, border, drive):
    assert words in refusal({**changes, "drive": drive})
    assert refusal({**border, "drive": drive}) is None
    assert words in of_shot(changes, rise_bar=0.0)


def test_only_a_bench_with_a_valve_block_waits_for_one():
    assert "the valve block does not answer" in refusal({"valves": None})
    assert refusal({"valves": None, "drive": Drive.CONTROLLER}) is None
    assert refusal({"valves": None, "drive": Drive.HANDS}) is None
    lost = {"valves": None, "drive": Drive.CONTROLLER, "valve_failures": 1}
    assert "the pressure controller does not answer" in refusal(lost)


@pytest.mark.parametrize("state", list(State))
def test_gas_is_let_in_in_two_states_alone(state):
    allowed = state in (State.STARTING, State.EXECUTE)
    assert (refusal(state=state) is None) is allowed
    assert (of_shot(state=state) is None) is allowed


@pytest.mark.parametrize("command", [Command.ABORT, Command.STOP, Command.HOLD])
def test_no_state_that_a_trip_leads_to_lets_gas_in_and_none_leads_back_by_itself(command):
    for state in (State.STARTING, State.EXECUTE):
        reached = TRANSITIONS.get((state, command))
        while reached is not None:
            assert "no gas is let in" in refusal(state=reached)
            assert reached is not state
            reached = TRANSITIONS.get((reached, Command.DONE))


def test_the_filling_may_be_meant_to_end_at_the_stop_and_not_above():
    assert refusal(rises_to_bar=2.2) is None
    assert "2.201 bar is above the filling stop at 2.20 bar" in refusal(rises_to_bar=2.201)


@pytest.mark.parametrize(
    ("second_bar", "given"), [(1.0299, True), (1.0301, False), (0.9701, True), (0.9699, False)]
)
def test_gauges_may_be_thirty_millibar_apart_and_no_more(second_bar, given):
    clock = SimpleNamespace(
        monotonic_s=lambda: 0.0,
        utc=lambda: datetime(2026, 3, 2, tzinfo=UTC),
        sleep_until=lambda until_s: None,
    )
    gauges = [
        SimpleNamespace(name=name, read_pressure_bar=lambda bar=bar: bar)
        for name, bar in (("gauge", 1.0), ("second", second_bar))
    ]
    schedule = Schedule(clock, 0.2)
    instruments = Instruments(gauges[0], second_gauge=gauges[1])
    acquisition = Acquisition(instruments, schedule, SetPoint(), LIMITS, (), suspended=lambda: 0.0)
    schedule.wait()
    read = replace(acquisition.read_pressures(), valves=VALVES)
    refused = fill_refusal(read, STATE_RULES[State.EXECUTE], LIMITS, rises_to_bar=1.1, two_gauges=True)
    assert (refused is None) is given


@pytest.mark.parametrize(("duration_ms", "given"), [(0, False), (1, True), (500, True), (501, False)])
def test_a_shot_out_of_range_is_refused_and_never_clipped(duration_ms, given):
    assert (of_shot(duration_ms=duration_ms) is None) is given


def test_a_shot_may_reach_the_filling_stop_and_not_pass_it():
    assert of_shot({"gauge": gauge(2.0), "second_gauge": gauge(2.0)}, rise_bar=0.19999) is None
    assert of_shot({"gauge": gauge(2.0), "second_gauge": gauge(2.0)}, rise_bar=0.2001) is not None
    assert of_shot({"gauge": gauge(2.0), "second_gauge": gauge(2.1)}, rise_bar=0.1001) is not None
    assert of_shot({"gauge": gauge(2.2), "second_gauge": gauge(2.0)}, rise_bar=0.0) is None


def test_a_bench_with_one_gauge_does_not_wait_for_a_second():
    assert refusal({"second_gauge": gauge(None, failed_readings=3)}, two_gauges=False) is None


def test_the_lid_needs_a_pot_that_has_been_judged_vented_for_ten_seconds():
    vented = {"gauge": gauge(1.0199), "second_gauge": gauge(1.01)}
    assert lid_refusal(scan(**vented), LIMITS, 10.0) is None
    assert lid_refusal(scan(**vented), LIMITS, 9.9) == "the pot has read vented for 9 s only; wait for 10 s"
    assert "no gauge can show" in lid_refusal(scan(**{**vented, "barometer_bar": None}), LIMITS, 60.0)
    assert "no gauge can show" in lid_refusal(scan(gauge=gauge(None), second_gauge=gauge(None)), LIMITS, 60.0)
    one_gauge = {"gauge": gauge(1.01), "second_gauge": gauge(None)}
    assert lid_refusal(scan(**one_gauge), LIMITS, 60.0) is None


def test_an_old_reading_of_a_dead_gauge_says_nothing_about_the_lid():
    dead = gauge(1.0, failed_readings=1)
    assert "NOT VENTED" in lid_refusal(scan(gauge=gauge(1.1), second_gauge=dead), LIMITS, 60.0)
    assert "no gauge can show" in lid_refusal(scan(gauge=dead, second_gauge=dead), LIMITS, 60.0)


def test_cells_and_gauges_in_doubt_keep_the_lid_shut():
    vented = {"gauge": gauge(1.0), "second_gauge": gauge(1.0)}
    assert "cells still show" in lid_refusal(scan(**vented, cells_over_bar=0.061), LIMITS, 60.0)
    doubted = scan(gauge=gauge(1.0, doubt="it fell too fast"), second_gauge=gauge(1.0))
    assert "it fell too fast" in lid_refusal(doubted, LIMITS, 60.0)


def test_a_lid_under_pressure_is_refused_with_the_force_on_it():
    # 100 mm and 100 mbar: pi/4 * 0.1 m * 0.1 m * 10 kPa = 78.5 N.
    assert lid_refusal(scan(gauge=gauge(1.1), second_gauge=gauge(1.0)), LIMITS, 60.0) == (
        "NOT VENTED: +100 mbar against ambient, 79 N on the lid."
    )


def test_a_full_disk_refuses_the_run_before_it_begins():
    assert disk_refusal(50_000_000) is None
    assert "49 MB are free" in disk_refusal(49_000_000)
    assert "50 MB are needed" in disk_refusal(49_999_999)
