"""What the operator hears while the outputs are ordered to drop: the only answer has been given already.

No interlock can answer again there. A pot that fills nevertheless, and a valve block that does not show that
its outputs are off, are reported at once, each once until it is over.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rig.safety.drive_words import WORDS, Drive
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT
from rig.safety.limits import SafetyLimits
from rig.safety.rise import AGAIN_BAR, Rise
from rig.safety.scan import Scan

SHOWN_WITHIN_S: Final = 1.0
"""A block drops its outputs within a scan; judgement."""
_SEEN_FOR_S: Final = 10.0
HANDS_WITHIN_S: Final = 15.0
"""What a person gets to shut the supply and open the vent before a rise is reported again: judgement."""
_END_OTHER = "End every other program that can reach this valve block."


@dataclass(frozen=True, slots=True)
class Alarm:
    """What to report: a stable name, what happened with the numbers, and what to do."""

    code: str
    text: str
    do_now: str

    @property
    def message(self) -> str:
        """What happened and what to do: one line."""
        return f"{self.text} {self.do_now}"


class AfterDrop:
    """Looks at every scan while the outputs are ordered to drop."""

    def __init__(self, limits: SafetyLimits) -> None:
        self._limits = limits
        self._rises = (Rise(), Rise())
        self._over = self._unseen = False
        self._seen_since_s = 0.0
        self._ordered_s: float | None = None

    def begin(self) -> None:
        """Forget what was, when something may be energised again."""
        self._rises = (Rise(), Rise())
        self._over = self._unseen = False
        self._ordered_s = None

    def look(self, scan: Scan) -> Iterator[Alarm]:
        """Yield what is new in this scan."""
        if self._ordered_s is None:
            self._ordered_s = scan.t_s
        if scan.drive is Drive.HANDS and scan.t_s - self._ordered_s < HANDS_WITHIN_S:
            return
        gauges = (scan.gauge.newest_bar, scan.second_gauge.newest_bar)
        readings = [reading for reading in gauges if reading is not None]
        rising = [
            rise.look(reading)
            for rise, reading in zip(self._rises, gauges, strict=True)
            if reading is not None
        ]
        over = self._is_over(readings)
        if over:
            trip_bar = self._limits.trip_pressure_bar
            text = f"The pot is at {max(readings):.3f} bar, above the trip at {trip_bar:.2f} bar"
            yield Alarm("OVER_PRESSURE", f"{text}{_although(scan)}", _what_to_do(scan))
        elif any(rising):
            text = f"The pressure rises, to {max(readings):.3f} bar now"
            yield Alarm("PRESSURE_RISES", f"{text}{_although(scan)}", _what_to_do(scan))
        if scan.drop_unseen_s:
            self._seen_since_s = scan.t_s
        if scan.drop_unseen_s > SHOWN_WITHIN_S and not self._unseen:
            self._unseen = True
            yield Alarm("NOT_DE_ENERGISED", _not_shown(scan), _what_to_do(scan))
        elif scan.t_s - self._seen_since_s > _SEEN_FOR_S:
            self._unseen = False

    def _is_over(self, readings: list[float]) -> bool:
        """Whether the pressure has just passed the trip."""
        trip_bar = self._limits.trip_pressure_bar
        before = self._over
        if readings:
            self._over = max(readings) > (trip_bar - AGAIN_BAR if before else trip_bar)
        return self._over and not before


def _although(scan: Scan) -> str:
    if scan.foreign_owner:
        return ": another program drives the valve block."
    words = WORDS[scan.drive]
    return f", although {words.despite}: {words.rises}."


def _not_shown(scan: Scan) -> str:
    outputs = WORDS[scan.drive].outputs
    begun = f"{outputs[0].upper()}{outputs[1:]} was ordered to de-energise {scan.drop_unseen_s:.1f} s ago"
    if scan.valve_answers:
        return f"{begun} and answers with an error ({scan.valve_error})."
    if scan.valve_failures:
        return f"{begun} and does not answer ({scan.valve_error}): its valves may still have power."
    valves = scan.valves
    energised = [
        name
        for name, on in (
            ("the supply", valves is not None and valves.supply_open),
            ("the vent", valves is not None and not valves.vent_open),
        )
        if on
    ]
    last = f" (last error: {scan.valve_error})" if scan.valve_error else ""
    return f"{begun} and still shows power on {' and '.join(energised) or 'its valves'}{last}."


def _what_to_do(scan: Scan) -> str:
    other = f"{_END_OTHER} " if scan.foreign_owner else ""
    return f"{CLOSE_BOTTLE} {other}{KEEP_LID_SHUT}"
