"""What counts as evidence of a vented pot: each rule at its border, on readings without a bench."""

from dataclasses import replace

import pytest

from drivers.ports import ReadingStatus, ValveState
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import Intent, SetPoint
from rig.safety.vented import (
    ANSWER_BAR,
    FELL,
    SWITCH,
    UNANSWERED,
    WATCH_AFTER_TRIP_S,
    GaugeTrust,
    contradiction,
    fastest_fall_bar,
    judge_vented,
    surviving_gauges,
    surviving_gauges_bar,
)

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
ROOM_BAR = 1.0
DEAD = GaugeState(1.6, ReadingStatus.TIMEOUT, failed_readings=1)
SWITCHED = ValveState(
    supply_open=False,
    vent_open=True,
    lid_closed=True,
    heartbeat=1,
    watchdog_tripped=False,
    pressure_switch_tripped=True,
)


def scan(first=ROOM_BAR, second=ROOM_BAR, **changes):
    def gauge(value):
        return value if isinstance(value, GaugeState) else GaugeState(value)

    values = {
        "gauge": gauge(first),
        "second_gauge": gauge(second),
        "barometer_bar": ROOM_BAR,
        "intent": Intent.OPEN,
    }
    return Scan(**{**values, **changes})


@pytest.mark.parametrize(
    ("seen", "reported"),
    [
        # 100 mm and 0.6 bar: pi/4 * 0.1 m * 0.1 m * 60 kPa = 471 N.
        (scan(1.6, 1.6), "NOT VENTED: +600 mbar against ambient, 471 N on the lid."),
        (scan(1.0, 1.6), "NOT VENTED: +600 mbar"),
        (scan(1.0, 1.0201), "NOT VENTED: +20 mbar"),
        (
            scan(0.9799, 1.0),
            "NOT CONFIRMED: the gauges read 0.980 and 1.000 bar and the barometer 1.000 bar.",
        ),
        (scan(DEAD, DEAD), "NOT CONFIRMED: no gauge can show whether the pot is vented."),
        (scan(GaugeState(), GaugeState()), "NOT CONFIRMED: no gauge"),
        (scan(GaugeState(1.0, identical_readings=10), DEAD), "NOT CONFIRMED: no gauge"),
        (scan(barometer_bar=None), "NOT CONFIRMED: no gauge"),
        (
            scan(GaugeState(1.0, doubt="one reason"), GaugeState(1.0, doubt="another")),
            "NOT CONFIRMED: the gauges read 1.000 and 1.000 bar, but one reason and another.",
        ),
        (
            scan(1.0, GaugeState(1.0, doubt=FELL)),
            f"NOT CONFIRMED: the gauges read 1.000 and 1.000 bar, but {FELL}.",
        ),
        (
            scan(cells_over_bar=0.061),
            "NOT CONFIRMED: the gauges read 1.000 and 1.000 bar, but the cells still show pressure in the "
            "pot, about +61 mbar against ambient.",
        ),
    ],
)
def test_a_pot_that_is_not_shown_to_be_vented_is_reported_with_the_reason(seen, reported):
    judged = judge_vented(seen, LIMITS)
    assert not judged.vented
    assert judged.reason.startswith(reported)


@pytest.mark.parametrize(
    "seen",
    [
        scan(),
        scan(1.0199, 0.9801),
        scan(1.0, DEAD),
        scan(DEAD, 1.0),
        scan(GaugeState(1.6, identical_readings=10), 1.0),
        scan(GaugeState(1.0, identical_readings=9), DEAD),
        scan(1.0, replace(DEAD, doubt=FELL)),
        scan(cells_watch=True),
    ],
)
def test_every_gauge_that_works_is_needed_and_no_other(seen):
    assert judge_vented(seen, LIMITS) == judge_vented(scan(), LIMITS)
    assert judge_vented(seen, LIMITS).vented
    assert judge_vented(seen, LIMITS).reason == ""


def test_a_pot_that_tripped_is_watched_for_a_minute():
    assert WATCH_AFTER_TRIP_S == 60.0
    assert judge_vented(scan(), LIMITS).vented


