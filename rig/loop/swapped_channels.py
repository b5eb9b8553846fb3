"""Sees two channels that are exchanged during a run: each shows from one scan to the next what the other did.

What all cells do together, such as following the pressure, does not count: the ratio of two outputs is
compared. Cells that are equal within what follows cannot be told apart, and nothing is seen.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from itertools import combinations, pairwise
from math import log
from statistics import fmean, median
from typing import Final

_SCANS: Final = 5
_LEAST_BEFORE: Final = 2
"""Scans before the exchange that are enough at the start of a run, where there are no more."""
_LEAST_MV: Final = 1.0
_LEAST_PART: Final = 0.002
"""How far two outputs must be apart to be told from each other between two scans (0.2 %, a judgement)."""
_LEAST_PART_OF_HOLDS: Final = 0.02
"""The same between two holds, where cells may bend and the PO2 is less well known."""
_STAYS: Final = 0.2
_STAYS_OVER_HOLDS: Final = 0.25

Pair = tuple[int, int]


class SwappedChannels:
    """Compares the newest scans with those before, and each hold with the one before."""

    def __init__(self) -> None:
        self._scans: deque[dict[int, float]] = deque(maxlen=2 * _SCANS)
        self._hold: dict[int, float] = {}

    def take(self, output_mv: Mapping[int, float]) -> Iterator[Pair]:
        """Take a scan, in mV by socket, and yield the pairs of sockets exchanged five scans ago."""
        scans = self._scans
        scans.append(_logs(output_mv))
        if len(scans) < _LEAST_BEFORE + _SCANS:
            return
        before, after = scans[-_SCANS - 1], scans[-_SCANS]
        jumps = {socket: after[socket] - before[socket] for socket in after.keys() & before.keys()}
        if len(jumps) < 2:
            return
        usual = median(jumps.values())
        jumped = sorted(socket for socket, jump in jumps.items() if abs(jump - usual) > _LEAST_PART)
        for one, other in combinations(jumped, 2):
            if all(one in scan and other in scan for scan in scans) and self._exchanged(one, other):
                yield one, other

    def take_hold(self, output_mv: Mapping[int, float], po2_bar: float) -> Iterator[Pair]:
        """Take the settled outputs of a hold, in mV by socket, and yield the pairs exchanged since the last.

        A cell that fails reads too little for its PO2. Here one reads too much by just what the other reads
        too little, in comparison with the last hold.
        """
        if po2_bar <= 0.0:
            # No pressure is known during this hold.
            return
        before = self._hold
        here = {socket: value - log(po2_bar) for socket, value in _logs(output_mv).items()}
        self._hold = here
        for one, other in combinations(sorted(before.keys() & here.keys()), 2):
            apart = before[one] - before[other]
            near = _STAYS_OVER_HOLDS * abs(apart)
            exchanged = abs(here[one] - before[other]) < near and abs(here[other] - before[one]) < near
            if abs(apart) > _LEAST_PART_OF_HOLDS and exchanged:
                yield one, other

    def _exchanged(self, one: int, other: int) -> bool:
        apart = [scan[one] - scan[other] for scan in self._scans]
        both = [scan[one] + scan[other] for scan in self._scans]
        was = fmean(apart[:-_SCANS])
        near = _STAYS * abs(was)
        stayed = all(abs(value - was) < near for value in apart[:-_SCANS])
        turned = all(abs(value + was) < near for value in apart[-_SCANS:])
        # Between the two scans both together go on as they did before and do after.
        steps = [late - early for early, late in pairwise(both)]
        usual = fmean(steps[:-_SCANS] + steps[1 - _SCANS :])
        return abs(was) > 0.5 * _LEAST_PART and stayed and turned and abs(steps[-_SCANS] - usual) < abs(was)


def _logs(output_mv: Mapping[int, float]) -> dict[int, float]:
    return {socket: log(mv) for socket, mv in output_mv.items() if mv > _LEAST_MV}
