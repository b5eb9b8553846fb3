"""Each interlock trips exactly at its limit, reports what it saw, and does not trip just before."""

import re
from dataclasses import replace

import pytest

from drivers.ports import ReadingStatus, ValveState
from rig.safety.drive_words import WORDS, Drive, Drop
from rig.safety.interlocks import INTERLOCKS, Response, first_trip
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import Intent

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
VALVES = ValveState(
    supply_open=False,
    vent_open=False,
    lid_closed=True,
    heartbeat=1,
    watchdog_tripped=False,
    pressure_switch_tripped=False,
)
OK = ReadingStatus.OK
DONE = {
    "abort": "The order to de-energise was taken; the valve block does not show it yet.",
    "stop": "No more supply shots; venting on the ramp.",
    "hold": "No more supply shots, vent kept energised; hold clock stopped.",
}


def gauge(pressure_bar=1.6, status=OK, **changes):
    return GaugeState(pressure_bar, status, **changes)


def scan(**changes):
    values = {
        "intent": Intent.KEEP,
        "set_point_bar": 1.6,
        "gauge": gauge(),
        "second_gauge": gauge(),
        "barometer_bar": 1.013,
        "temperature_c": 21.0,
        "valves": VALVES,
        "gap_s": 0.2,
        "beating": True,
    }
    return Scan(**{**values, **changes})


