"""The interlocks: pure functions from a scan to what is wrong, or None, each with its time limit.

An interlock never acts. It says what happened; the table beside it says how the rig answers and what the
operator is to do. The table is in order of importance: the first interlock that trips is the first-out
of the run.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum
from functools import cache

from drivers.ports import ReadingStatus
from rig.safety.drive_words import DROP_ORDERED, WORDS, Drive, Drop
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import disk_refusal
from rig.safety.room_oxygen import HIGHEST_PERCENT, LOWEST_PERCENT
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import Intent


class Response(StrEnum):
    """How the rig answers a trip."""

    ABORT = "abort"
    STOP = "stop"
    HOLD = "hold"


CLOSE_BOTTLE = "Close the bottle NOW."
COMPARE_WITH_DIAL = "The gauge may be shut off from the pot: compare it with the dial."
KEEP_LID_SHUT = "Keep the lid shut until the gauge on the pot shows no pressure."
_FAILED_READINGS = 3
_IDENTICAL_READINGS = 10
_IDENTICAL_READINGS_OF_SECOND = 12
_SCANS_APART = 3
_OFF_SET_POINT_SCANS = 3
_WEAK_GROUPS = 3
_STRONG_GROUPS = 2
_LOST_SCANS = 5
_CONTROLLER_FAILURES = 2
_SCANS_ALIKE = 16
"""Scans of a frozen voltmeter. With noise of one digit, the least that counts as noise here, two scans of one
cell are equal in 27 % of cases, and sixteen in a row once in 3e8; with that of a usual meter, never."""
_ALIKE_OVER_BAR = 0.15
_ALIKE_CELLS = 2
_LONGEST_AGE_S = 1.0
_LONGEST_GAP_S = 1.0
_FAST_FALL_BAR_PER_S = 0.012
_FLOW_BACK_PRESSURE_BAR = 0.3
_TEMPERATURE_JUMP_K = 5.0
_LINK_STATUSES = (ReadingStatus.TIMEOUT, ReadingStatus.LINK_DOWN)


@dataclass(frozen=True, slots=True)
class Trip:
    """What an interlock found.

    Attributes:
        code: stable name, in capitals.
        rows: rows of the fault table it answers.
        response: what the rig does.
        text: what happened, with the numbers.
        do_now: what the operator is to do now.
        drive: what moves the pressure there, for what can be said of it.
        drop: what is known of the order to drop the outputs, where the response is to abort.
    """

    code: str
    rows: tuple[int, ...]
    response: Response
    text: str
    do_now: str
    drive: Drive = Drive.VALVES
    drop: Drop = DROP_ORDERED

    @property
    def done(self) -> str:
        """What is known to have been done about it by the time it is shown: a whole sentence."""
        words = WORDS[self.drive]
        match self.response:
            case Response.ABORT:
                return words.done(self.drop)
            case Response.STOP:
                return words.ramped
            case Response.HOLD:
                return words.held

    @property
    def message(self) -> str:
        """What happened, what the rig has done, what to do now: one line."""
        return " ".join((self.text, self.done, self.do_now)).strip()


Check = Callable[[Scan, SafetyLimits], str | None]


@dataclass(frozen=True, slots=True)
class Interlock:
    """One line of the interlock table.

    Attributes:
        limit_s: longest time from the onset to the trip at a scan interval of 0.2 s, where the fault shows.
    """

    code: str
    rows: tuple[int, ...]
    response: Response
    limit_s: float
    check: Check
    do_now: str

    def found(self, text: str, drive: Drive) -> Trip:
        """Return this interlock's trip with what happened in words."""
        return Trip(self.code, self.rows, self.response, text, self.do_now, drive)


def over_pressure(scan: Scan, limits: SafetyLimits) -> str | None:
    """Either gauge is above the trip pressure."""
    highest = scan.highest_bar
    if highest is not None and highest > limits.trip_pressure_bar:
        return f"The pot is at {highest:.3f} bar, above the trip at {limits.trip_pressure_bar:.2f} bar."
    return None


