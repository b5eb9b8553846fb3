"""Whether the pot is vented: one judgement from the evidence of a scan, with the reason when it is not shown.

A gauge that reads the room's pressure shows a vented pot only where it is open to the pot. A shut gauge
manifold or a clogged tee makes it show something else, and two gauges on one port are one source. So the
gauges are believed only if they rose with the pot when gas was last let in, and have not fallen faster than
this pot's vent can let it out. The cells may contradict the gauges; they can never stand in for them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from math import inf
from typing import Final

from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import LETS_OUT, Intent, SetPoint
from rig.safety.vent_drive import vent_drive_bar

WATCH_AFTER_TRIP_S: Final = 60.0
"""How long a vented pot is watched after any ending but completion (judgement): something is wrong with the
rig, and its supply may be the cause."""
ANSWER_BAR: Final = 0.030
"""A gauge has answered a filling once it has risen this far: beyond the vented band, so that one that is shut
off at that moment does not read as vented."""
_ANSWER_PART = 0.5
_SHORTEST_RAMP_BAR = 0.003
_STEPS_OF_A_FALL = 4
"""A fall of `ANSWER_BAR` with the vent at work is an answer too, where no reading is more than a quarter of
it below the one before: a gauge that is shut off does not fall, and one on the vent's side falls at once."""
_IDENTICAL_READINGS = 10
_FALL_SLACK_BAR = 0.005
_REFERENCE_BAR = 2.0
_SEEN_NEAR_TRIP_BAR = 0.15

