"""Exchanges with the valve block: which may be repeated, and for how long it has not answered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, Protocol, TypeVar

from drivers.errors import DriverError, LinkDown, LinkTimeout, Refused
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


class ValveLog(Protocol):
    """Where valve commands are recorded."""

    def valve(self, valve: str, action: str, duration_ms: int | None, failure: str | None) -> None:
        """Record one command and, when it failed, why."""
        ...


class ValveLink:
    """Does the exchanges of one valve block and keeps their result in the scan."""

    def __init__(
        self, valves: ValveBlock, scan: Callable[[], Scan], schedule: Schedule, log: ValveLog
    ) -> None:
        self._log = log
        self._recorded: dict[tuple[str, str], str | None] = {}
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

    def command(
        self,
        valve: str,
        action: str,
        duration_ms: int | None,
        command: Callable[[], None],
        *,
        repeat: bool = False,
    ) -> DriverError | None:
        """Give one command, `repeat` it once where it may be, and record it; returns why it failed."""
        failure: DriverError | None = None
        try:
            if repeat:
                self.harmless(command)
            else:
                self.once(command)
        except DriverError as error:
            failure = error
            if isinstance(error, Refused):
                self._scan().disobeyed += 1
        self._record(valve, action, duration_ms, None if failure is None else failure.message)
        return failure

    def forget_recorded(self) -> None:
        """Record every command again: the order to drop the outputs is over."""
        self._recorded.clear()

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

    def _record(self, valve: str, action: str, duration_ms: int | None, failure: str | None) -> None:
        """Record a command; one that is pressed again with the same result only once."""
        if self._recorded.get((valve, action), "") == failure:
            return
        if self._scan().drop_ordered:
            self._recorded[valve, action] = failure
        self._log.valve(valve, action, duration_ms, failure)