# One line an interlock: code, response, the scan that trips, the nearest scan that does not, words said.
CASES = [
    ("OVER_PRESSURE", "abort", {"gauge": gauge(2.301)}, {"gauge": gauge(2.3)}, "2.301 bar"),
    ("OVER_PRESSURE", "abort", {"second_gauge": gauge(2.301)}, {"second_gauge": gauge(2.3)}, "2.30 bar"),
    (
        "PRESSURE_SWITCH",
        "abort",
        {"valves": replace(VALVES, pressure_switch_tripped=True)},
        {"valves": replace(VALVES, pressure_switch_tripped=None)},
        "pressure switch",
    ),
    (
        "WATCHDOG",
        "abort",
        {"valves": replace(VALVES, watchdog_tripped=True)},
        {"valves": replace(VALVES, watchdog_tripped=None)},
        "heartbeat",
    ),
    (
        "WATCHDOG",
        "abort",
        {"valves": replace(VALVES, watchdog_tripped=True)},
        {"valves": replace(VALVES, watchdog_tripped=True), "beating": False},
        "dropped the valves",
    ),
    (
        "WATCHDOG",
        "abort",
        {"unfed_s": 1.01, "beat_error": "exception 6, busy"},
        {"unfed_s": 1.0, "beat_error": "exception 6, busy"},
        "no heartbeat for 1.0 s (exception 6, busy)",
    ),
    (
        "WATCHDOG",
        "abort",
        {"unfed_s": 0.6, "valves_patience_s": 0.5, "beat_error": "exception 6, busy"},
        {"unfed_s": 9.0},
        "about to drop the valves",
    ),
    (
        "OWNER_CHANGED",
        "abort",
        {"foreign_owner": 1, "foreign_token": 4711},
        {"foreign_owner": 0, "foreign_token": 4711},
        "Another program has taken over the valve block (token 4711)",
    ),
    ("OWNER_CHANGED", "abort", {"foreign_owner": 1}, {"foreign_owner": 0}, "has started anew"),
    (
        "LID_OPEN",
        "abort",
        {"valves": replace(VALVES, lid_closed=False)},
        {"valves": replace(VALVES, lid_closed=None)},
        "lid is open",
    ),
    (
        "LID_OPEN",
        "abort",
        {"valves": replace(VALVES, lid_closed=False)},
        {"valves": replace(VALVES, lid_closed=False), "intent": Intent.OPEN},
        "lid is open",
    ),
    ("STALLED", "abort", {"gap_s": 1.01}, {"gap_s": 1.0}, "1.0 s"),
    ("STALLED", "abort", {"suspended_s": 1.01}, {"suspended_s": 1.0}, "suspended for 1 s"),
    (
        "VALVES_LOST",
        "abort",
        {"valves_unheard_s": 1.01, "valve_failures": 5, "valve_error": "no answer in 0.2 s"},
        {"valves_unheard_s": 1.0, "valve_failures": 5, "valve_error": "no answer in 0.2 s"},
        "has not answered for 1.0 s (no answer in 0.2 s); this program can no longer move a valve",
    ),
    (
        "VALVES_LOST",
        "abort",
        {"valves_unheard_s": 0.6, "valves_patience_s": 0.5, "valve_failures": 3},
        {"valves_unheard_s": 0.5, "valves_patience_s": 0.5, "valve_failures": 3},
        "watchdog",
    ),
    (
        "VALVES_LOST",
        "abort",
        {"valves_unheard_s": 1.2, "valve_failures": 9, "valve_answers": 1, "valve_error": "busy"},
        {"valves_unheard_s": 0.9, "valve_failures": 9, "valve_answers": 1, "valve_error": "busy"},
        "answers, but has done nothing that was asked of it for 1.2 s (busy).",
    ),
    ("NOT_OBEYED", "abort", {"disobeyed": 2}, {"disobeyed": 1}, "not what was commanded."),
    (
        "NOT_OBEYED",
        "abort",
        {"disobeyed": 2, "valve_error": "busy"},
        {"disobeyed": 1, "valve_error": "busy"},
        "not what was commanded (last error: busy).",
    ),
    (
        "GAUGE_LOST",
        "abort",
        {"gauge": gauge(status=ReadingStatus.TIMEOUT, failed_readings=3)},
        {"gauge": gauge(status=ReadingStatus.TIMEOUT, failed_readings=2)},
        "3 times in a row (timeout)",
    ),
    (
        "GAUGE_LOST",
        "abort",
        {"gauge": gauge(status=ReadingStatus.LINK_DOWN, failed_readings=3)},
        {"gauge": gauge(status=ReadingStatus.LINK_DOWN, failed_readings=2)},
        "link_down",
    ),
    (
        "GAUGE_INVALID",
        "abort",
        {"gauge": gauge(status=ReadingStatus.OVER, failed_readings=3)},
        {"gauge": gauge(status=ReadingStatus.OVER, failed_readings=2)},
        "no pressure (over)",
    ),
    ("GAUGE_LATE", "abort", {"pressure_age_s": 1.01}, {"pressure_age_s": 1.0}, "1.0 s old"),
    (
        "SECOND_GAUGE_LOST",
        "abort",
        {"second_gauge": gauge(status=ReadingStatus.LINK_DOWN, failed_readings=3)},
        {"second_gauge": gauge(status=ReadingStatus.LINK_DOWN, failed_readings=2)},
        "second gauge",
    ),
    (
        "SECOND_GAUGE_LOST",
        "abort",
        {"second_gauge": gauge(status=ReadingStatus.TIMEOUT, failed_readings=3)},
        {"second_gauge": gauge(status=ReadingStatus.TIMEOUT, failed_readings=2)},
        "3 times",
    ),
    (
        "SECOND_GAUGE_INVALID",
        "abort",
        {"second_gauge": gauge(status=ReadingStatus.BAD_REPLY, failed_readings=3)},
        {"second_gauge": gauge(status=ReadingStatus.BAD_REPLY, failed_readings=2)},
        "bad_reply",
    ),
    ("GAUGES_DISAGREE", "abort", {"scans_apart": 3}, {"scans_apart": 2}, "30 mbar is allowed"),
    (
        "GAUGES_DISAGREE",
        "abort",
        {"apart_mean_bar": 0.0151},
        {"apart_mean_bar": 0.015},
        "steadily by +15 mbar at 1.600 bar, where 15 mbar",
    ),
    ("GAUGES_DISAGREE", "abort", {"apart_mean_bar": -0.0151}, {"apart_mean_bar": -0.015}, "-15 mbar"),
    (
        "GAUGE_STUCK",
        "abort",
        {"gauge": gauge(identical_readings=10)},
        {"gauge": gauge(identical_readings=9)},
        "10 times",
    ),
    (
        "SECOND_GAUGE_STUCK",
        "abort",
        {"second_gauge": gauge(identical_readings=12)},
        {"second_gauge": gauge(identical_readings=11)},
        "12 times",
    ),
    (
        "PRESSURE_RISES",
        "abort",
        {"scans_above_set_point": 3},
        {"scans_above_set_point": 2},
        "more than 20 mbar above",
    ),
    (
        "PRESSURE_RISES",
        "abort",
        {"scans_above_set_point": 3},
        {"scans_above_set_point": 3, "scans_apart": 1},
        "1.600 bar",
    ),
    (
        "VENT_BLOCKED",
        "abort",
        {"intent": Intent.FLOW, "gauge": gauge(1.3131)},
        {"intent": Intent.FLOW, "gauge": gauge(1.3129)},
        "300 mbar above ambient",
    ),
    (
        "VENT_BLOCKED",
        "abort",
        {"intent": Intent.FLOW, "gauge": gauge(1.3131)},
        {"intent": Intent.KEEP, "gauge": gauge(1.3131)},
        "blocked",
    ),
    (
        "VENT_BLOCKED",
        "abort",
        {"intent": Intent.DOWN, "weak_groups": 3},
        {"intent": Intent.DOWN, "weak_groups": 2},
        "does not fall below 1.600 bar",
    ),
    (
        "VENT_OPEN",
        "abort",
        {"scans_below_set_point": 3, "rate_bar_per_s": -0.0121},
        {"scans_below_set_point": 2, "rate_bar_per_s": -0.0121},
        "at 0.7 bar/min",
    ),
    (
        "VENT_OPEN",
        "abort",
        {"scans_below_set_point": 3, "rate_bar_per_s": -0.0121},
        {"scans_below_set_point": 3, "rate_bar_per_s": -0.0121, "scans_apart": 1},
        "1.600 bar",
    ),
    (
        "LEAK",
        "stop",
        {"scans_below_set_point": 3, "rate_bar_per_s": -0.012},
        {"scans_below_set_point": 2, "rate_bar_per_s": -0.012},
        "more than 20 mbar below",
    ),
    (
        "LEAK",
        "stop",
        {"scans_below_set_point": 3},
        {"scans_below_set_point": 3, "scans_apart": 1},
        "1.600 bar",
    ),
    (
        "LEAK",
        "stop",
        {"scans_below_set_point": 3, "intent": Intent.UP, "set_point_bar": 1.75, "gauge": gauge(1.72)},
        {"scans_below_set_point": 2, "intent": Intent.UP, "set_point_bar": 1.75, "gauge": gauge(1.72)},
        "turned back at 1.75 bar while filling, and fell to 1.720 bar: the relief valve lifts there",
    ),
    ("LEAK", "stop", {"kept_bar": 0.0201}, {"kept_bar": 0.020}, "20 mbar had to be topped up"),
    ("SUPPLY_HIGH", "stop", {"strong_groups": 2}, {"strong_groups": 1}, "1.6 times"),
    ("TEMPERATURE", "stop", {"temperature_bad": 5}, {"temperature_bad": 4}, "5 times"),
    ("TEMPERATURE", "stop", {"temperature_c": 40.1}, {"temperature_c": 40.0}, "40.1 degrees"),
    ("TEMPERATURE", "stop", {"temperature_c": 4.9}, {"temperature_c": 5.0}, "between 5 and 40"),
    ("TEMPERATURE", "stop", {"temperature_jump_k": -5.1}, {"temperature_jump_k": -5.0}, "-5.1 K"),
    ("TEMPERATURE", "stop", {"temperature_jump_k": 5.1}, {"temperature_jump_k": 5.0}, "+5.1 K"),
    ("TEMPERATURE", "stop", {"temperature_c": 40.1}, {"temperature_c": None}, "40.1"),
    ("ROOM_OXYGEN", "abort", {"room_oxygen_percent": 23.51}, {"room_oxygen_percent": 23.5}, "burns more"),
    ("ROOM_OXYGEN", "abort", {"room_oxygen_percent": 19.49}, {"room_oxygen_percent": 19.5}, "to breathe"),
    ("ROOM_OXYGEN", "abort", {"room_oxygen_percent": 24.0}, {"room_oxygen_percent": None}, "24.0 % oxygen"),
    ("ROOM_OXYGEN_LOST", "stop", {"room_oxygen_bad": 5}, {"room_oxygen_bad": 4}, "5 times"),
    ("BAROMETER", "stop", {"barometer_odd": 2}, {"barometer_odd": 1}, "1.013 bar"),
    ("DISK_LOW", "stop", {"free_bytes": 49_999_999}, {"free_bytes": 50_000_000}, "Only 50 MB are free"),
    ("GAS_USED_UP", "stop", {"gas_used_l": 60.1}, {"gas_used_l": 60.0}, "60.1 L"),
    (
        "NO_RESPONSE",
        "hold",
        {"intent": Intent.UP, "weak_groups": 3},
        {"intent": Intent.UP, "weak_groups": 2},
        "past 1.600 bar",
    ),
    (
        "NO_RESPONSE",
        "hold",
        {"intent": Intent.UP, "weak_groups": 3, "gauge": gauge(1.0629)},
        {"intent": Intent.KEEP, "weak_groups": 3, "gauge": gauge(1.0629)},
        "above ambient (1.063 bar)",
    ),
    (
        "NO_FLOW",
        "hold",
        {"intent": Intent.FLOW, "weak_groups": 3, "gauge": gauge(1.02)},
        {"intent": Intent.FLOW, "weak_groups": 2, "gauge": gauge(1.02)},
        "No flow",
    ),
    ("VOLTMETER_LOST", "hold", {"voltmeter_bad": 5}, {"voltmeter_bad": 4}, "5 times"),
]