def watchdog(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The valve block's watchdog has dropped the outputs, or is about to, since no heartbeat is taken."""
    if not scan.beating:
        return None
    if scan.valves is not None and scan.valves.watchdog_tripped:
        return "The watchdog relay has dropped the valves: it saw no new heartbeat of this program in time."
    if scan.beat_error and scan.unfed_s > scan.valves_patience_s:
        return (
            f"The valve block has taken no heartbeat for {scan.unfed_s:.1f} s ({scan.beat_error}): its "
            "watchdog is about to drop the valves."
        )
    return None


def pressure_switch(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The independent pressure switch has cut the coil power."""
    if scan.valves is not None and scan.valves.pressure_switch_tripped:
        return "The independent pressure switch has cut the power of the valves."
    return None


def lid_open(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The lid switch says open while gas is on or pressure may be in the pot."""
    if scan.valves is not None and scan.valves.lid_closed is False and scan.intent is not Intent.OPEN:
        return "The lid switch says that the lid is open."
    return None


def rises(scan: Scan, limits: SafetyLimits) -> str | None:
    """The pressure has left its set point upwards: supply stuck open, or a dose far too large."""
    above = scan.scans_above_set_point >= _OFF_SET_POINT_SCANS
    if above and not scan.scans_apart and scan.pressure_bar is not None:
        return (
            f"The pressure rose to {scan.pressure_bar:.3f} bar, more than "
            f"{limits.off_set_point_bar * 1000:.0f} mbar above where it should be: "
            f"{WORDS[scan.drive].rises}."
        )
    return None


def vent_blocked_in_flow(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The pot fills up although the vent is open."""
    if scan.intent is Intent.FLOW and scan.pressure_bar is not None and scan.barometer_bar is not None:
        back = scan.pressure_bar - scan.barometer_bar
        if back > _FLOW_BACK_PRESSURE_BAR:
            return f"The pot is {back * 1000:.0f} mbar above ambient with its vent open: the vent is blocked."
    return None


def vent_stuck_open(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The pressure falls fast while nothing should be letting it out."""
    fast = scan.rate_bar_per_s < -_FAST_FALL_BAR_PER_S
    if scan.scans_below_set_point >= _OFF_SET_POINT_SCANS and fast and not scan.scans_apart:
        return (
            f"The pressure fell to {scan.pressure_bar:.3f} bar at {-60 * scan.rate_bar_per_s:.1f} bar/min, "
            f"faster than it should: {WORDS[scan.drive].falls}."
        )
    return None


def leaks(scan: Scan, limits: SafetyLimits) -> str | None:
    """The pressure drifts below its set point."""
    below = scan.scans_below_set_point >= _OFF_SET_POINT_SCANS
    if below and not scan.scans_apart and scan.pressure_bar is not None:
        if scan.intent is Intent.UP and scan.set_point_bar is not None:
            return (
                f"The pressure turned back at {scan.set_point_bar:.2f} bar while filling, and fell to "
                f"{scan.pressure_bar:.3f} bar: the relief valve lifts there, or {WORDS[scan.drive].sinks}."
            )
        return (
            f"The pressure fell to {scan.pressure_bar:.3f} bar, more than "
            f"{limits.off_set_point_bar * 1000:.0f} mbar below where it should be: {WORDS[scan.drive].sinks}."
        )
    if scan.kept_bar > limits.off_set_point_bar and scan.pressure_bar is not None:
        return (
            f"{scan.kept_bar * 1000:.0f} mbar had to be topped up at {scan.pressure_bar:.3f} bar with the "
            "gas at rest: there is a leak."
        )
    return None


def gauge_lost(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The first gauge does not answer."""
    return _lost("pressure gauge", scan.gauge)


def gauge_invalid(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The first gauge answers without a pressure."""
    return _invalid("pressure gauge", scan.gauge)


def gauge_late(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The newest good reading is too old to control by."""
    if scan.pressure_age_s > _LONGEST_AGE_S:
        return f"The newest good pressure reading is {scan.pressure_age_s:.1f} s old."
    return None


def second_gauge_lost(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The second gauge does not answer."""
    return _lost("second gauge", scan.second_gauge)


def second_gauge_invalid(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The second gauge answers without a pressure."""
    return _invalid("second gauge", scan.second_gauge)


def gauge_stuck(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The first gauge repeats itself to the last digit, which a working sensor does not do."""
    return _stuck("pressure gauge", scan.gauge, _IDENTICAL_READINGS)


def second_gauge_stuck(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The second gauge repeats itself to the last digit."""
    return _stuck("second gauge", scan.second_gauge, _IDENTICAL_READINGS_OF_SECOND)


def _lost(name: str, gauge: GaugeState) -> str | None:
    if gauge.failed_readings >= _FAILED_READINGS and gauge.status in _LINK_STATUSES:
        return f"The {name} has not answered {gauge.failed_readings} times in a row ({gauge.status})."
    return None


def _invalid(name: str, gauge: GaugeState) -> str | None:
    if gauge.failed_readings >= _FAILED_READINGS and gauge.status not in _LINK_STATUSES:
        return f"The {name} answers, but with no pressure ({gauge.status})."
    return None


def _stuck(name: str, gauge: GaugeState, most: int) -> str | None:
    if gauge.identical_readings >= most:
        return (
            f"The {name} has given the same reading {gauge.identical_readings} times in a row: it is stuck."
        )
    return None


def gauges_apart(scan: Scan, limits: SafetyLimits) -> str | None:
    """The two gauges contradict each other."""
    first_bar, second_bar = scan.gauge.pressure_bar, scan.second_gauge.pressure_bar
    if first_bar is None or second_bar is None:
        return None
    if scan.scans_apart >= _SCANS_APART:
        return (
            f"The gauges disagree: {first_bar:.3f} and {second_bar:.3f} bar, where "
            f"{limits.gauges_apart_bar * 1000:.0f} mbar is allowed."
        )
    if abs(scan.apart_mean_bar) > limits.gauges_apart_mean_bar:
        return (
            f"The gauges disagree steadily by {scan.apart_mean_bar * 1000:+.0f} mbar at "
            f"{first_bar:.3f} bar, where {limits.gauges_apart_mean_bar * 1000:.0f} mbar is allowed."
        )
    return None


def stalled(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The program, or the computer, stood still."""
    if scan.suspended_s > _LONGEST_GAP_S:
        return f"The computer was suspended for {scan.suspended_s:.0f} s."
    if scan.gap_s > _LONGEST_GAP_S:
        return f"No pressure was read for {scan.gap_s:.1f} s: this program or the computer stood still."
    return None


def valves_lost(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The valve block, or the pressure controller, does not answer."""
    if scan.drive is Drive.CONTROLLER:
        lost, silent_s = scan.valve_failures >= _CONTROLLER_FAILURES, ""
    else:
        lost, silent_s = scan.valves_unheard_s > scan.valves_patience_s, f" for {scan.valves_unheard_s:.1f} s"
    if not lost:
        return None
    words = WORDS[scan.drive]
    outputs = f"{words.outputs[0].upper()}{words.outputs[1:]}"
    if scan.valve_answers:
        return f"{outputs} answers, but has done nothing that was asked of it{silent_s} ({scan.valve_error})."
    return f"{outputs} has not answered{silent_s} ({scan.valve_error}); {words.lost}"


def disobeyed(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The outputs read back differ from what was commanded."""
    if scan.disobeyed < 2:
        return None
    if scan.valve_error:
        return f"The valve block's outputs are not what was commanded (last error: {scan.valve_error})."
    return "The valve block's outputs are not what was commanded."


def foreign_owner(scan: Scan, _limits: SafetyLimits) -> str | None:
    """Another program has taken the valve block over."""
    if not scan.foreign_owner:
        return None
    if not scan.foreign_token:
        return (
            "The valve block no longer has this program's token: another program has cleared it, or the "
            "block has started anew."
        )
    return f"Another program has taken over the valve block (token {scan.foreign_token})."


def no_response_up(scan: Scan, _limits: SafetyLimits) -> str | None:
    """What should raise the pressure does not."""
    if scan.weak_groups < _WEAK_GROUPS or scan.intent is not Intent.UP or scan.pressure_bar is None:
        return None
    if scan.barometer_bar is not None and scan.pressure_bar < scan.barometer_bar + 0.05:
        return (
            f"The pressure does not rise above ambient ({scan.pressure_bar:.3f} bar): the bottle "
            f"is closed or empty, {WORDS[scan.drive].supply}, or the vent or the lid is not shut."
        )
    return (
        f"The pressure does not rise past {scan.pressure_bar:.3f} bar: the bottle is closed or "
        f"empty, {WORDS[scan.drive].supply}, or the relief valve lifts at this pressure."
    )


def no_response_flow(scan: Scan, _limits: SafetyLimits) -> str | None:
    """Supply shots raise no back pressure in a flow purge."""
    if scan.weak_groups >= _WEAK_GROUPS and scan.intent is Intent.FLOW:
        return "No flow through the pot: the bottle is closed or empty, or the supply valve does not open."
    return None


def no_response_down(scan: Scan, _limits: SafetyLimits) -> str | None:
    """What should lower the pressure does not."""
    if scan.weak_groups >= _WEAK_GROUPS and scan.intent is Intent.DOWN and scan.pressure_bar is not None:
        return (
            f"The pressure does not fall below {scan.pressure_bar:.3f} bar with the vent at work: "
            f"{WORDS[scan.drive].vent}."
        )
    return None


def supply_high(scan: Scan, _limits: SafetyLimits) -> str | None:
    """Each shot lets in much more than it did at first."""
    if scan.strong_groups >= _STRONG_GROUPS:
        return (
            "Each supply shot lets in more than 1.6 times what it did at first: the regulator creeps or its "
            "pressure was raised."
        )
    return None


def temperature(scan: Scan, limits: SafetyLimits) -> str | None:
    """The pot's temperature is out of range, jumps, or is not known."""
    if scan.temperature_bad >= _LOST_SCANS:
        return f"The thermometer has given no reading {scan.temperature_bad} times in a row."
    if scan.temperature_c is None:
        return None
    if not limits.lowest_temperature_c <= scan.temperature_c <= limits.highest_temperature_c:
        return (
            f"The pot is at {scan.temperature_c:.1f} degrees Celsius; cells are tested between "
            f"{limits.lowest_temperature_c:.0f} and {limits.highest_temperature_c:.0f}."
        )
    if abs(scan.temperature_jump_k) > _TEMPERATURE_JUMP_K:
        return f"The temperature jumped by {scan.temperature_jump_k:+.1f} K between two readings."
    return None


def room_oxygen(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The room's air has too much or too little oxygen."""
    percent = scan.room_oxygen_percent
    if percent is None:
        return None
    found = f"The room holds {percent:.1f} % oxygen, where air holds 20.9 %"
    if percent > HIGHEST_PERCENT:
        return f"{found}: everything burns more fiercely in it."
    if percent < LOWEST_PERCENT:
        return f"{found}: it is not safe to breathe."
    return None


def room_oxygen_lost(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The monitor of the room's oxygen gives no reading."""
    if scan.room_oxygen_bad >= _LOST_SCANS:
        return f"The monitor of the room's oxygen has given no reading {scan.room_oxygen_bad} times in a row."
    return None


def barometer(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The barometer reads what no weather can have done since the last reading."""
    if scan.barometer_odd >= 2 and scan.barometer_bar is not None:
        return (
            f"The barometer has jumped away from {scan.barometer_bar:.3f} bar, which no weather explains: "
            "it can no longer show when the pot is vented."
        )
    return None


def disk_low(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The disk that the record goes to has too little room left."""
    refusal = None if scan.free_bytes is None else disk_refusal(scan.free_bytes)
    return None if refusal is None else f"{refusal[0].upper()}{refusal[1:]}."


def gas_used_up(scan: Scan, limits: SafetyLimits) -> str | None:
    """The run has used the gas it may use."""
    if scan.gas_used_l > limits.most_gas_l:
        return (
            f"This run has used {scan.gas_used_l:.1f} L of gas; the bench allows {limits.most_gas_l:.0f} L."
        )
    return None


def voltmeter_lost(scan: Scan, _limits: SafetyLimits) -> str | None:
    """The voltmeter gives no reading, or repeats an old one."""
    if scan.voltmeter_bad >= _LOST_SCANS:
        return f"The voltmeter has given no reading {scan.voltmeter_bad} times in a row."
    if scan.voltmeter_varies and scan.scans_alike >= _SCANS_ALIKE:
        return (
            f"The voltmeter has given the same scan {scan.scans_alike} times in a row, to the last digit of "
            "every cell: it is frozen."
        )
    return deaf_voltmeter(scan)


def deaf_voltmeter(scan: Scan) -> str | None:
    """The pressure has moved far, and no digit of any cell with it; this holds for coarse digits too."""
    deaf = scan.scans_alike_over_bar > _ALIKE_OVER_BAR and scan.cells_reading >= _ALIKE_CELLS
    if deaf and scan.scans_alike > 1:
        return (
            f"The voltmeter has repeated one scan while the pressure moved by "
            f"{scan.scans_alike_over_bar * 1000:.0f} mbar: it is frozen."
        )
    return None


_BOTTLE_AND_LID = f"{CLOSE_BOTTLE} {KEEP_LID_SHUT}"
_ABORT, _STOP, _HOLD = Response.ABORT, Response.STOP, Response.HOLD

INTERLOCKS: tuple[Interlock, ...] = (
    Interlock("OVER_PRESSURE", (8,), _ABORT, 0.4, over_pressure, _BOTTLE_AND_LID),
    Interlock("PRESSURE_SWITCH", (8,), _ABORT, 0.8, pressure_switch, _BOTTLE_AND_LID),
    Interlock(
        "ROOM_OXYGEN",
        (36,),
        _ABORT,
        4.0,
        room_oxygen,
        f"{CLOSE_BOTTLE} No flame, no spark; leave the room and ventilate it.",
    ),
    Interlock(
        "WATCHDOG",
        (22, 24, 31),
        _ABORT,
        1.5,
        watchdog,
        "Close the bottle. Either this computer was held up, or the valve block no longer takes commands.",
    ),
    Interlock("OWNER_CHANGED", (30,), _ABORT, 3.0, foreign_owner, "Close the bottle; end the other program."),
    Interlock("LID_OPEN", (29,), _ABORT, 0.8, lid_open, f"{CLOSE_BOTTLE} Stand clear of the lid."),
    Interlock(
        "STALLED", (24,), _ABORT, 2.0, stalled, "Close the bottle; switch off sleep and heavy programs."
    ),
    Interlock("VALVES_LOST", (31,), _ABORT, 1.5, valves_lost, f"{_BOTTLE_AND_LID} Open the manual bleed."),
    Interlock("NOT_OBEYED", (32,), _ABORT, 1.5, disobeyed, f"{_BOTTLE_AND_LID} Check the valve block."),
    Interlock("GAUGE_LOST", (6, 7), _ABORT, 1.5, gauge_lost, "Close the bottle; check the gauge's cable."),
    Interlock("GAUGE_INVALID", (5,), _ABORT, 1.0, gauge_invalid, "Close the bottle; check the gauge."),
    Interlock("GAUGE_LATE", (7,), _ABORT, 1.5, gauge_late, "Close the bottle; check the gauge's link."),
    Interlock(
        "SECOND_GAUGE_LOST", (6, 7), _ABORT, 2.5, second_gauge_lost, "Close the bottle; check its cable."
    ),
    Interlock("SECOND_GAUGE_INVALID", (5,), _ABORT, 2.0, second_gauge_invalid, "Close the bottle; check it."),
    Interlock(
        "GAUGES_DISAGREE", (3, 4), _ABORT, 2.0, gauges_apart, "Close the bottle; compare both with the dial."
    ),
    Interlock("GAUGE_STUCK", (1,), _ABORT, 3.0, gauge_stuck, "Close the bottle; check the gauge."),
    Interlock(
        "SECOND_GAUGE_STUCK", (2,), _ABORT, 6.0, second_gauge_stuck, "Close the bottle; check the gauge."
    ),
    Interlock("PRESSURE_RISES", (9, 10), _ABORT, 10.0, rises, _BOTTLE_AND_LID),
    Interlock(
        "VENT_BLOCKED", (13,), _ABORT, 20.0, vent_blocked_in_flow, f"{_BOTTLE_AND_LID} Use the manual bleed."
    ),
    Interlock(
        "VENT_BLOCKED", (13,), _ABORT, 60.0, no_response_down, f"{_BOTTLE_AND_LID} Use the manual bleed."
    ),
    Interlock(
        "VENT_OPEN", (14,), _ABORT, 5.0, vent_stuck_open, "Close the bottle; check vent, lid and hoses."
    ),
    Interlock("LEAK", (15,), _STOP, 60.0, leaks, "Close the bottle; find the leak with the pot vented."),
    Interlock("SUPPLY_HIGH", (12,), _STOP, 100.0, supply_high, f"{CLOSE_BOTTLE} Check the regulator."),
    Interlock("TEMPERATURE", (28,), _STOP, 6.0, temperature, "Check the thermometer and the room."),
    Interlock(
        "ROOM_OXYGEN_LOST",
        (36,),
        _STOP,
        12.0,
        room_oxygen_lost,
        "Check the monitor; leave the room if in doubt.",
    ),
    Interlock("BAROMETER", (27,), _STOP, 25.0, barometer, "Check the barometer."),
    Interlock("DISK_LOW", (23,), _STOP, 12.0, disk_low, "Make room on the disk; the record so far is kept."),
    Interlock(
        "GAS_USED_UP", (), _STOP, 1.0, gas_used_up, "Look for a leak, or raise most_gas_l if that is normal."
    ),
    Interlock(
        "NO_RESPONSE",
        (11, 14, 17),
        _HOLD,
        60.0,
        no_response_up,
        f"Check bottle, regulator, vent and lid. {COMPARE_WITH_DIAL}",
    ),
    Interlock("NO_FLOW", (11, 16), _HOLD, 60.0, no_response_flow, "Check bottle and regulator."),
    Interlock("VOLTMETER_LOST", (18,), _HOLD, 25.0, voltmeter_lost, "Check the voltmeter and its cable."),
)


def first_trip(
    scan: Scan, limits: SafetyLimits, responses: frozenset[Response] = frozenset(Response)
) -> Trip | None:
    """Return the most important trip of this scan, or None.

    With nothing expected of the pressure (a pot of unknown content, or one already de-energised) nothing can
    be off its set point, and the only possible answer has already been given: no interlock trips. What the
    pressure does then is for `rig.safety.after_drop`.

    Args:
        scan: the newest scan.
        limits: of this run.
        responses: those that the present state can still give.
    """
    if scan.intent is Intent.FREE:
        return None
    for interlock in _interlocks_with(responses):
        text = interlock.check(scan, limits)
        if text is not None:
            return interlock.found(text, scan.drive)
    return None


@cache
def _interlocks_with(responses: frozenset[Response]) -> tuple[Interlock, ...]:
    return tuple(interlock for interlock in INTERLOCKS if interlock.response in responses)
