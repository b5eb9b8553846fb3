"""Cells that do not fall with the gauges: a witness before any hold in oxygen has given a reference.

While a pot is vented its gas stays the same, so PO2 falls in the same part as the pressure, whatever the gas
is. Gauges that fall alone, as behind a clogged tee that bleeds slowly, leave the cells where they were. As
with the witness of the holds this may contradict 'vented' and never confirm it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Final

from grading.record.format import Reading
from rig.safety.set_point import Intent

LEAST_FALL_BAR: Final = 0.10
"""A fall of the gauges that is large enough to be looked for in cells that lag (judgement)."""
LEAST_PART: Final = 0.5
"""Cells that fall by less than this part of what the gauges fall do not follow them (judgement). Half leaves
room for ceilings, which fall less than the pressure, and for cells that still rise when the fall begins."""
RISES_FOR_S: Final = 30.0
"""For how long after the beginning of a fall a cell may still rise towards where the pressure was."""
_FALLS: Final = frozenset({Intent.DOWN, Intent.OPEN, Intent.FREE})
_STALE_S = 5.0
_LEAST_MV = 1.0
_KEPT = 4


class FallingCells:
    """Follows the cells of one run from the beginning of each fall of the pressure."""

    def __init__(self) -> None:
        self._recent: dict[int, deque[tuple[float, float]]] = {}
        self._highest_mv: dict[int, float] = {}
        self._from_bar: float | None = None
        self._begun_s: float | None = None

    def look(
        self, t_s: float, intent: Intent, pressure_bar: float | None, output_mv: Mapping[int, Reading] | None
    ) -> None:
        """Take in one tick.

        Args:
            t_s: of the tick, in seconds.
            intent: what is expected of the pressure.
            pressure_bar: what the gauges show, absolute; None where they show nothing.
            output_mv: a new scan of the voltmeter by socket; None where there is none.
        """
        for socket, reading in (output_mv or {}).items():
            kept = self._recent.setdefault(socket, deque(maxlen=_KEPT))
            if reading.value is None:
                kept.clear()
            else:
                kept.append((t_s, reading.value))
        if intent not in _FALLS:
            self._begun_s, self._highest_mv = None, {}
            self._from_bar = pressure_bar if pressure_bar is not None else self._from_bar
            return
        if self._begun_s is None:
            self._begun_s = t_s
        if t_s - self._begun_s <= RISES_FOR_S:
            for socket, mv in self._now_mv(t_s).items():
                self._highest_mv[socket] = max(mv, self._highest_mv.get(socket, 0.0))

    def over_bar(self, t_s: float, pressure_bar: float, ambient_bar: float) -> float | None:
        """Return how far above ambient the cells show the pot to be, in bar, or None where they follow.

        The second-highest of the living cells counts; one cell alone counts too.

        Args:
            t_s: now, in seconds.
            pressure_bar: what the gauges show now, absolute.
            ambient_bar: of the room, absolute.
        """
        from_bar = self._from_bar
        if self._begun_s is None or from_bar is None or from_bar - pressure_bar < LEAST_FALL_BAR:
            return None
        left = sorted(
            (
                mv / self._highest_mv[socket]
                for socket, mv in self._now_mv(t_s).items()
                if self._highest_mv.get(socket, 0.0) > _LEAST_MV
            ),
            reverse=True,
        )
        if not left:
            return None
        part = left[min(1, len(left) - 1)]
        if part <= 1.0 - LEAST_PART * (1.0 - pressure_bar / from_bar):
            return None
        return part * from_bar - ambient_bar

    def _now_mv(self, t_s: float) -> dict[int, float]:
        return {
            socket: sum(mv for _, mv in kept) / len(kept)
            for socket, kept in self._recent.items()
            if kept and t_s - kept[-1][0] <= _STALE_S
        }
