"""Directly measured indication errors: means of repeated steps, and between which two the line ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grading.measurement import FloatArray, IntArray
from grading.response.block import CellBlock
from grading.response.indication import indication_error


@dataclass(frozen=True, slots=True)
class Bracket:
    """Where the error leaves the band between two measured nodes of A cells, (A,) each.

    Attributes:
        cells: which cells have such nodes.
        low_po2, low_mv, high_po2, high_mv: the last node inside the band and the first one outside.
        line: output per bar of a display that is wrong by exactly the band's edge.
        falls: whether the display reads low there (a cell whose output falls short), not high.
        chord: crossing of the straight line between the two nodes.
        nearest, farthest: the crossing lies between these if the output bends one way only and never falls
            as PO2 rises. With `falls` false only the nodes themselves are known.
        low_share, high_share, calibration_share: weight of every step in the three nodes, (K, A).
        calibration_mv, calibration_rise: output and output per bar of the calibration node.
    """

    cells: IntArray
    low_po2: FloatArray
    low_mv: FloatArray
    high_po2: FloatArray
    high_mv: FloatArray
    line: FloatArray
    falls: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]
    chord: FloatArray
    nearest: FloatArray
    farthest: FloatArray
    low_share: FloatArray
    high_share: FloatArray
    calibration_share: FloatArray
    calibration_mv: FloatArray
    calibration_rise: FloatArray

    @property
    def chord_rise(self) -> FloatArray:
        """Output per bar between the two nodes, (A,)."""
        return (self.high_mv - self.low_mv) / (self.high_po2 - self.low_po2)

    @property
    def opening(self) -> FloatArray:
        """Distance between the bounds, (A,)."""
        return self.farthest - self.nearest

    def sensitivity(
        self, crossing: FloatArray, rise: FloatArray, low_rise: FloatArray, high_rise: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Derivatives of a crossing between the nodes by PO2 and by output of every step, (K, A) each.

        Args:
            crossing: where the interpolated output meets the line.
            rise: its output per bar there.
            low_rise: that of the response at the lower node, which turns errors of PO2 into output.
            high_rise: that at the upper node.
        """
        gap = self.line - rise
        part = (crossing - self.low_po2) / (self.high_po2 - self.low_po2)
        by_low, by_high = (1.0 - part) / gap, part / gap
        by_calibration = -self.line * crossing / (gap * self.calibration_mv)
        by_mv = by_low * self.low_share + by_high * self.high_share + by_calibration * self.calibration_share
        by_po2 = -(
            by_low * low_rise * self.low_share
            + by_high * high_rise * self.high_share
            + by_calibration * self.calibration_rise * self.calibration_share
        )
        return by_po2, by_mv


