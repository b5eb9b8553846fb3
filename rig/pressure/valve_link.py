"""Exchanges with the valve block: which may be repeated, and for how long it has not answered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, TypeVar

from drivers.errors import DriverError, LinkDown, LinkTimeout
from drivers.ports import ValveBlock, WatchedValveBlock
from rig.loop.schedule import Schedule
from rig.safety.scan import Scan

LONGEST_SILENCE_S: Final = 1.0
"""Longest time without a good exchange where the watchdog time is not known, or is longer than twice this:
judgement. A shorter watchdog shortens it to half the watchdog time."""
_TICK_LEFT: Final = 0.5

T = TypeVar("T")


def patience_s(valves: ValveBlock) -> float:
    """Return how long a valve block may go without a good exchange, in seconds."""
    watchdog_ms = valves.watchdog_ms if isinstance(valves, WatchedValveBlock) else None
    return min(LONGEST_SILENCE_S, watchdog_ms / 2000.0) if watchdog_ms else LONGEST_SILENCE_S


def answered(error: DriverError | None) -> bool:
    """Whether the instrument answered, whatever it said; None stands for an exchange without an error."""
    return not isinstance(error, LinkDown | LinkTimeout)


class ValveLink:
    """Does the exchanges of one valve block and keeps their result in the scan."""

    def __init__(self, valves: ValveBlock, scan: Callable[[], Scan], schedule: Schedule) -> None:
        self._scan = scan
        self._schedule = schedule
        self._patience_s = patience_s(valves)
        self._good_s: float | None = None

    def harmless(self, exchange: Callable[[], T]) -> T:
        """Do an exchange that reads, or sets a state that does no harm when it is set twice.

        It is repeated once in the same tick, where half of the tick is left: a lost answer has cost the time
        that the next pressure reading needs, an answer "busy" costs none.

        Raises:
            DriverError: of the last attempt.
        """
        try:
            result = exchange()
        except DriverError as error:
            if not (error.retryable and self._has_time()):
                self.failed(error)
                raise
            return self.once(exchange)
        self._succeeded()
        return result

    def once(self, exchange: Callable[[], T]) -> T:
        """Do an exchange that must not be repeated.

        Raises:
            DriverError: it failed.
        """
        try:
            result = exchange()
        except DriverError as error:
            self.failed(error)
            raise
        self._succeeded()
        return result

    def failed(self, error: DriverError) -> None:
        """Count a failed exchange."""
        scan = self._scan()
        scan.valve_failures += 1
        scan.valve_answers += answered(error)
        scan.valve_error = error.message

    def note_silence(self) -> None:
        """Put into the scan for how long no exchange has succeeded; the first call starts the time."""
        scan, now_s = self._scan(), self._schedule.since_start_s()
        if self._good_s is None:
            self._good_s = now_s
        scan.valves_unheard_s = now_s - self._good_s
        scan.valves_patience_s = self._patience_s

    def _succeeded(self) -> None:
        scan = self._scan()
        scan.valve_failures = scan.valve_answers = 0
        self._good_s = self._schedule.since_start_s()

    def _has_time(self) -> bool:
        spent_s = self._schedule.since_start_s() - self._schedule.now_s
        return spent_s < _TICK_LEFT * self._schedule.interval_s