def test_the_band_is_closed_at_both_ends():
    band = replace(LIMITS, vented_bar=0.25)
    assert judge_vented(scan(1.25, 0.75), band).vented


def test_waiting_does_not_help_gauges_that_are_not_believed():
    assert not judge_vented(scan(1.0, GaugeState(1.0, doubt=FELL)), LIMITS).waiting_helps
    for seen in (scan(1.6, 1.6), scan(DEAD, DEAD), scan(0.9, 1.0), scan(cells_over_bar=0.1), scan()):
        assert judge_vented(seen, LIMITS).waiting_helps


def test_only_gauges_that_work_survive():
    seen = scan(GaugeState(1.6, failed_readings=1), GaugeState(1.2, identical_readings=9))
    assert surviving_gauges(seen) == [seen.second_gauge]
    assert surviving_gauges_bar(seen) == [1.2]


def test_the_screen_shows_what_contradicts_gauges_at_ambient_with_the_vent_open():
    cells = {"cells_over_bar": 0.061}
    for intent in (Intent.OPEN, Intent.FREE):
        assert "cells still show pressure" in contradiction(scan(intent=intent, **cells), LIMITS)
    for silent in (
        scan(intent=Intent.UP, **cells),
        scan(),
        scan(1.6, 1.0, **cells),
        scan(0.9, 1.0, **cells),
        scan(DEAD, DEAD, **cells),
        scan(barometer_bar=None, **cells),
    ):
        assert contradiction(silent, LIMITS) == ""
    assert contradiction(scan(1.25, 1.0, **cells), replace(LIMITS, vented_bar=0.25)) != ""


def test_a_vent_lets_out_what_iso_6358_allows():
    # 30 bar/min at 2 bar to 1 bar: half a bar a second; choked above a third of the way, nothing at ambient.
    assert fastest_fall_bar(2.0, 1.0, 1.0, LIMITS) == pytest.approx(0.5)
    assert fastest_fall_bar(2.0, 1.0, 0.2, LIMITS) == pytest.approx(0.1)
    assert fastest_fall_bar(1.0, 1.0, 1.0, LIMITS) == 0.0
    assert fastest_fall_bar(0.9, 1.0, 1.0, LIMITS) == 0.0
    # psi(1/2) with b = 0.3 is sqrt(1 - (0.2/0.7)^2) = 0.95831; choked at 4 bar: 0.5 * 4 / 1.91663.
    assert fastest_fall_bar(4.0, 1.0, 1.0, LIMITS) == pytest.approx(1.04350, rel=1e-4)
    # At 1.05 bar: ratio 0.95238, psi = sqrt(1 - 0.93197^2) = 0.36251; 0.5 * 1.05 * 0.36251 / 1.91663.
    assert fastest_fall_bar(1.05, 1.0, 1.0, LIMITS) == pytest.approx(0.09930, rel=1e-3)
    assert fastest_fall_bar(2.0, 1.0, 1.0, replace(LIMITS, fastest_vent_bar_per_min=60.0)) == pytest.approx(
        1.0
    )


def test_the_drop_to_the_room_counts_and_not_to_one_bar():
    # 0.45 is half of 0.9 as 1 is half of 2: psi(1/2) * 0.9 against psi(1/2) * 2.
    assert fastest_fall_bar(0.9, 0.45, 1.0, LIMITS) == pytest.approx(0.225)


class Run:
    """Feeds one or two gauges to `GaugeTrust`, five readings a second."""

    def __init__(self, **changes):
        self.trust = GaugeTrust(LIMITS)
        self.set_point = SetPoint()
        self.scan = scan(**changes)
        self.t_s = 0.0

    def read(self, *pressures_bar, second=None, every_s=0.2):
        for pressure_bar in pressures_bar:
            self.t_s += every_s
            self.scan.gauge.take(pressure_bar)
            if second is not None:
                self.scan.second_gauge.take(second)
            self.trust.look(
                self.scan,
                self.set_point,
                (self.t_s, pressure_bar),
                None if second is None else (self.t_s, second),
            )
        return self.scan.gauge.doubt

    def idle(self):
        self.t_s += 0.2
        self.trust.look(self.scan, self.set_point, None, None)
        return self.scan.gauge.doubt

    def fill(self, target_bar=2.0, intent=Intent.UP):
        self.set_point.set(intent, None, target_bar)