@pytest.mark.parametrize(("code", "response", "trips", "quiet", "words"), CASES)
def test_interlock_trips_at_its_limit_and_not_before(code, response, trips, quiet, words):
    trip = first_trip(scan(**trips), LIMITS)
    assert trip is not None
    assert (trip.code, trip.response.value) == (code, response)
    assert words in trip.text
    assert first_trip(scan(**quiet), LIMITS) is None


def test_a_block_that_was_never_read_back_trips_nothing_by_that():
    assert first_trip(scan(valves=None), LIMITS) is None


def test_every_interlock_has_a_case():
    assert {interlock.code for interlock in INTERLOCKS} == {case[0] for case in CASES}


def test_a_healthy_scan_trips_nothing_for_any_intent():
    for intent in Intent:
        healthy = scan(intent=intent, gauge=gauge(1.1), set_point_bar=1.1)
        assert first_trip(healthy, LIMITS) is None


@pytest.mark.parametrize(
    ("intent", "expected"),
    [
        (Intent.UP, "NO_RESPONSE"),
        (Intent.DOWN, "VENT_BLOCKED"),
        (Intent.FLOW, "NO_FLOW"),
        (Intent.KEEP, None),
    ],
)
def test_shots_without_effect_mean_another_thing_each_way(intent, expected):
    trip = first_trip(scan(intent=intent, weak_groups=3, gauge=gauge(1.1)), LIMITS)
    assert (trip.code if trip else None) == expected


