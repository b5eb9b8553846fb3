"""The computer's own clock, for hardware and for a virtual bench in real time."""

from __future__ import annotations

import time
from datetime import UTC, datetime


class SystemClock:
    """Monotonic seconds, UTC and sleep of this computer."""

    def monotonic_s(self) -> float:
        """Seconds on the computer's monotonic clock."""
        return time.monotonic()

    def utc(self) -> datetime:
        """UTC time of day."""
        return datetime.now(UTC)

    def sleep_until(self, monotonic_s: float) -> None:
        """Sleep until `monotonic_s`; return at once when that has passed."""
        left_s = monotonic_s - time.monotonic()
        if left_s > 0:
            time.sleep(left_s)
