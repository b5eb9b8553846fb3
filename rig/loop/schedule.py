"""The rig's ticks on an absolute time line; a missed tick is skipped and counted, never made up."""

from __future__ import annotations

from drivers.ports import Clock


class Schedule:
    """Ticks at start + n * interval.

    Attributes:
        tick: number of the present tick, from 0.
        now_s: time of the present tick from the start, in seconds.
        started_utc: time of day of the start, which is the zero of every time in the record.
    """

    def __init__(self, clock: Clock, interval_s: float) -> None:
        self._monotonic_s = clock.monotonic_s
        self._sleep_until = clock.sleep_until
        self._interval_s = interval_s
        self._start_s = clock.monotonic_s()
        self.started_utc = clock.utc()
        self.tick = -1
        self.now_s = 0.0

    @property
    def interval_s(self) -> float:
        """Time between two ticks, in seconds."""
        return self._interval_s

    def wait(self) -> int:
        """Wait for the next tick.

        Returns:
            How many ticks had to be skipped because their whole interval had passed.
        """
        interval_s, start_s = self._interval_s, self._start_s
        due = self.tick + 1
        behind_s = self._monotonic_s() - start_s - due * interval_s
        missed = int(behind_s / interval_s) if behind_s >= interval_s else 0
        due += missed
        self._sleep_until(start_s + due * interval_s)
        self.tick = due
        self.now_s = self._monotonic_s() - start_s
        return missed

    def pause(self, seconds: float) -> None:
        """Wait without a tick; the ticks that fall into it are skipped."""
        self._sleep_until(self._monotonic_s() + seconds)

    def since_start_s(self) -> float:
        """Time from the start at this very moment, in seconds."""
        return self._monotonic_s() - self._start_s
