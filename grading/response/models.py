"""Three response models of one block of cells: line, fixed and free sharpness, all with one covariance.

Errors of the reference PO2 are carried into the output through the curve's local slope (effective variance),
with the errors common to all steps kept as common.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from grading.fit import BatchFit, SeparableBatch, batch_whiteners
from grading.measurement import FloatArray, IntArray
from grading.response.block import CellBlock
from grading.response.shape import (
    FIXED_SHARPNESS,
    HIGHEST_SHAPE,
    LOWEST_SHAPE,
    STARTING_SHAPES,
    STRAIGHT_STARTS,
    column,
    column_and_slopes,
)

DESCRIBED_PROBABILITY: Final = 1e-3
"""The family does not describe a cell when residuals as large occur less often than this."""

NEARLY_STRAIGHT: Final = 0.01
"""Shortfall below which the sharpness depends on where the fit was started."""

PARAMETERS: Final = np.array([2, 3, 4])


class ThreeFits:
    """Line, fixed and free sharpness of a block.

    Attributes:
        line, fixed, free: the fits.
        usable: whether there are enough data for each model, (3, B).
        spare: degrees of freedom of each, (3, B).
        chi_squared: NaN where not usable, (3, B).
        choice: model of least AICc, as an index, (B,).
        chance: how often residuals as large as those of free sharpness occur if it is right, (B,).
        slope: local slope dV/dp of the rough fit, used for the covariance, (R, B).
        final_slope: the same of the free fit, (R, B).
        w: whitener, (R, R, B).
        batch: the whitened data, for further fits with other constraints.
    """

    def __init__(self, block: CellBlock) -> None:
        """Fit a block."""
        self._block = block
        ones = np.ones_like(block.po2)
        first = self._rough(ones)
        self.slope = (
            np.maximum(first.amplitude, 0.0) * column_and_slopes(first.shape, block.log_ratio, block.po2)[2]
        )
        self.w = batch_whiteners(block.common(self.slope), block.variance(self.slope), block.present)
        self.batch = SeparableBatch(self.w, block.mv, ones)
        free = self.batch.solve(self.moving(), first.shape, LOWEST_SHAPE, HIGHEST_SHAPE)
        log_sharpness = np.full((1, block.count), np.log(FIXED_SHARPNESS))

        def fixed_moving(shape: FloatArray, index: IntArray) -> tuple[FloatArray, FloatArray]:
            both = np.concatenate([shape, log_sharpness[:, index]])
            g, slopes, _ = column_and_slopes(both, block.log_ratio[:, index], block.po2[:, index])
            return g, slopes[:1]

        fixed = self.batch.solve(fixed_moving, free.shape[:1], LOWEST_SHAPE[:1], HIGHEST_SHAPE[:1])
        # The free model contains the fixed one; where its result is worse, it stopped in a side valley.
        worse = np.flatnonzero(free.chi_squared > fixed.chi_squared + 1e-9)
        if worse.size:
            start = np.concatenate([fixed.shape, log_sharpness])[:, worse]
            again = self.batch.subset(worse).solve(self.moving(worse), start, LOWEST_SHAPE, HIGHEST_SHAPE)
            free.put(worse, again)
        self._try_sharper_and_softer(free)
        self.free, self.fixed, self.line = free, fixed, self.batch.linear(block.po2)
        self.final_slope = free.amplitude * column_and_slopes(free.shape, block.log_ratio, block.po2)[2]
        self.spare = block.present.sum(axis=0) - PARAMETERS[:, None]
        self.usable = self.spare >= 0
        chi = np.stack([fit.chi_squared for fit in (self.line, self.fixed, self.free)])
        self.chi_squared = np.where(self.usable, chi, np.nan)
        self.choice = self._choose()
        tested = np.where(self.spare[2] > 0, self.chi_squared[2], 0.0)
        self.chance = chdtrc(np.maximum(self.spare[2], 1), tested)

    def moving(
        self, cells: IntArray | None = None
    ) -> Callable[[FloatArray, IntArray], tuple[FloatArray, FloatArray]]:
        """Return the moving column of free sharpness for `cells`, as `SeparableBatch.solve` wants it."""
        block = self._block

        def moving(shape: FloatArray, index: IntArray) -> tuple[FloatArray, FloatArray]:
            which = index if cells is None else cells[index]
            g, slopes, _ = column_and_slopes(shape, block.log_ratio[:, which], block.po2[:, which])
            return g, slopes

        return moving

    def _rough(self, ones: FloatArray) -> BatchFit:
        """First fit with independent errors only: it gives the local slope for the covariance."""
        block = self._block
        with np.errstate(divide="ignore", invalid="ignore"):
            steepness = np.where(block.po2 > 0.05, np.maximum(block.mv, 0.0) / block.po2, 0.0)
        rough = SeparableBatch(block.present / np.sqrt(block.variance(steepness)), block.mv, ones)
        best = np.full(block.count, np.inf)
        start = np.zeros((2, block.count))
        for shortfall, sharpness in STARTING_SHAPES:
            shape = np.broadcast_to(np.array([[shortfall], [np.log(sharpness)]]), start.shape)
            chi = rough.linear(column(shape, block.log_ratio, block.po2)).chi_squared
            lower = chi < best
            best = np.where(lower, chi, best)
            start = np.where(lower, shape, start)
        return rough.solve(
            self.moving(), start, LOWEST_SHAPE, HIGHEST_SHAPE, tolerance=1e-2, most_iterations=8
        )

    def _try_sharper_and_softer(self, free: BatchFit) -> None:
        """Start nearly straight cells again: a ceiling that only the top step shows is a separate valley."""
        straight = np.flatnonzero(free.shape[0] < NEARLY_STRAIGHT)
        if not straight.size:
            return
        again = self.batch.subset(straight)
        for shortfall, sharpness in STRAIGHT_STARTS:
            start = np.empty((2, straight.size))
            start[0], start[1] = shortfall, np.log(sharpness)
            other = again.solve(
                self.moving(straight), start, LOWEST_SHAPE, HIGHEST_SHAPE, tolerance=1e-5, most_iterations=25
            )
            better = np.flatnonzero(other.chi_squared < free.chi_squared[straight] - 1e-9)
            free.put(straight[better], other.take(better))

    def _choose(self) -> IntArray:
        """Pick the least AICc (Hurvich and Tsai 1989), with chi-squared for -2 ln likelihood.

        With too few steps for AICc of all three, plain AIC, which is exact for known variances.
        """
        parameters = PARAMETERS[:, None]
        enough = self.spare[-1] > 1
        room = np.where(enough, self.spare - 1, 1)
        penalty = np.where(enough, 2.0 * parameters * (parameters + 1) / room, 0.0)
        evidence = np.where(self.usable, self.chi_squared + 2.0 * parameters + penalty, np.inf)
        return np.asarray(np.argmin(evidence, axis=0), dtype=np.int64)

    def chosen(self) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.bool_]]:
        """Return zero, slope, shape (2, B) and converged of the model of least AICc."""
        count = self._block.count
        pick = np.arange(count)
        fits = (self.line, self.fixed, self.free)
        straight = np.stack([np.zeros(count), np.full(count, np.log(FIXED_SHARPNESS))])
        shapes = np.stack([straight, np.stack([self.fixed.shape[0], straight[1]]), self.free.shape])
        return (
            np.stack([fit.fixed for fit in fits])[self.choice, pick],
            np.stack([fit.amplitude for fit in fits])[self.choice, pick],
            shapes[self.choice, :, pick].T,
            np.stack([fit.converged for fit in fits])[self.choice, pick],
        )

    def judge(self) -> tuple[NDArray[np.bool_], FloatArray]:
        """Say whether the family describes each cell, and the Birge ratio of scatter beyond the stated one.

        Where residuals are too large, repeats of equal steps separate scatter (hysteresis, a noisy contact)
        from a shape outside the family: the lack of fit is what the curve leaves beyond the repeats' scatter.
        """
        block, spare, chi = self._block, self.spare[2], self.chi_squared[2]
        described = np.ones(block.count, dtype=bool)
        excess = np.ones(block.count)
        suspect = np.flatnonzero(self.chance < DESCRIBED_PROBABILITY)
        if not suspect.size:
            return described, excess
        pure, pure_dof, groups = self._pure_error(suspect)
        lack = np.maximum(chi[suspect] - pure, 0.0)
        lack_dof = np.maximum(groups - PARAMETERS[2], 0)
        ratio = np.maximum(np.where(pure_dof > 0, pure / np.maximum(pure_dof, 1), 1.0), 1.0)
        odd = (lack_dof > 0) & (chdtrc(np.maximum(lack_dof, 1), lack / ratio) < DESCRIBED_PROBABILITY)
        described[suspect] = ~odd
        overall = chi[suspect] / np.maximum(spare[suspect], 1)
        excess[suspect] = np.sqrt(np.maximum(np.where(odd, ratio, overall), 1.0))
        return described, excess

    def _pure_error(self, cells: IntArray) -> tuple[FloatArray, IntArray, IntArray]:
        """Chi-squared of repeats about their own means, its degrees of freedom, and the number of groups."""
        block = self._block
        present = block.present[:, cells]
        # The zero datum is a group of its own.
        group = np.append(block.groups, block.groups.max(initial=-1) + 1)
        total = int(group.max()) + 1
        member = (np.arange(total)[:, None] == group)[:, :, None] & present
        size = member.sum(axis=1)
        po2, slope = block.po2[:, cells], self.slope[:, cells]
        mean_po2 = np.einsum("jrb,rb->jb", member, po2) / np.maximum(size, 1)
        y = block.mv[:, cells] - np.where(present, slope * (po2 - mean_po2[group]), 0.0)
        w = self.w[..., cells]
        design = np.einsum("irb,jrb->bij", w, member)
        target = np.einsum("irb,rb->bi", w, y)
        normal = np.einsum("bij,bik->bjk", design, design)
        diagonal = np.arange(total)
        normal[:, diagonal, diagonal] += (size == 0).T
        right = np.einsum("bij,bi->bj", design, target)
        residual = target - np.einsum("bij,bj->bi", design, np.linalg.solve(normal, right[..., None])[..., 0])
        groups = (size > 0).sum(axis=0)
        return np.einsum("bi,bi->b", residual, residual), present.sum(axis=0) - groups, groups

    @cached_property
    def free_covariance(self) -> tuple[FloatArray, FloatArray]:
        """`covariance` of free sharpness."""
        return self.covariance(self.free.shape, self.free.amplitude, np.full(self._block.count, 2))

    def stretched(self, covariance: FloatArray, influence: FloatArray, excess: FloatArray) -> FloatArray:
        """Covariance of the parameters for a Birge ratio, (B, 4, 4); common errors are not stretched.

        Args:
            covariance: as `covariance` returns it.
            influence: likewise.
            excess: Birge ratio, (B,).
        """
        more = self._block.variance(self.slope) * (excess**2 - 1.0)
        added = np.einsum("bpr,rb,bqr->bpq", influence, more * self._block.present, influence)
        return np.asarray(covariance + added)

    def covariance(
        self, shape: FloatArray, amplitude: FloatArray, choice: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance of (zero, slope, m, ln n) and its source.

        Args:
            shape: (2, B).
            amplitude: slope of the line, (B,).
            choice: model index, (B,): parameters that the model fixes get no variance.

        Returns:
            Covariance (B, 4, 4), and the derivatives of the parameters by the data, (B, 4, R).
        """
        block = self._block
        g, slopes, _ = column_and_slopes(shape, block.log_ratio, block.po2)
        falling_short = (choice > 0) & (shape[0] > 1e-9)
        bending = falling_short & (choice > 1) & (shape[1] > LOWEST_SHAPE[1]) & (shape[1] < HIGHEST_SHAPE[1])
        by_shortfall = np.where(falling_short, amplitude * slopes[0], 0.0)
        by_sharpness = np.where(bending, amplitude * slopes[1], 0.0)
        white = np.einsum("ijb,pjb->bpi", self.w, np.stack([np.ones_like(g), g, by_shortfall, by_sharpness]))
        scale = np.sqrt(np.einsum("bpi,bpi->bp", white, white))
        free = scale > 0.0
        factor = np.where(free, 1.0 / np.where(free, scale, 1.0), 0.0)
        white *= factor[..., None]
        normal = np.einsum("bpi,bqi->bpq", white, white)
        diagonal = np.arange(PARAMETERS[2])
        # The ridge only keeps a direction without information finite: its variance becomes very large.
        normal[:, diagonal, diagonal] += np.where(free, 1e-13, 1.0)
        inverse = np.linalg.inv(normal)
        covariance = inverse * factor[:, :, None] * factor[:, None, :]
        influence = factor[..., None] * np.einsum("bpq,bqi->bpi", inverse, white)
        return covariance, np.einsum("bpi,ijb->bpj", influence, self.w)