class Nodes:
    """Means of repeated steps (up and down), with each node's error against the calibration node.

    Attributes:
        count: number of nodes J; not every cell has every node.
        po2, mv, error: NaN where missing, (J, B).
        calibration: the calibration node of each cell, (B,).
        calibrated: whether that node is within 5 % of the calibration point, (B,).
        above: nodes above the calibration node, (J, B).
    """

    def __init__(self, block: CellBlock, calibration_po2_bar: float) -> None:
        """Gather the nodes of a block."""
        k, b = block.k, block.count
        self._block = block
        self.count = int(block.groups.max(initial=0)) + 1
        which = np.arange(self.count)[:, None] == block.groups
        self._member = which[:, :, None] & block.steps_present
        size = self._member.sum(axis=1)
        some, here = np.maximum(size, 1), size > 0
        self.po2 = np.where(here, np.einsum("jkb,kb->jb", self._member, block.po2[:k]) / some, np.nan)
        self.mv = np.where(here, np.einsum("jkb,kb->jb", self._member, block.mv[:k]) / some, np.nan)
        pick = np.arange(b)
        distance = np.where(here, np.abs(self.po2 / calibration_po2_bar - 1.0), np.inf)
        self.calibration = np.argmin(distance, axis=0)
        self.calibrated = distance[self.calibration, pick] < 0.05
        with np.errstate(divide="ignore", invalid="ignore"):
            self.error = np.asarray(
                indication_error(
                    self.po2, self.mv, self.po2[self.calibration, pick], self.mv[self.calibration, pick]
                )
            )
        self.above = here & (np.arange(self.count)[:, None] > self.calibration)
        self._before = _neighbours(here)
        self._after = np.where((after := _neighbours(here[::-1])[::-1]) >= 0, self.count - 1 - after, -1)

    def share(self, node: IntArray, cells: IntArray) -> FloatArray:
        """Weight of every step in the mean of one node a cell, (K, A)."""
        member = self._member[node, :, cells].T
        return np.asarray(member / np.maximum(member.sum(axis=0), 1))

    def u_errors(self, cells: IntArray, excess: FloatArray) -> FloatArray:
        """Standard uncertainty of the error of nodes above the calibration, for a Birge ratio; (J, A).

        Zero for the nodes below, down to nitrogen, where the error of a display has no meaning.
        """
        c = self.calibration[cells]
        member = self._member[:, :, cells]
        here = member / np.maximum(member.sum(axis=1, keepdims=True), 1)
        there = self.share(c, cells)
        po2, mv, error = (
            np.where(self.above[:, cells], x[:, cells], np.nan)[:, None]
            for x in (self.po2, self.mv, self.error)
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            by_mv = (1.0 + error) * (here / mv - there / self.mv[c, cells])
            by_po2 = (1.0 + error) * (there / self.po2[c, cells] - here / po2)
        return self._block.u_of(np.nan_to_num(by_po2), np.nan_to_num(by_mv), cells, excess)

    def bracket(self, cells: IntArray, band: float) -> Bracket:
        """Bracket the crossing of the band's edge, for those of `cells` that have a node outside it."""
        outside = self.above[:, cells] & (np.abs(self.error[:, cells]) > band)
        some = outside.any(axis=0)
        cells = cells[some]
        b = np.argmax(outside[:, some], axis=0)
        a = self._before[b, cells]
        c = self.calibration[cells]
        po2, mv = self.po2, self.mv
        falls = self.error[b, cells] < 0.0
        kappa = np.where(falls, 1.0 - band, 1.0 + band)
        p_c, v_c = po2[c, cells], mv[c, cells]
        line = kappa * v_c / p_c
        p_a, v_a, p_b, v_b = po2[a, cells], mv[a, cells], po2[b, cells], mv[b, cells]
        rise = (v_b - v_a) / (p_b - p_a)
        chord = (v_a - rise * p_a) / (line - rise)
        earlier, later = self._before[a, cells], self._after[b, cells]
        with np.errstate(divide="ignore", invalid="ignore"):
            # After the lower node the output is at most as steep as before it. Before the upper node it is at
            # least as steep as after it; beyond the last step it is only known not to fall.
            rise_left = np.where(
                earlier >= 0, (v_a - mv[earlier, cells]) / (p_a - po2[earlier, cells]), v_a / p_a
            )
            rise_right = np.where(later >= 0, (mv[later, cells] - v_b) / (po2[later, cells] - p_b), 0.0)
            left = np.where(rise_left < line, (v_a - rise_left * p_a) / (line - rise_left), np.inf)
            right = np.where(rise_right < line, (v_b - rise_right * p_b) / (line - rise_right), np.inf)
        farthest = np.clip(np.minimum(left, right), p_a, p_b)
        return Bracket(
            cells=cells,
            low_po2=p_a,
            low_mv=v_a,
            high_po2=p_b,
            high_mv=v_b,
            line=line,
            falls=falls,
            chord=chord,
            # Noise can bend the steps slightly the wrong way; then the two bounds change places.
            nearest=np.where(falls, np.minimum(chord, farthest), p_a),
            farthest=np.where(falls, np.maximum(chord, farthest), p_b),
            low_share=self.share(a, cells),
            high_share=self.share(b, cells),
            calibration_share=self.share(c, cells),
            calibration_mv=v_c,
            calibration_rise=v_c / p_c,
        )


def _neighbours(here: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> IntArray:
    """Nearest earlier node that the cell has, for each node; -1 where there is none, (J, B)."""
    before = np.full(here.shape, -1, dtype=np.int64)
    last = np.full(here.shape[1], -1, dtype=np.int64)
    for j in range(here.shape[0]):
        before[j] = last
        last = np.where(here[j], j, last)
    return before
