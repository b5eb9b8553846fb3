"""A pressure that rises although the supply should be shut and the vent open: seen once for each rise."""

from __future__ import annotations

from typing import Final

RISE_BAR: Final = 0.03
"""More than noise, weather and gas that warms in an open pot: judgement."""
AGAIN_BAR: Final = 0.1
"""How far a reported pressure has to fall before its next rise is reported: judgement."""
_SCANS: Final = 3


class Rise:
    """Whether a pressure rises, seen from its lowest reading since its last rise was over."""

    def __init__(self) -> None:
        self._turn_bar: float | None = None  # lowest reading so far; highest one once a rise is reported
        self._scans = 0
        self._reported = False

    @property
    def top_bar(self) -> float | None:
        """The highest reading of a reported rise that is not over; None without one."""
        return self._turn_bar if self._reported else None

    def look(self, reading_bar: float) -> bool:
        """Take in a reading, absolute bar; True once for each rise."""
        if self._turn_bar is None:
            self._turn_bar = reading_bar
        if self._reported:
            self._turn_bar = max(self._turn_bar, reading_bar)
            if reading_bar < self._turn_bar - AGAIN_BAR:
                self._reported, self._scans, self._turn_bar = False, 0, reading_bar
            return False
        self._turn_bar = min(self._turn_bar, reading_bar)
        self._scans = self._scans + 1 if reading_bar > self._turn_bar + RISE_BAR else 0
        if self._scans < _SCANS:
            return False
        self._reported, self._turn_bar = True, reading_bar
        return True
