"""The oxygen of the room, where the bench has a monitor: the warning, and the sentence for the record."""

from __future__ import annotations

ALARM_PERCENT = 23.0
"""The operator is warned from here on. A run ends beyond the bounds below, which are those of OSHA 29 CFR
1910.146 from a secondary source."""
HIGHEST_PERCENT = 23.5
LOWEST_PERCENT = 19.5
_REARMED_PERCENT = 22.5


class RoomWatch:
    """Follows the room's oxygen through a run, and warns once when it becomes alarming."""

    def __init__(self) -> None:
        self._lowest: float | None = None
        self._highest: float | None = None
        self._warned = False

    def look(self, oxygen_percent: float | None) -> str:
        """Return the warning for the newest reading; empty when it is not new or an interlock reports it."""
        if oxygen_percent is None:
            return ""
        self._lowest = min(oxygen_percent, oxygen_percent if self._lowest is None else self._lowest)
        self._highest = max(oxygen_percent, oxygen_percent if self._highest is None else self._highest)
        if oxygen_percent < _REARMED_PERCENT:
            self._warned = False
        if not ALARM_PERCENT <= oxygen_percent <= HIGHEST_PERCENT or self._warned:
            return ""
        self._warned = True
        return f"The room holds {oxygen_percent:.1f} % oxygen, where air holds 20.9 %."

    @property
    def record_sentence(self) -> str:
        """The whole run as a sentence for the record and every paper."""
        if self._lowest is None or self._highest is None:
            return "Room oxygen was not monitored."
        return f"Room oxygen was monitored: {self._lowest:.1f} to {self._highest:.1f} %."