UNANSWERED: Final = "gas was let in and the gauges have not risen with it"
FELL: Final = "a gauge fell faster than this pot's vent can let gas out"
SWITCH: Final = "the pressure switch has tripped at a pressure that no gauge has shown"


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether a pot is vented.

    Attributes:
        vented: every working gauge shows it, is believed, and the cells do not contradict.
        reason: why it is not known to be vented, as sentences; empty when it is.
        waiting_helps: it may still be shown by waiting. Not where the gauges themselves are not believed.
    """

    vented: bool
    reason: str = ""
    waiting_helps: bool = True


def surviving_gauges(scan: Scan) -> list[GaugeState]:
    """Return the gauges that still work: whose newest attempt gave a reading that is not frozen."""
    return [
        gauge
        for gauge in (scan.gauge, scan.second_gauge)
        if gauge.newest_bar is not None and gauge.identical_readings < _IDENTICAL_READINGS
    ]


def surviving_gauges_bar(scan: Scan) -> list[float]:
    """Return the readings of the gauges that still work, in bar; none when both have failed."""
    return [gauge.pressure_bar for gauge in surviving_gauges(scan) if gauge.pressure_bar is not None]


def _doubts(scan: Scan) -> str:
    """Why working gauges are not believed, each reason once; empty where they are."""
    return " and ".join(dict.fromkeys(gauge.doubt for gauge in surviving_gauges(scan) if gauge.doubt))


def judge_vented(scan: Scan, limits: SafetyLimits) -> Judgement:
    """Judge whether the pot is vented.

    The highest reading of a working gauge counts; one below the room's pressure confirms nothing.
    """
    alive, barometer_bar = surviving_gauges_bar(scan), scan.barometer_bar
    if not alive or barometer_bar is None:
        return Judgement(False, "NOT CONFIRMED: no gauge can show whether the pot is vented.")
    over_bar = max(alive) - barometer_bar
    if over_bar > limits.vented_bar:
        return Judgement(
            False,
            f"NOT VENTED: {over_bar * 1000:+.0f} mbar against ambient, "
            f"{limits.lid_force_n(over_bar):.0f} N on the lid.",
        )
    readings = " and ".join(f"{reading:.3f}" for reading in alive)
    if min(alive) - barometer_bar < -limits.vented_bar:
        return Judgement(
            False, f"NOT CONFIRMED: the gauges read {readings} bar and the barometer {barometer_bar:.3f} bar."
        )
    if doubts := _doubts(scan):
        return Judgement(False, f"NOT CONFIRMED: the gauges read {readings} bar, but {doubts}.", False)
    if scan.cells_over_bar is not None:
        return Judgement(
            False,
            f"NOT CONFIRMED: the gauges read {readings} bar, but the cells still show pressure in the pot, "
            f"about {scan.cells_over_bar * 1000:+.0f} mbar against ambient.",
        )
    return Judgement(True)


def readings_words(scan: Scan, limits: SafetyLimits) -> str:
    """Return what gauges and cells show now, as sentences, for a person who has to judge by themselves."""
    alive, barometer_bar = surviving_gauges_bar(scan), scan.barometer_bar
    if not alive or barometer_bar is None:
        words = ["No gauge works."]
    else:
        over_bar = max(alive) - barometer_bar
        force_n = limits.lid_force_n(max(0.0, over_bar))
        doubts = _doubts(scan)
        believed = f", and are not believed: {doubts}" if doubts else ""
        words = [
            f"The gauges read {max(alive):.3f} bar, {1000.0 * over_bar:+.0f} mbar against ambient or "
            f"{force_n:.0f} N on the lid{believed}."
        ]
    if scan.voltmeter_repeats or scan.voltmeter_bad:
        words.append("The cells cannot be asked: the voltmeter repeats itself or gives no reading.")
    elif scan.cells_over_bar is not None:
        words.append(f"The cells show about {1000.0 * scan.cells_over_bar:+.0f} mbar.")
    return " ".join(words)


def contradiction(scan: Scan, limits: SafetyLimits) -> str:
    """Return what contradicts gauges that read ambient with the vent commanded open; nothing: no text."""
    if scan.intent not in (Intent.OPEN, Intent.FREE) or scan.barometer_bar is None:
        return ""
    alive = surviving_gauges_bar(scan)
    if not alive or any(abs(reading - scan.barometer_bar) > limits.vented_bar for reading in alive):
        return ""
    return judge_vented(scan, limits).reason


def fastest_fall_bar(pressure_bar: float, ambient_bar: float, seconds: float, limits: SafetyLimits) -> float:
    """Return the furthest that a pot can fall through its vent in so many seconds, in bar.

    The flow through the vent follows ISO 6358 (`vent_drive_bar`): `fastest_vent_bar_per_min` is for 2 bar
    absolute, and near ambient it is much slower.
    """
    per_s = limits.fastest_vent_bar_per_min / 60.0
    part = vent_drive_bar(pressure_bar, ambient_bar) / vent_drive_bar(_REFERENCE_BAR, 1.0)
    return per_s * part * seconds


class GaugeTrust:
    """Follows one run and marks the gauges that must not be believed when they show a vented pot."""

    def __init__(self, limits: SafetyLimits) -> None:
        self._limits = limits
        self._gauges = (_Followed(limits), _Followed(limits))
        self._highest_bar = 0.0
        self._switch = False

    def look(
        self,
        scan: Scan,
        set_point: SetPoint,
        first: tuple[float, float] | None,
        second: tuple[float, float] | None,
    ) -> None:
        """Take in one tick and update both gauges' doubts in the scan.

        Args:
            scan: the newest.
            set_point: of the run.
            first: new good reading of the first gauge in this tick: instant in s, absolute bar.
            second: the same of the second.
        """
        self._look_at_switch(scan)
        for followed, state, reading in zip(
            self._gauges, (scan.gauge, scan.second_gauge), (first, second), strict=True
        ):
            followed.expect(set_point)
            if reading is not None:
                followed.take(*reading, scan.barometer_bar)
            state.doubt = SWITCH if self._switch else followed.doubt

    def _look_at_switch(self, scan: Scan) -> None:
        self._highest_bar = max([self._highest_bar, *surviving_gauges_bar(scan)])
        if scan.valves is not None and scan.valves.pressure_switch_tripped:
            near_bar = self._limits.trip_pressure_bar - _SEEN_NEAR_TRIP_BAR
            self._switch = self._switch or self._highest_bar < near_bar


class _Followed:
    """One gauge: whether it rises when gas is let in, and falls no faster than it can."""

    def __init__(self, limits: SafetyLimits) -> None:
        self._limits = limits
        self._before: deque[tuple[float, float]] = deque(maxlen=2)
        self._fills = False
        self._weak = False
        self._unanswered = False
        self._fell = False
        self._lowest_bar = inf
        self._answer_bar = ANSWER_BAR
        self._vents = False
        self._top_bar = 0.0
        self._steepest_bar = 0.0

    @property
    def doubt(self) -> str:
        """Why this gauge is not believed; empty when it is."""
        if self._fell:
            return FELL
        return UNANSWERED if self._unanswered else ""

    def expect(self, set_point: SetPoint) -> None:
        """Take in what is being done: a filling that begins, or shots that do nothing, must be answered."""
        intent, weak = set_point.intent, set_point.weak_groups > 0
        vents = intent in LETS_OUT
        if not self._vents:
            self._top_bar = self._before[-1][1] if self._before else 0.0
            self._steepest_bar = 0.0
        self._vents = vents
        fills = intent is Intent.UP
        begins = fills and not self._fills
        silent = weak and not self._weak and intent in (Intent.UP, Intent.FLOW)
        self._fills, self._weak = fills, weak
        if not (begins or silent):
            return
        lowest_bar = self._before[-1][1] if self._before else inf
        ramp_bar = inf if set_point.target_bar is None else set_point.target_bar - lowest_bar
        if begins and abs(ramp_bar) < _SHORTEST_RAMP_BAR:
            return
        self._unanswered = True
        self._lowest_bar = lowest_bar
        # A ramp that is shorter than the answer can only give half of itself for certain.
        self._answer_bar = min(ANSWER_BAR, _ANSWER_PART * ramp_bar) if ramp_bar > 0.0 else ANSWER_BAR

    def take(self, at_s: float, pressure_bar: float, ambient_bar: float | None) -> None:
        """Take in a good reading."""
        if ambient_bar is not None and self._fell_too_fast(at_s, pressure_bar, ambient_bar):
            self._fell = True
            self._lowest_bar = pressure_bar
        if self._vents:
            self._look_at_fall(pressure_bar)
        self._before.append((at_s, pressure_bar))
        if not (self._fell or self._unanswered):
            return
        self._lowest_bar = min(self._lowest_bar, pressure_bar)
        risen_bar = pressure_bar - self._lowest_bar
        if risen_bar >= ANSWER_BAR or (not self._fell and risen_bar >= self._answer_bar):
            self._fell = self._unanswered = False

    def _look_at_fall(self, pressure_bar: float) -> None:
        """Note a fall that follows the vent as only the pot's own can."""
        self._top_bar = max(self._top_bar, pressure_bar)
        if self._before:
            self._steepest_bar = max(self._steepest_bar, self._before[-1][1] - pressure_bar)
        fallen_bar = self._top_bar - pressure_bar
        if fallen_bar >= ANSWER_BAR and fallen_bar >= _STEPS_OF_A_FALL * self._steepest_bar:
            self._unanswered = False

    def _fell_too_fast(self, at_s: float, pressure_bar: float, ambient_bar: float) -> bool:
        """Whether it fell too fast since both readings before: one alone may have been a stray one."""
        return len(self._before) == 2 and all(
            before_bar - pressure_bar
            > fastest_fall_bar(before_bar, ambient_bar, at_s - before_s, self._limits) + _FALL_SLACK_BAR
            for before_s, before_bar in self._before
        )