def test_a_gauge_is_believed_before_any_gas():
    run = Run()
    assert run.read(1.0, 1.0, 1.0) == ""
    run.fill(1.0, Intent.DOWN)
    assert run.read(1.0) == ""


def test_a_filling_has_to_be_answered():
    run = Run()
    run.read(1.0, 1.0)
    run.fill()
    assert run.read(1.0, 1.0, 1.029) == UNANSWERED
    assert run.read(1.0301) == ""
    run.set_point.set(Intent.KEEP, 1.03)
    assert run.read(1.0301) == ""


def test_the_answer_counts_from_the_lowest_reading_of_the_filling():
    run = Run()
    run.read(1.1, 1.1)
    run.fill()
    assert run.read(1.09, 1.119) == UNANSWERED
    assert run.read(1.121) == ""


def test_each_filling_needs_its_own_answer():
    run = Run()
    run.read(1.0)
    run.fill()
    run.read(1.0, 1.1)
    run.set_point.set(Intent.DOWN, None, 1.0)
    assert run.read(1.09) == ""
    run.fill()
    assert run.read(1.09) == UNANSWERED
    run.set_point.set(Intent.FREE)
    assert run.read(1.09, 1.089) == UNANSWERED


def test_a_filling_that_begins_before_the_first_reading_is_answered_from_that_one():
    run = Run()
    run.fill()
    assert run.idle() == UNANSWERED
    assert run.read(1.5, 1.529) == UNANSWERED
    assert run.read(1.531) == ""


def test_a_short_filling_is_answered_by_half_of_it():
    run = Run()
    run.read(1.6)
    run.fill(1.61)
    assert run.read(1.6, 1.6049) == UNANSWERED
    assert run.read(1.6051) == ""


def test_a_filling_of_almost_nothing_needs_no_answer():
    for target_bar, doubt in ((1.6029, ""), (1.5971, ""), (1.6031, UNANSWERED), (1.5969, UNANSWERED)):
        run = Run()
        run.read(1.6)
        run.fill(target_bar)
        assert run.idle() == doubt


def test_a_fall_that_follows_the_vent_is_an_answer():
    for intent in (Intent.OPEN, Intent.FREE, Intent.DOWN):
        run = Run()
        run.read(1.1)
        run.fill()
        run.read(1.1)
        run.set_point.set(intent)
        assert run.read(1.1, 1.0925, 1.085, 1.0775, 1.0705) == UNANSWERED
        assert run.read(1.0699) == ""


def test_a_fall_in_steps_is_no_answer():
    run = Run()
    run.read(1.1)
    run.fill()
    run.read(1.1)
    run.set_point.set(Intent.OPEN)
    assert run.read(1.0924, 1.088, 1.084, 1.08, 1.076, 1.072, 1.0697) == UNANSWERED
    assert run.read(1.0695) == ""


def test_a_fall_counts_from_the_highest_reading_since_the_vent_was_opened():
    run = Run()
    run.read(1.2)
    run.fill(2.0)
    run.read(1.2)
    run.read(*(1.2 - 0.002 * step for step in range(1, 26)))
    run.set_point.set(Intent.OPEN)
    assert run.read(*(1.15 - 0.002 * step for step in range(1, 14))) == UNANSWERED
    assert run.read(1.122, 1.1201) == UNANSWERED
    assert run.read(1.1199) == ""
    run.fill()
    assert run.read(1.118) == UNANSWERED
    run.set_point.set(Intent.OPEN)
    assert run.read(1.118, 1.117) == UNANSWERED