def test_without_readings_only_what_needs_none_speaks():
    blind = Scan(
        intent=Intent.UP,
        scans_above_set_point=3,
        scans_below_set_point=3,
        scans_apart=3,
        weak_groups=3,
        barometer_odd=2,
    )
    assert first_trip(blind, LIMITS) is None
    assert first_trip(replace(blind, intent=Intent.FLOW, weak_groups=0), LIMITS) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"scans_above_set_point": 3},
        {"scans_below_set_point": 3},
        {"scans_below_set_point": 3, "intent": Intent.UP},
        {"kept_bar": 0.1},
        {"weak_groups": 3, "intent": Intent.DOWN},
        {"intent": Intent.FLOW},
    ],
)
def test_a_pressure_that_was_never_read_is_not_told_of(changes):
    assert first_trip(scan(gauge=gauge(None), **changes), LIMITS) is None


def test_a_back_pressure_needs_a_barometer():
    assert first_trip(scan(intent=Intent.FLOW, gauge=gauge(1.9), barometer_bar=None), LIMITS) is None


def test_a_fall_while_filling_without_a_set_point_is_a_leak_like_any_other():
    text = first_trip(scan(scans_below_set_point=3, intent=Intent.UP, set_point_bar=None), LIMITS).text
    assert "more than 20 mbar below" in text


