"""What is said of a pot that fills, or a block that does not show its drop, when all is dropped already."""

import pytest

from drivers.ports import ReadingStatus, ValveState
from rig.safety.after_drop import AfterDrop
from rig.safety.drive_words import Drive
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
VENT_ON = ValveState(supply_open=False, vent_open=False, lid_closed=True, heartbeat=1, watchdog_tripped=False)
BOTH_ON = ValveState(supply_open=True, vent_open=False, lid_closed=True, heartbeat=1, watchdog_tripped=False)
ALL_OFF = ValveState(supply_open=False, vent_open=True, lid_closed=True, heartbeat=1, watchdog_tripped=False)


class Watch:
    def __init__(self, **changes):
        self.watch = AfterDrop(LIMITS)
        self.scan = Scan(drop_ordered=True, drop_shown=True, **changes)

    def see(self, *readings_bar, second=()):
        """Look at scans of these readings and return what was said."""
        said = []
        for index in range(max(len(readings_bar), len(second))):
            self.scan.t_s += 0.2
            if readings_bar:
                self.scan.gauge.take(readings_bar[index])
            if second:
                self.scan.second_gauge.take(second[index])
            said += list(self.watch.look(self.scan))
        return said

    def codes(self, *readings_bar, second=()):
        return [alarm.code for alarm in self.see(*readings_bar, second=second)]


def test_a_pot_that_vents_says_nothing():
    watch = Watch()
    assert watch.see(2.0, 1.7, 1.4, 1.2, 1.1, 1.05, 1.02, 1.013, 1.013, 1.02) == []


def test_a_rise_is_said_at_its_third_scan_once_with_the_reading_and_what_to_do():
    watch = Watch()
    assert watch.see(1.4, 1.2, 1.231, 1.24) == []
    (alarm,) = watch.see(1.25)
    assert alarm.code == "PRESSURE_RISES"
    assert "1.250 bar" in alarm.text
    assert "supply valve may be stuck open" in alarm.text
    assert alarm.do_now.startswith("Close the bottle NOW.")
    assert "lid shut" in alarm.do_now
    assert alarm.message == f"{alarm.text} {alarm.do_now}"
    assert watch.see(1.3, 1.4, 1.5, 1.6) == []


def test_a_rise_at_its_limit_and_one_that_does_not_last_are_none():
    watch = Watch()
    assert watch.see(1.2, 1.23, 1.23, 1.23, 1.23) == []
    assert watch.see(1.24, 1.24, 1.2, 1.24, 1.24, 1.2) == []


def test_the_next_rise_is_said_after_a_fall_of_a_tenth():
    watch = Watch()
    assert watch.codes(1.2, 1.25, 1.25, 1.25) == ["PRESSURE_RISES"]
    assert watch.codes(1.15, 1.25, 1.25, 1.25, 1.25) == []
    assert watch.codes(1.4, 1.29, 1.33, 1.33) == []
    assert watch.codes(1.33) == ["PRESSURE_RISES"]


def test_each_gauge_counts_by_itself_and_one_that_has_failed_does_not():
    watch = Watch()
    watch.see(2.0, second=(2.0,))
    watch.scan.gauge.fail(ReadingStatus.TIMEOUT)
    assert watch.codes(second=(1.2, 1.25, 1.26, 1.27)) == ["PRESSURE_RISES"]


@pytest.mark.parametrize("second", [False, True])
def test_above_the_trip_is_said_once_for_each_passage(second):
    watch = Watch()

    def codes(*readings):
        return watch.codes(second=readings) if second else watch.codes(*readings)

    assert codes(2.29, 2.3) == []
    assert codes(2.301, 2.31, 2.25, 2.31, 2.5) == ["OVER_PRESSURE"]
    assert codes(2.2, 2.199, 2.301) == ["OVER_PRESSURE"]


def test_one_gauge_that_rises_is_enough_and_the_higher_reading_is_given():
    watch = Watch()
    watch.see(1.2, second=(1.2,))
    watch.see(1.2, 1.2, second=(1.3, 1.3))
    (alarm,) = watch.see(1.2, second=(1.31,))
    assert (alarm.code, "1.310 bar" in alarm.text) == ("PRESSURE_RISES", True)


def test_above_the_trip_gives_the_higher_reading_and_its_limit():
    watch = Watch()
    watch.see(2.0, second=(2.0,))
    (alarm,) = watch.see(2.31, second=(2.34,))
    assert "2.340 bar, above the trip at 2.30 bar" in alarm.text
    assert Watch().codes(2.1, second=(2.31,)) == ["OVER_PRESSURE"]


def test_another_program_is_named_and_is_to_be_ended():
    watch = Watch(foreign_owner=1, foreign_token=4711)
    (alarm,) = watch.see(2.4)
    assert alarm.text.endswith("another program drives the valve block.")
    assert "End every other program" in alarm.do_now
    (own,) = Watch().see(2.4)
    assert "program" not in own.message


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"valves": VENT_ON}, "was ordered to de-energise 1.1 s ago and still shows power on the vent."),
        ({"valves": BOTH_ON}, "still shows power on the supply and the vent."),
        ({"valves": ALL_OFF}, "still shows power on its valves."),
        ({"valves": None}, "still shows power on its valves."),
        ({"valves": VENT_ON, "valve_error": "busy"}, "power on the vent (last error: busy)."),
        (
            {"valve_failures": 2, "valve_answers": 1, "valve_error": "busy"},
            "1.1 s ago and answers with an error (busy).",
        ),
        (
            {"valve_failures": 2, "valve_error": "no answer"},
            "does not answer (no answer): its valves may still have power.",
        ),
        ({"drive": Drive.CONTROLLER, "valves": None}, "The pressure controller was ordered"),
    ],
)
def test_a_drop_that_is_not_shown_is_said_with_what_is_known(changes, said):
    watch = Watch(drop_unseen_s=1.0, **changes)
    assert watch.see(1.2) == []
    watch.scan.drop_unseen_s = 1.1
    (alarm,) = watch.see(1.2)
    assert alarm.code == "NOT_DE_ENERGISED"
    assert said in alarm.text
    assert watch.see(1.2, 1.2) == []


def test_it_is_said_again_only_after_it_was_shown_for_ten_seconds():
    watch = Watch(drop_unseen_s=1.1, valves=VENT_ON, t_s=99.8)
    assert watch.codes(1.2) == ["NOT_DE_ENERGISED"]
    for seen_until_s, again in ((110.0, []), (120.2, ["NOT_DE_ENERGISED"])):
        watch.scan.drop_unseen_s = 0.0
        watch.scan.t_s = seen_until_s - 0.2
        watch.see(1.2)
        watch.scan.drop_unseen_s = 1.1
        watch.scan.t_s = seen_until_s - 0.2
        assert watch.codes(1.2) == again


def test_nothing_is_left_from_before_once_something_may_be_energised_again():
    watch = Watch()
    watch.see(1.0)
    watch.watch.begin()
    assert watch.see(1.8, 1.8, 1.8) == []
    watch.see(2.4)
    watch.watch.begin()
    assert watch.codes(2.4) == ["OVER_PRESSURE"]


def test_hands_get_fifteen_seconds_and_their_own_words():
    watch = Watch(drive=Drive.HANDS)
    assert watch.see(2.31, *([2.35] * 70)) == []
    said = watch.see(*([2.36] * 10))
    assert [alarm.code for alarm in said] == ["OVER_PRESSURE"]
    assert "although you were asked to shut the supply and to open the vent" in said[0].text
    assert "drop" not in said[0].text
    watch.watch.begin()
    assert watch.see(2.4) == []