def test_a_fall_while_the_pressure_is_kept_is_no_answer():
    run = Run()
    run.read(1.2)
    run.fill(2.0)
    run.read(1.2)
    run.set_point.set(Intent.KEEP)
    assert run.read(*(1.2 - 0.002 * step for step in range(1, 30))) == UNANSWERED


def test_a_slow_fall_does_not_clear_a_fast_one():
    run = Run()
    run.read(1.6, 1.6, 1.1)
    run.set_point.set(Intent.OPEN)
    assert run.read(*(1.1 - 0.002 * step for step in range(1, 50))) == FELL


def test_a_target_that_is_not_above_the_gauge_asks_for_the_whole_answer():
    for target_bar in (1.59, 1.5, None):
        run = Run()
        run.read(1.6)
        run.fill(target_bar)
        assert run.read(1.6, 1.629) == UNANSWERED
        assert run.read(1.6301) == ""


def test_shots_that_do_nothing_make_an_answered_gauge_silent_again():
    for intent in (Intent.UP, Intent.FLOW):
        run = Run()
        run.read(1.0)
        run.fill(1.5, intent)
        run.read(1.0, 1.1)
        assert run.read(1.1) == ""
        run.set_point.weak_groups = 1
        assert run.read(1.1) == UNANSWERED
        run.set_point.weak_groups = 2
        assert run.read(1.129) == UNANSWERED
        assert run.read(1.1301) == ""


def test_a_flow_that_gives_nothing_from_the_first_look_on_is_silent():
    run = Run()
    run.fill(None, Intent.FLOW)
    run.set_point.weak_groups = 1
    assert run.read(1.0) == UNANSWERED


def test_a_weak_vent_says_nothing_about_fillings():
    run = Run()
    run.read(1.5)
    run.set_point.set(Intent.DOWN, None, 1.2)
    run.set_point.weak_groups = 1
    assert run.read(1.5) == ""


def test_a_fall_faster_than_the_vent_is_not_believed():
    run = Run()
    run.read(1.6, 1.6)
    assert run.read(1.2) == FELL
    assert run.read(1.0, 1.0) == FELL
    assert judge_vented(run.scan, LIMITS).reason.endswith(f"but {FELL}.")


def test_a_fall_as_fast_as_the_vent_is_believed():
    run, pressure_bar = Run(), 2.0
    run.read(pressure_bar, pressure_bar)
    for _ in range(100):
        pressure_bar -= 0.95 * fastest_fall_bar(pressure_bar, ROOM_BAR, 0.2, LIMITS)
        assert run.read(pressure_bar) == ""
    assert pressure_bar < 1.002


def test_a_step_of_sixty_millibar_near_ambient_is_too_fast():
    run = Run()
    run.read(1.061, 1.061)
    assert run.read(1.0) == FELL
    slow = Run()
    slow.read(1.061, 1.061, every_s=1.0)
    assert slow.read(1.0, every_s=1.0) == ""


def test_the_slack_covers_noise():
    # At ambient nothing may fall: 5 mbar of noise are let pass.
    for fallen_bar, doubt in ((0.0049, ""), (0.0051, FELL)):
        run = Run()
        run.read(1.0, 1.0)
        assert run.read(1.0 - fallen_bar) == doubt


def test_one_stray_reading_is_no_fall():
    run = Run()
    assert run.read(1.0, 1.0, 1.5, 1.0, 1.0) == ""
    run = Run()
    assert run.read(1.0, 1.5) == ""


def test_a_fall_after_many_readings_is_seen_too():
    run = Run()
    assert run.read(1.6, 1.6, 1.6, 1.6, 1.2) == FELL