@pytest.mark.parametrize("status", [ReadingStatus.TIMEOUT, ReadingStatus.LINK_DOWN])
def test_a_gauge_that_does_not_answer_is_lost_and_not_invalid_too(status):
    lost = gauge(status=status, failed_readings=3)
    silent = scan(gauge=lost, second_gauge=lost)
    speaking = {one.code for one in INTERLOCKS if one.check(silent, LIMITS)}
    assert speaking == {"GAUGE_LOST", "SECOND_GAUGE_LOST"}


@pytest.mark.parametrize("drive", [Drive.VALVES, Drive.CONTROLLER])
def test_outputs_that_do_not_answer_begin_a_sentence(drive):
    silent = {"valve_failures": 2, "valve_error": "no answer in 0.2 s", "valves_unheard_s": 1.3}
    text = first_trip(scan(drive=drive, **silent), LIMITS).text
    outputs = WORDS[drive].outputs
    assert text.startswith(f"{outputs.capitalize()} has not answered")
    assert text.endswith(f"(no answer in 0.2 s); {WORDS[drive].lost}")


def test_a_controller_is_lost_at_the_second_failure_in_a_row_and_named_with_its_error():
    failing = {"drive": Drive.CONTROLLER, "valve_error": "no answer in 0.2 s", "valves_unheard_s": 9.0}
    assert first_trip(scan(valve_failures=1, **failing), LIMITS) is None
    trip = first_trip(scan(valve_failures=2, **failing), LIMITS)
    assert (trip.code, "no answer in 0.2 s" in trip.text) == ("VALVES_LOST", True)
    assert "0.0 s" not in trip.text


def test_a_back_pressure_at_its_limit_is_not_yet_blocked():
    at_limit = scan(intent=Intent.FLOW, gauge=gauge(0.3), barometer_bar=0.0)
    assert first_trip(at_limit, LIMITS) is None


def test_gauges_of_which_one_has_never_read_do_not_disagree():
    for missing in ({"gauge": gauge(None)}, {"second_gauge": gauge(None)}):
        assert first_trip(scan(scans_apart=3, apart_mean_bar=0.1, **missing), LIMITS) is None


def test_at_the_border_of_ambient_the_relief_is_named_and_below_it_is_not():
    above = first_trip(scan(intent=Intent.UP, weak_groups=3, gauge=gauge(1.0631)), LIMITS)
    below = first_trip(scan(intent=Intent.UP, weak_groups=3, gauge=gauge(1.0629)), LIMITS)
    unknown = first_trip(
        scan(intent=Intent.UP, weak_groups=3, gauge=gauge(1.0629), barometer_bar=None), LIMITS
    )
    at_border = first_trip(
        scan(intent=Intent.UP, weak_groups=3, gauge=gauge(0.05), barometer_bar=0.0), LIMITS
    )
    assert "relief" in at_border.text
    assert "relief" in above.text
    assert "relief" not in below.text
    assert "relief" in unknown.text


def test_the_most_important_one_is_the_first_out():
    everything = scan(
        gauge=gauge(2.4, identical_readings=20),
        scans_apart=3,
        scans_above_set_point=5,
        voltmeter_bad=9,
        temperature_c=50.0,
        gas_used_l=99.0,
    )
    assert first_trip(everything, LIMITS).code == "OVER_PRESSURE"
    assert first_trip(scan(scans_above_set_point=5, voltmeter_bad=9), LIMITS).code == "PRESSURE_RISES"
    assert first_trip(scan(scans_below_set_point=3, rate_bar_per_s=-0.1), LIMITS).code == "VENT_OPEN"


def test_with_nothing_expected_of_the_pressure_no_interlock_speaks():
    everything = scan(intent=Intent.FREE, gauge=gauge(2.4, identical_readings=20), scans_apart=3, gap_s=9.0)
    assert first_trip(everything, LIMITS) is None


