"""The rig's clock on the virtual bench: one that moves the bench, and one that runs with it."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Protocol

from drivers.virtual.bench import Bench


class BenchTime(Protocol):
    """A source of the bench's time."""

    @property
    def now_us(self) -> int:
        """Bench time in microseconds."""
        ...


class SteppedClock:
    """Bench time moves only when the rig waits; waiting takes no real time.

    Time of day starts at the real one, then runs with the bench.
    """

    def __init__(
        self, time: BenchTime, advance_to: Callable[[int], None], utc_offset_s: Callable[[], float]
    ) -> None:
        """Take the bench's time from `time`; move it, in microseconds, and disturb it by two functions."""
        self._time = time
        self._advance_to = advance_to
        self._utc_offset_s = utc_offset_s
        self._started = datetime.now(UTC)
        self._waited_us = 0
        self._waited_s = 0.0

    def monotonic_s(self) -> float:
        """Bench seconds since the bench was started."""
        now_us = self._time.now_us
        # The same number that was waited for, so that "wait until t" never ends slightly before t.
        return self._waited_s if now_us == self._waited_us else now_us * 1e-6

    def utc(self) -> datetime:
        """Time of day, timezone-aware."""
        return self._started + timedelta(microseconds=self._time.now_us, seconds=self._utc_offset_s())

    def sleep_until(self, monotonic_s: float) -> None:
        """Move the bench to `monotonic_s`; nothing happens when that has passed."""
        when_us = round(monotonic_s * 1e6)
        if when_us > self._time.now_us:
            self._advance_to(when_us)
            self._waited_us, self._waited_s = when_us, monotonic_s


class RunningClock:
    """Bench time runs with real time, `speed` times as fast."""

    def __init__(self, speed: float, utc_offset_s: Callable[[], float]) -> None:
        """Start now."""
        self._speed = speed
        self._utc_offset_s = utc_offset_s
        self._started = datetime.now(UTC)
        self._started_s = time.monotonic()

    def monotonic_s(self) -> float:
        """Bench seconds since the bench was started."""
        return (time.monotonic() - self._started_s) * self._speed

    def utc(self) -> datetime:
        """Time of day, timezone-aware; runs at the bench's speed."""
        return self._started + timedelta(seconds=self.monotonic_s() + self._utc_offset_s())

    def sleep_until(self, monotonic_s: float) -> None:
        """Sleep until `monotonic_s`; return at once when that has passed."""
        left_s = (monotonic_s - self.monotonic_s()) / self._speed
        if left_s > 0.0:
            time.sleep(left_s)


def clock_of(bench: Bench) -> SteppedClock:
    """The clock that moves `bench` within this process."""

    def advance_to(when_us: int) -> None:
        bench.advance_to(when_us + bench.take_stall_us())

    return SteppedClock(bench.pot, advance_to, lambda: bench.utc_offset_s)