def test_at_each_border_the_gauge_is_given_the_benefit():
    run = Run()
    run.read(0.005, 0.005)
    assert run.read(0.0) == ""
    run.fill(0.003)
    assert run.idle() == UNANSWERED
    assert run.read(0.0015) == ""
    run = Run()
    run.read(0.0)
    run.fill()
    run.read(0.0)
    assert run.read(ANSWER_BAR) == ""
    run = Run(barometer_bar=None)
    run.read(ANSWER_BAR)
    run.fill()
    run.read(ANSWER_BAR)
    run.set_point.set(Intent.OPEN)
    assert run.read(0.025, 0.02, 0.015, 0.01, 0.005) == UNANSWERED
    assert run.read(0.0) == ""
    run = Run(barometer_bar=None)
    run.read(1.0)
    run.fill()
    run.read(1.0)
    run.set_point.set(Intent.OPEN)
    assert run.read(0.9375, 0.875, 0.8125) == UNANSWERED
    assert run.read(0.75) == ""


def test_shots_that_do_nothing_near_the_target_are_silent_too():
    run = Run()
    run.read(1.6)
    run.fill(1.65)
    run.read(1.6, 1.65)
    assert run.read(1.65) == ""
    run.set_point.weak_groups = 1
    assert run.read(1.65) == UNANSWERED


def test_a_gauge_that_begins_with_the_vent_open_falls_from_its_own_first_reading():
    run = Run(barometer_bar=None)
    run.fill()
    run.idle()
    run.set_point.set(Intent.OPEN)
    run.idle()
    assert run.read(0.975, 0.97, 0.965) == UNANSWERED


def test_two_readings_are_needed_to_see_a_fall():
    run = Run()
    assert run.read(1.6, 1.0) == ""


def test_without_a_barometer_no_fall_is_judged():
    run = Run(barometer_bar=None)
    assert run.read(1.6, 1.6, 1.0) == ""


def test_a_gauge_that_fell_is_believed_again_once_it_rises_with_the_pot():
    run = Run()
    run.read(1.6, 1.6, 1.0, 0.99)
    assert run.read(0.99 + 0.99 * ANSWER_BAR) == FELL
    assert run.read(0.99 + 1.01 * ANSWER_BAR) == ""


def test_the_whole_answer_itself_clears_a_fall():
    run = Run()
    assert run.read(1.6, 1.6, 0.0) == FELL
    assert run.read(ANSWER_BAR) == ""


def test_a_short_filling_does_not_clear_a_fall():
    run = Run()
    run.read(1.6, 1.6, 1.0)
    run.fill(1.01)
    assert run.read(1.0, 1.006) == FELL
    assert run.read(1.031) == ""


def test_each_gauge_answers_for_itself():
    run = Run()
    run.read(1.0, second=1.0)
    run.fill()
    run.read(1.0, 1.05, second=1.0)
    assert run.scan.gauge.doubt == ""
    assert run.scan.second_gauge.doubt == UNANSWERED
    run.read(1.05, second=1.05)
    assert run.scan.second_gauge.doubt == ""


def test_a_switch_that_trips_at_a_pressure_no_gauge_showed_is_remembered():
    run = Run(valves=SWITCHED)
    assert run.read(1.0, second=2.14) == SWITCH
    assert run.scan.second_gauge.doubt == SWITCH
    run.scan.valves = None
    assert run.read(1.0, second=2.2) == SWITCH


def test_a_switch_that_no_gauge_saw_is_remembered_whatever_they_show_later():
    run = Run(valves=SWITCHED)
    run.read(1.0)
    assert run.read(2.3) == SWITCH


def test_near_the_trip_pressure_is_within_150_mbar():
    run = Run(valves=SWITCHED)
    assert run.read(LIMITS.trip_pressure_bar - 0.15) == ""


def test_a_switch_that_trips_where_a_gauge_was_near_the_trip_pressure_is_no_doubt():
    run = Run()
    run.read(1.0, second=2.16)
    run.scan.valves = SWITCHED
    run.scan.second_gauge.take(1.0)
    assert run.read(1.0) == ""
    untripped = Run(valves=replace(SWITCHED, pressure_switch_tripped=False))
    assert untripped.read(1.0) == ""


def test_a_dead_gauge_that_once_read_high_has_not_seen_it():
    run = Run(valves=SWITCHED)
    run.scan.second_gauge.take(2.3)
    run.scan.second_gauge.fail(ReadingStatus.TIMEOUT)
    assert run.read(1.0) == SWITCH
