"""Cells that do not fall with the gauges: a witness before any hold in oxygen has given a reference.

While a pot is vented its gas stays the same, so PO2 falls in the same part as the pressure, whatever the gas
is. Gauges that fall alone, as behind a clogged tee that bleeds slowly, leave the cells where they were. As
with the witness of the holds this may contradict 'vented' and never confirm it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from math import inf
from typing import Final

from grading.record.format import Reading
from rig.safety.set_point import LETS_OUT, Intent

LEAST_FALL_BAR: Final = 0.10
"""A fall of the gauges that is large enough to be looked for in cells that lag (judgement)."""
LEAST_PART: Final = 0.5
"""Cells that fall by less than this part of what the gauges fall do not follow them (judgement). Half leaves
room for ceilings, which fall less than the pressure, and for cells that still rise when the fall begins."""
RISES_FOR_S: Final = 30.0
"""For how long a cell that lags may still rise towards where the pressure was."""
LOOKED_AT_EVERY_BAR: Final = 0.05
"""A fall is looked at from its beginning and from each further step of this size: the gauges may be parted
from the pot in the middle of it."""
ROSE_BAR: Final = 0.03
"""Gauges that have risen this far show that gas came in (judgement)."""
_STALE_S = 5.0
_LEAST_MV = 1.0
_KEPT = 4


@dataclass(slots=True)
class _Beginning:
    """Where the gauges and the cells were at one moment of a fall; outputs in mV by socket."""

    t_s: float
    pressure_bar: float
    highest_mv: dict[int, float] = field(default_factory=dict)


class FallingCells:
    """Follows the cells of one run through each fall of the pressure."""

    def __init__(self) -> None:
        self._recent: dict[int, deque[tuple[float, float]]] = {}
        self._before_bar: float | None = None
        self._lowest_bar = inf
        self._beginnings: list[_Beginning] = []

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
        if intent not in LETS_OUT:
            self._end(intent, pressure_bar)
            return
        self._begin(t_s, pressure_bar)
        open_ones = [one for one in self._beginnings if t_s - one.t_s <= RISES_FOR_S]
        if open_ones:
            for socket, mv in self._now_mv(t_s).items():
                for one in open_ones:
                    one.highest_mv[socket] = max(mv, one.highest_mv.get(socket, 0.0))

    def _begin(self, t_s: float, pressure_bar: float | None) -> None:
        """Note where the fall begins, and where it has gone on by another step."""
        if pressure_bar is not None:
            self._lowest_bar = min(pressure_bar, self._lowest_bar)
        if not self._beginnings:
            if self._before_bar is not None:
                self._beginnings.append(_Beginning(t_s, self._before_bar))
        elif (
            pressure_bar is not None
            and self._beginnings[-1].pressure_bar - pressure_bar >= LOOKED_AT_EVERY_BAR
        ):
            self._beginnings.append(_Beginning(t_s, pressure_bar))

    def _end(self, intent: Intent, pressure_bar: float | None) -> None:
        """Forget the last fall once new gas is in the pot: the gauges have risen, or gas flows through.

        Gauges that do not rise leave it open whether gas came in, and the fall counts on.
        """
        risen = pressure_bar is not None and pressure_bar - self._lowest_bar >= ROSE_BAR
        if risen or intent is Intent.FLOW:
            self._beginnings.clear()
            self._lowest_bar = inf
        if not self._beginnings and pressure_bar is not None:
            self._before_bar = pressure_bar

    def over_bar(self, t_s: float, pressure_bar: float, ambient_bar: float) -> float | None:
        """Return how far above ambient the cells show the pot to be, in bar, or None where they follow.

        The second-highest of the living cells counts; one cell alone counts too.

        Args:
            t_s: now, in seconds.
            pressure_bar: what the gauges show now, absolute.
            ambient_bar: of the room, absolute.
        """
        now_mv = self._now_mv(t_s)
        shown_bar = [
            part * one.pressure_bar
            for one in self._beginnings
            if one.pressure_bar - pressure_bar >= LEAST_FALL_BAR
            and (part := _left(now_mv, one.highest_mv))
            > 1.0 - LEAST_PART * (1.0 - pressure_bar / one.pressure_bar)
        ]
        return max(shown_bar) - ambient_bar if shown_bar else None

    def _now_mv(self, t_s: float) -> dict[int, float]:
        return {
            socket: sum(mv for _, mv in kept) / len(kept)
            for socket, kept in self._recent.items()
            if kept and t_s - kept[-1][0] <= _STALE_S
        }


def _left(now_mv: Mapping[int, float], highest_mv: Mapping[int, float]) -> float:
    """Part of its output that the second-highest cell, or the only one, still gives; 0 without any."""
    parts = sorted(
        (mv / highest_mv[socket] for socket, mv in now_mv.items() if highest_mv.get(socket, 0.0) > _LEAST_MV),
        reverse=True,
    )
    return parts[min(1, len(parts) - 1)] if parts else 0.0
