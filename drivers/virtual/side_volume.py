"""The gas between the gauges and a clogged tee: it follows the vent's position and not the pot."""

from __future__ import annotations

from math import exp

_KEPT = 64
"""Positions of the vent that are kept; a gauge reads the side at most 0.1 s late."""


class SideVolume:
    """Pressure on the gauges' side of a clogged tee: the room's while the vent is open, trapped while shut.

    Attributes:
        since_us: bench time of the clogging; the gauges read the pot until then.
    """

    def __init__(self, now_us: int, pressure_bar: float, vent_open: bool, settles_s: float) -> None:
        """Begin with the pot's pressure; `settles_s` is the side's time constant at an open vent."""
        self.since_us = now_us
        self._settles_s = settles_s
        self._turns: list[tuple[int, float, bool]] = [(now_us, pressure_bar, vent_open)]

    def turn(self, now_us: int, vent_open: bool, room_bar: float) -> None:
        """Take the vent's position from now on; pressures in bar."""
        if vent_open != self._turns[-1][2]:
            self._turns.append((now_us, self.pressure_at(now_us, room_bar), vent_open))
            del self._turns[:-_KEPT]

    def pressure_at(self, at_us: int, room_bar: float) -> float:
        """Pressure at a recent instant, in bar."""
        from_us, from_bar, vent_open = next(
            (turn for turn in reversed(self._turns) if turn[0] <= at_us), self._turns[0]
        )
        if not vent_open:
            return from_bar
        return room_bar + (from_bar - room_bar) * exp(-max(at_us - from_us, 0) * 1e-6 / self._settles_s)
