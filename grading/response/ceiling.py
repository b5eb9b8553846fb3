"""The ceiling of a cell: a number with its interval where the data determine it, else a lower bound."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from grading.measurement import FloatArray, IntArray
from grading.response.block import CellBlock
from grading.response.linear_to import ONE_SIDED
from grading.response.models import ThreeFits
from grading.response.shape import (
    HIGHEST_SHAPE,
    LOWEST_SHAPE,
    column_at_knee,
    knee_bar,
    log_knee_slopes,
    log_ratio,
)
from grading.uncertainty import coverage_factor

_FARTHEST: Final = 25.0
"""A knee at this many times the tested range counts as none."""
_STEPS: Final = 10


class Ceiling:
    """Ceilings of a block by profile likelihood of the knee L / S; NaN where there is no result.

    Attributes:
        value_mv, lower_mv, upper_mv: L and its 95 % interval, where the data bound it on both sides, (B,).
        above_bar: where they do not: the ceiling lies above what the line gives at this PO2 (one-sided 95 %),
            (B,).
    """

    def __init__(
        self,
        block: CellBlock,
        fits: ThreeFits,
        solvable: NDArray[np.bool_],
        slope_mv_per_bar: FloatArray,
        excess: FloatArray,
    ) -> None:
        """Solve the cells `solvable` of a block; `slope_mv_per_bar` is that of the chosen model, (B,)."""
        b = block.count
        self._block, self._fits = block, fits
        self.value_mv, self.lower_mv, self.upper_mv, self.above_bar = (np.full(b, np.nan) for _ in range(4))
        cells = np.flatnonzero(solvable)
        if not cells.size:
            return
        top, slope = block.top[cells], fits.free.amplitude[cells]
        knee = knee_bar(fits.free.shape[:, cells], top)
        bent = (fits.choice[cells] > 0) & (knee < 0.8 * _FARTHEST * top)
        inside = np.where(bent, knee, 3.0 * top)
        squared = excess[cells] ** 2
        two_sided = float(coverage_factor(np.inf)) ** 2 * squared
        high = np.full(cells.size, np.inf)
        which = np.flatnonzero(bent)
        if which.size:
            high[which] = self._limit(cells[which], inside[which], _FARTHEST * top[which], two_sided[which])
        bounded = bent & np.isfinite(high)
        # No output is above the ceiling, so the knee cannot lie below the output at the top.
        lowest = np.minimum(top * np.exp(-fits.free.shape[0, cells]), 0.98 * inside)
        low = self._limit(cells, inside, lowest, np.where(bounded, two_sided, ONE_SIDED**2 * squared))
        some, value = cells[bounded], (slope * knee)[bounded]
        stretch = self._stretch(some)
        self.value_mv[some] = value
        self.lower_mv[some] = value - (value - (slope * low)[bounded]) * stretch
        self.upper_mv[some] = value + ((slope * high)[bounded] - value) * stretch
        self.above_bar[cells] = np.where(bounded, np.nan, slope * low / slope_mv_per_bar[cells])

    def _stretch(self, cells: IntArray) -> FloatArray:
        """Relative uncertainty of L = S * knee over that of the knee alone, (A,), to first order."""
        free = self._fits.free
        covariance = self._fits.free_covariance[0][cells]
        knee = np.zeros((cells.size, 4))
        knee[:, 2:] = log_knee_slopes(free.shape[:, cells]).T
        ceiling = knee.copy()
        ceiling[:, 1] = 1.0 / free.amplitude[cells]
        of_knee, of_ceiling = (np.einsum("bp,bpq,bq->b", d, covariance, d) for d in (knee, ceiling))
        return np.asarray(np.sqrt(of_ceiling / np.maximum(of_knee, 1e-300)))

    def _limit(
        self, cells: IntArray, inside: FloatArray, outside: FloatArray, wanted: FloatArray
    ) -> FloatArray:
        """Knee at which chi-squared has risen by `wanted`, (A,).

        Args:
            cells: which cells, (A,).
            inside: a knee that fits.
            outside: a knee that may not fit. Where it fits too, the result is infinite when `outside` is the
                higher one, and `outside` itself when it is the lower one.
            wanted: rise of chi-squared.
        """
        near, far = np.log(inside), np.log(outside)
        rise = self._rise(cells)
        far_value = rise(outside) - wanted
        open_ended = far_value <= 0.0
        near_root, far_root = -np.sqrt(wanted), np.sqrt(np.maximum(far_value, 0.0))
        for step in range(_STEPS):
            # Halving and false position (Illinois) alternate: the rise is flat and then steep where a line
            # meets a hard ceiling, and nearly straight elsewhere.
            part = np.full(cells.size, 0.5)
            if step % 2 or step > 5:
                part = np.clip(-near_root / np.maximum(far_root - near_root, 1e-12), 0.03, 0.97)
            middle = near + part * (far - near)
            value = rise(np.exp(middle)) - wanted
            root = np.sign(value) * np.sqrt(np.abs(value))
            fits = value <= 0.0
            near_root, far_root = np.where(fits, root, 0.5 * near_root), np.where(fits, 0.5 * far_root, root)
            near, far = np.where(fits, middle, near), np.where(fits, far, middle)
        limit = np.exp(
            near + np.clip(-near_root / np.maximum(far_root - near_root, 1e-12), 0.0, 1.0) * (far - near)
        )
        return np.where(open_ended, np.where(outside > inside, np.inf, outside), limit)

    def _rise(self, cells: IntArray) -> Callable[[FloatArray], FloatArray]:
        """Rise of chi-squared with the knee held, sharpness and the rest free, as a function of the knee."""
        po2, free = self._block.po2[:, cells], self._fits.free
        part = self._fits.batch.subset(cells)
        # Every search starts from the sharpness at which the one before ended.
        start = np.maximum(free.shape[1:, cells], np.log(4.0))

        def rise(knee: FloatArray) -> FloatArray:
            nonlocal start
            ratio = log_ratio(po2, knee)

            def moving(shape: FloatArray, index: IntArray) -> tuple[FloatArray, FloatArray]:
                g, slope = column_at_knee(shape[0], ratio[:, index], po2[:, index])
                return g, slope[None]

            found = part.solve(
                moving, start, LOWEST_SHAPE[1:], HIGHEST_SHAPE[1:], tolerance=1e-3, most_iterations=20
            )
            start = found.shape
            return np.maximum(found.chi_squared - free.chi_squared[cells], 0.0)

        return rise