def test_only_the_answers_that_a_state_can_give_are_asked_for():
    lost = scan(voltmeter_bad=9, temperature_c=50.0)
    assert first_trip(lost, LIMITS, frozenset({Response.HOLD})).code == "VOLTMETER_LOST"
    assert first_trip(lost, LIMITS, frozenset({Response.ABORT})) is None
    assert first_trip(lost, LIMITS).code == "TEMPERATURE"


def test_every_trip_says_what_was_done_and_what_to_do_now():
    for code, _, trips, _, _ in CASES:
        trip = first_trip(scan(**trips), LIMITS)
        assert trip.done == DONE[trip.response.value]
        assert trip.do_now.endswith(".")
        assert trip.message == f"{trip.text} {trip.done} {trip.do_now}"
        assert "\n" not in trip.message, code


SHOWN = Drop(shown=True)
BUSY = Drop(taken=False, error="Modbus exception 6, busy")
UNHEARD = Drop(taken=False, answered=False, error="no answer in 0.2 s")


@pytest.mark.parametrize(
    ("drop", "said"),
    [
        (SHOWN, "De-energised: no valve has power."),
        (BUSY, "did not take the order to de-energise (Modbus exception 6, busy)"),
        (UNHEARD, "got no answer: the valves may not have moved"),
        (Drop(), "does not show it yet"),
    ],
)
def test_a_trip_says_of_the_order_to_drop_what_is_known_and_no_more(drop, said):
    trip = replace(first_trip(scan(gauge=gauge(2.4)), LIMITS), drop=drop)
    assert said in trip.message


@pytest.mark.parametrize("drive", list(Drive))
@pytest.mark.parametrize("drop", [SHOWN, BUSY, UNHEARD, Drop()])
def test_no_words_state_where_a_valve_stands(drive, drop):
    done = WORDS[drive].done(drop)
    asked = done.startswith("Asked for")
    assert asked or not re.search(r"supply shut|vent open|vented", done, re.IGNORECASE)


@pytest.mark.parametrize("drive", list(Drive))
def test_every_drive_is_called_by_its_own_name(drive):
    strange = {
        Drive.VALVES: ("controller", "Hands", "person"),
        Drive.CONTROLLER: ("shot", "valve block", "watchdog", "supply valve", "Hands"),
        Drive.HANDS: ("shot", "valve block", "watchdog", "controller", "De-energised"),
    }[drive]
    of_valves_alone = ("PRESSURE_SWITCH", "WATCHDOG", "OWNER_CHANGED", "NOT_OBEYED", "SUPPLY_HIGH", "NO_FLOW")
    of_no_hands = ("VALVES_LOST", "NO_RESPONSE")
    for code, _, trips, _, _ in CASES:
        never = of_valves_alone if drive is Drive.CONTROLLER else (*of_valves_alone, *of_no_hands)
        if drive is not Drive.VALVES and code in never:
            continue
        message = first_trip(scan(drive=drive, **trips), LIMITS).message
        assert not [word for word in strange if word in message], message


def test_what_may_blow_says_close_the_bottle_now():
    for interlock in INTERLOCKS:
        if interlock.code in ("OVER_PRESSURE", "PRESSURE_RISES", "LID_OPEN", "VENT_BLOCKED", "NOT_OBEYED"):
            assert "Close the bottle NOW." in interlock.do_now


def test_codes_are_plain_and_limits_are_set():
    for interlock in INTERLOCKS:
        assert re.fullmatch(r"[A-Z_]+", interlock.code)
        assert 0.0 < interlock.limit_s <= 100.0
        assert all(1 <= row <= 36 for row in interlock.rows)


@pytest.mark.parametrize(
    ("code", "limit_s"), [("OVER_PRESSURE", 0.4), ("LID_OPEN", 0.8), ("VALVES_LOST", 1.5)]
)
def test_time_limits_of_the_gravest(code, limit_s):
    assert next(one.limit_s for one in INTERLOCKS if one.code == code) == limit_s
