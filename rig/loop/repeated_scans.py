"""Notices a voltmeter that is frozen: scan after scan it gives the same numbers, to the last digit.

Equal scans are no fault of a meter whose digits are coarser than its noise, such as a handheld one on settled
cells. So a repeat counts only once this meter has been seen to vary by more than its digits in this run.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Final

_TRIPLES: Final = 20
_VARYING_TRIPLES: Final = 10
_DIGITS: Final = 1.5
_NO_DIGIT: Final = float("inf")


class RepeatedScans:
    """Follows the scans of one voltmeter.

    A channel varies when its reading turns back by two digits or more in half of twenty scans at rest. White
    noise of one digit (k = 1) does that in 12 % of scans, of two in 31 %, of four in 46 % (simulated); a
    reading that flickers between two digits, or follows a settling cell, in none. A digit is the smallest
    change that the channel has shown.

    Attributes:
        alike: scans in a row with equal numbers on every socket; 1 where the newest differs from the last.
        live_s: when the last scan was taken that differed from the one before, in seconds of the run.
        varies: whether this meter's noise has been seen above its digits.
    """

    def __init__(self) -> None:
        self.alike = 0
        self.live_s = 0.0
        self.varies = False
        self._taken_s = 0.0
        self._output_mv: Mapping[int, float] = {}
        self._channels: dict[int, _Channel] = {}

    def take(self, t_s: float, output_mv: Mapping[int, float], refresh_s: float, at_rest: bool) -> None:
        """Take a scan.

        Args:
            t_s: when it began, in seconds of the run.
            output_mv: the good readings by socket, in mV.
            refresh_s: how often the meter makes new numbers; a scan that comes sooner is left out.
            at_rest: whether the pressure is kept, so that only noise turns a reading back.
        """
        if not output_mv or (self.alike and t_s - self._taken_s < refresh_s):
            return
        self._taken_s = t_s
        if self.alike and output_mv == self._output_mv:
            self.alike += 1
            return
        self.alike, self.live_s, self._output_mv = 1, t_s, dict(output_mv)
        if self.varies:
            return
        for socket, mv in output_mv.items():
            if self._channels.setdefault(socket, _Channel()).varies(mv, at_rest):
                self.varies = True
                self._channels.clear()
                return


class _Channel:
    """What one channel has shown of its digits and its noise."""

    def __init__(self) -> None:
        self._last_mv: float | None = None
        self._change_mv = 0.0
        self._digit_mv = _NO_DIGIT
        self._turned: deque[float] = deque(maxlen=_TRIPLES)

    def varies(self, mv: float, at_rest: bool) -> bool:
        """Take a reading. Returns whether the last ones turned back often enough."""
        if self._last_mv is not None:
            before_mv, self._change_mv = self._change_mv, mv - self._last_mv
            if self._change_mv:
                self._digit_mv = min(self._digit_mv, abs(self._change_mv))
            if not at_rest:
                self._turned.clear()
            else:
                turned = before_mv * self._change_mv < 0.0
                self._turned.append(min(abs(before_mv), abs(self._change_mv)) if turned else 0.0)
        self._last_mv = mv
        if len(self._turned) < _TRIPLES:
            return False
        return sum(size > _DIGITS * self._digit_mv for size in self._turned) >= _VARYING_TRIPLES
