"""The response curve of a cell: a line that its own ceiling bends, and how far it stays on the line.

V(p) = z + ((S p)^-n + L^-n)^(-1/n): diffusion (slope S) and the cell's ceiling L blended with sharpness n;
n = 1 is the Koutecky-Levich form, large n a hard ceiling. The fit works on the *sag* instead of the ceiling:
with p_t the highest tested PO2 and V(p_t) - z = S p_t exp(-m), the ceiling is (S p_t) (exp(n m) - 1)^(-1/n).
A line is m = 0, an ordinary point of this form, where every other choice of parameters is singular.

Errors of the reference PO2 are carried into the output through the curve's local slope (effective variance),
with everything that steps share kept as common. One cell and ten thousand take the same path, in blocks.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from grading.fit import BatchFit, SeparableBatch, batch_whiteners
from grading.measurement import FloatArray, IntArray
from grading.results import ResponseCurve
from grading.uncertainty import StepErrors, coverage_factor

LINEAR: Final = "linear"
FIXED: Final = "fixed sharpness"
FREE: Final = "free sharpness"
MODELS: Final = (LINEAR, FIXED, FREE)

FIXED_SHARPNESS: Final = 4.0
HIGHEST_SHARPNESS: Final = 400.0
LINEAR_TO_ERROR: Final = 0.05
"""Indication error that ends the line."""
ZERO_PRIOR_MV: Final = 0.5
"""Standard uncertainty of a cell's output without oxygen, used only for cells that were not measured below
`ZERO_PRIOR_BELOW_BAR`. Common practice, no source: a healthy cell gives 0 to 0.3 mV."""
ZERO_PRIOR_BELOW_BAR: Final = 0.5
DESCRIBED_PROBABILITY: Final = 1e-3
"""The family is said not to describe a cell when residuals like these would come up less often."""
ONE_SIDED: Final = 2.7055434540954146
"""Chi-squared, one degree of freedom, of a one-sided 95 % limit."""

_BLOCK: Final = 1000
_LOG_FLOOR: Final = -60.0
_LOWER: Final = np.array([0.0, 0.0])
_UPPER: Final = np.array([3.0, float(np.log(HIGHEST_SHARPNESS))])
_STARTS: Final = ((0.01, 2.0), (0.05, 2.0), (0.05, 8.0), (0.2, 2.0), (0.2, 5.0), (0.25, 25.0), (0.6, 3.0))
_LARGE: Final = 600.0
_BIG: Final = 36.0


def _column(shape: FloatArray, log_ratio: FloatArray, po2: FloatArray) -> FloatArray:
    """g(p) with V = z + S g, for shape = (m, ln n), each (B,); log_ratio = ln(p / p_t), (R, B)."""
    m, n = shape[0], np.exp(shape[1])
    power = np.exp(n * log_ratio)
    y = power * np.expm1(np.minimum(n * m, _LARGE))
    return np.asarray(po2 * np.exp(-_softplus(y, n * (m + log_ratio)) / n))


def _softplus(y: FloatArray, exponent: FloatArray) -> FloatArray:
    """ln(1 + y), taken from the exponent where y = exp(exponent) is too large to be told from 1 + y."""
    return np.where(exponent > _BIG, exponent, np.log1p(np.minimum(y, 1e17)))


def _column_and_slopes(
    shape: FloatArray, log_ratio: FloatArray, po2: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """g(p), its derivatives by (m, ln n), shape (2, R, B), and its derivative by p."""
    m, n = shape[0], np.exp(shape[1])
    power = np.exp(n * log_ratio)
    y = power * np.expm1(np.minimum(n * m, _LARGE))
    logarithm = _softplus(y, n * (m + log_ratio)) / n
    relative = np.exp(-logarithm)
    g = po2 * relative
    below = 1.0 / (1.0 + y)
    slopes = np.empty((2, *g.shape))
    # With a = exp(n m) - 1 and y = a (p/p_t)^n, (p/p_t)^n (1 + a) is y + (p/p_t)^n.
    by_sag = (y + power) * below
    slopes[0] = -g * by_sag
    slopes[1] = g * (logarithm - m * by_sag - y * below * log_ratio)
    return g, slopes, relative * below


@dataclass(frozen=True, slots=True)
class ResponseFits:
    """Response curves of N cells. NaN where a number cannot be had; `reason` says why.

    Attributes:
        model: chosen by AICc: "linear", "fixed sharpness", "free sharpness", or "" where none was fitted.
        zero_mv, slope_mv_per_bar, sag, sharpness: of the chosen model, shape (N,). `sag` is m: the output at
            the highest tested PO2 is exp(-m) of the straight line's. `sharpness` is NaN for a line.
        top_po2_bar: highest tested PO2, shape (N,).
        covariance: of (zero, slope, sag, ln sharpness), shape (N, 4, 4); zero for what the model holds.
        chi_squared: of the three models in the order of `MODELS`, shape (N, 3); NaN for too few steps.
        degrees_of_freedom: shape (N, 3).
        converged: shape (N,).
        described: whether the family describes the steps: if not, the shape is another, shape (N,).
        excess: Birge ratio by which the scatter between steps exceeds what was stated; 1 when it does not.
        linear_to_bar: highest PO2 with |indication error| <= 5 %, within the tested range; else NaN.
        u_linear_to_bar: standard uncertainty.
        linear_to_lower_bar, linear_to_upper_bar: 95 % interval, by profile likelihood for "curve".
        linear_to_dof: effective degrees of freedom.
        linear_to_at_least_bar: right-censored result, one-sided 95 %; NaN when `linear_to_bar` is given.
        linear_to_method: "curve", "measured errors" (the family does not describe this cell, or there are too
            few steps for it: interpolated between directly measured errors), or "".
        linear_to_sensitivity: by (PO2, output) of every step, shape (N, 2K).
        u_interpolation_bar: standard uncertainty of that interpolation; zero for "curve".
        u_zero_prior_bar: part of `u_linear_to_bar` that comes from assuming the output without oxygen.
        ceiling_mv: L; NaN when the data cannot tell it from a line.
        ceiling_lower_mv, ceiling_upper_mv: 95 % interval; upper may be infinite.
        ceiling_above_bar: the ceiling lies above S times this PO2 (one-sided 95 %), shape (N,).
        reason: one sentence a cell, empty when all is well.
    """

    model: tuple[str, ...]
    zero_mv: FloatArray
    slope_mv_per_bar: FloatArray
    sag: FloatArray
    sharpness: FloatArray
    top_po2_bar: FloatArray
    covariance: FloatArray
    chi_squared: FloatArray
    degrees_of_freedom: IntArray
    converged: NDArray[np.bool_]
    described: NDArray[np.bool_]
    excess: FloatArray
    linear_to_bar: FloatArray
    u_linear_to_bar: FloatArray
    linear_to_lower_bar: FloatArray
    linear_to_upper_bar: FloatArray
    linear_to_dof: FloatArray
    linear_to_at_least_bar: FloatArray
    linear_to_method: tuple[str, ...]
    linear_to_sensitivity: FloatArray
    u_interpolation_bar: FloatArray
    u_zero_prior_bar: FloatArray
    ceiling_mv: FloatArray
    ceiling_lower_mv: FloatArray
    ceiling_upper_mv: FloatArray
    ceiling_above_bar: FloatArray
    reason: tuple[str, ...]

    def output_mv(self, cell: int, po2_bar: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fitted output and its standard uncertainty at any PO2, both of the shape of `po2_bar`, (G,)."""
        sharpness = self.sharpness[cell] if np.isfinite(self.sharpness[cell]) else FIXED_SHARPNESS
        shape = np.array([[self.sag[cell]], [np.log(sharpness)]])
        p = np.asarray(po2_bar, dtype=np.float64)[:, None]
        g, slopes, _ = _column_and_slopes(shape, _log_ratio(p, self.top_po2_bar[cell : cell + 1]), p)
        s = self.slope_mv_per_bar[cell]
        jacobian = np.stack([np.ones(p.size), g[:, 0], s * slopes[0, :, 0], s * slopes[1, :, 0]], axis=1)
        variance = np.einsum("gi,ij,gj->g", jacobian, self.covariance[cell], jacobian)
        return self.zero_mv[cell] + s * g[:, 0], np.sqrt(np.maximum(variance, 0.0)) * self.excess[cell]

    def curve(self, cell: int, points: int = 120, highest_bar: float | None = None) -> ResponseCurve | None:
        """Return the chosen curve with its 95 % band on a grid from zero; None without a fit."""
        if not self.model[cell]:
            return None
        top = self.top_po2_bar[cell] if highest_bar is None else highest_bar
        grid = np.linspace(0.0, top, points)
        output, u = self.output_mv(cell, grid)
        k = float(coverage_factor(np.inf))
        ceiling = float(self.ceiling_mv[cell])
        sharpness = float(self.sharpness[cell])
        return ResponseCurve(
            model=self.model[cell],
            zero_mv=float(self.zero_mv[cell]),
            slope_mv_per_bar=float(self.slope_mv_per_bar[cell]),
            ceiling_mv=ceiling if np.isfinite(ceiling) else None,
            sharpness=sharpness if np.isfinite(sharpness) else None,
            po2_bar=tuple(grid.tolist()),
            output_mv=tuple(output.tolist()),
            lower_mv=tuple((output - k * u).tolist()),
            upper_mv=tuple((output + k * u).tolist()),
        )

    def statement(self, cell: int) -> str:
        """Return one plain sentence on the ceiling: a number with its interval, or what the data exclude."""
        if not self.model[cell]:
            return self.reason[cell]
        if np.isfinite(self.ceiling_mv[cell]):
            lower, upper = self.ceiling_lower_mv[cell], self.ceiling_upper_mv[cell]
            high = f"{upper:.1f} mV" if np.isfinite(upper) else "no upper bound from these steps"
            return f"ceiling {self.ceiling_mv[cell]:.1f} mV (95 %: {lower:.1f} mV to {high})"
        if np.isfinite(self.ceiling_above_bar[cell]):
            least = self.ceiling_above_bar[cell]
            return f"no ceiling seen: if there is one, it lies above PO2 {least:.2f} bar (95 %)"
        return "these steps say nothing of a ceiling"


def _log_ratio(po2: FloatArray, top: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.maximum(np.log(np.maximum(po2, 0.0) / top), _LOG_FLOOR)


def fit_responses(
    errors: StepErrors,
    calibration_po2_bar: float,
    nominal_po2_bar: FloatArray | None = None,
    *,
    intervals: bool = True,
    workers: int = 2,
) -> ResponseFits:
    """Fit the response of N cells and find how far each stays linear.

    Args:
        errors: PO2 and output of every step with their covariance, from `uncertainty.step_errors`. Steps that
            a cell does not have are NaN.
        calibration_po2_bar: where a handset would be calibrated.
        nominal_po2_bar: nominal PO2 of the steps, shape (K,), NaN where there is none; steps of equal nominal
            value are repeats (up and down). Left out, steps are paired by their PO2.
        intervals: also find the profile-likelihood intervals and the ceiling's limits.
        workers: threads; blocks of a thousand cells are independent, so the answer does not depend on it.

    Returns:
        Arrays over cells.
    """
    n = errors.po2_bar.shape[0]
    repeats = _repeats(errors.po2_bar, nominal_po2_bar)
    starts = range(0, n, _BLOCK)

    def block(start: int) -> dict[str, Any]:
        rows = slice(start, min(start + _BLOCK, n))
        return _Block(errors, rows, calibration_po2_bar, repeats, nominal_po2_bar).run(intervals)

    if n > _BLOCK and workers > 1:
        with ThreadPoolExecutor(max_workers=workers) as pool:
            parts = list(pool.map(block, starts))
    else:
        parts = [block(start) for start in starts]
    if not parts:
        parts = [_Block(errors, slice(0, 0), calibration_po2_bar, repeats, nominal_po2_bar).run(False)]
    merged: dict[str, Any] = {}
    for key, first in parts[0].items():
        if isinstance(first, list):
            merged[key] = tuple(item for part in parts for item in part[key])
        else:
            merged[key] = np.concatenate([part[key] for part in parts], axis=0)
    return ResponseFits(**merged)


def _repeats(po2: FloatArray, nominal: FloatArray | None) -> IntArray:
    """Group the steps that repeat each other: group number of each step, shape (K,), in order of PO2."""
    k = po2.shape[1]
    present = np.isfinite(po2)
    count = np.maximum(present.sum(axis=0), 1)
    typical = np.where(present, po2, 0.0).sum(axis=0) / count
    if nominal is not None:
        typical = np.where(np.isfinite(nominal), nominal, typical)
    order = np.argsort(typical, kind="stable")
    group = np.zeros(k, dtype=np.int64)
    current = 0
    for before, after in itertools.pairwise(order):
        # Repeats of a step differ by a few per cent at most; neighbouring steps by more.
        if typical[after] > typical[before] * 1.03 + 0.002:
            current += 1
        group[after] = current
    return group


class _Block:
    """Up to a thousand cells, with the cells in the last axis. One extra datum holds the zero prior."""

    def __init__(
        self,
        errors: StepErrors,
        rows: slice,
        calibration_po2_bar: float,
        repeats: IntArray,
        nominal: FloatArray | None,
    ) -> None:
        po2 = errors.po2_bar[rows].T
        mv = errors.output_mv[rows].T
        self.k, self.count = po2.shape
        self.calibration = calibration_po2_bar
        self.repeats = repeats
        present = np.isfinite(po2) & np.isfinite(mv)
        self.steps_present = present
        pad = ((0, 1), (0, 0))
        self.po2 = np.pad(np.where(present, po2, 0.0), pad)
        self.mv = np.pad(np.where(present, mv, 0.0), pad)
        needs_prior = ~np.any(present & (self.po2[:-1] < ZERO_PRIOR_BELOW_BAR), axis=0)
        self.present = np.concatenate([present, needs_prior[None]], axis=0)
        self.top = np.maximum(self.po2.max(axis=0), 1e-3)
        self.log_ratio = _log_ratio(self.po2, self.top)
        common = np.transpose(errors.common[rows], (1, 2, 0))
        independent = np.transpose(errors.independent[rows], (1, 2, 0))
        wide = ((0, 0), (0, 1), (0, 0))
        k = self.k
        self.common_po2 = np.pad(common[:, :k], wide)
        self.common_mv = np.pad(common[:, k:], wide)
        self.independent_po2 = np.pad(independent[:, :k], wide)
        self.independent_mv = np.pad(independent[:, k:], wide)
        self.common_dof = errors.common_dof
        self.independent_dof = np.transpose(errors.independent_dof[rows], (1, 2, 0))
        nominal_top = np.zeros(self.count)
        if nominal is not None:
            nominal_top = np.where(present & np.isfinite(nominal)[:, None], nominal[:, None], 0.0).max(
                axis=0, initial=0.0
            )
        # A step set to 2.0 that came out at 1.998 was a test at 2.0.
        near = (nominal_top > self.top) & (nominal_top < 1.02 * self.top)
        self.tested_to = np.where(near, nominal_top, self.top)

    def variance(self, slope: FloatArray) -> FloatArray:
        """Independent variance of the output with PO2 errors carried through the local slope, (R, B)."""
        variance = np.sum((self.independent_mv - slope * self.independent_po2) ** 2, axis=0)
        variance[-1] = ZERO_PRIOR_MV**2
        # One nanovolt of floor keeps a table of perfect numbers from dividing by zero.
        return np.asarray(variance + 1e-12)

    def run(self, intervals: bool) -> dict[str, Any]:
        """Fit and collect the fields of `ResponseFits`."""
        data = self.present.sum(axis=0)
        free, fixed, line = self._fit_three()
        chi = np.stack([line.chi_squared, fixed.chi_squared, free.chi_squared], axis=1)
        parameters = np.array([2, 3, 4])
        spare = data[:, None] - parameters
        usable = spare >= 0
        chi = np.where(usable, chi, np.nan)
        with np.errstate(divide="ignore", invalid="ignore"):
            evidence = chi + 2 * parameters + 2 * parameters * (parameters + 1) / (spare - 1)
        evidence = np.where(spare > 1, evidence, np.inf)
        # Too few steps for the evidence: the straight line alone.
        evidence[:, 0] = np.where(np.isfinite(evidence[:, 0]), evidence[:, 0], 0.0)
        choice = np.argmin(evidence, axis=1)
        fitted = usable[:, 0] & (line.amplitude > 0.0) & np.isfinite(line.chi_squared)
        self.choice = choice
        self.fitted = fitted
        self.free_usable = fitted & usable[:, 2] & (free.amplitude > 0.0)
        self.free_fit = free
        sags = np.stack([np.zeros(self.count), fixed.shape[0], free.shape[0]])
        logs = np.stack([np.full(self.count, np.log(FIXED_SHARPNESS))] * 2 + [free.shape[1]])
        pick = np.arange(self.count)
        amplitude = np.stack([line.amplitude, fixed.amplitude, free.amplitude])[choice, pick]
        zero = np.stack([line.fixed, fixed.fixed, free.fixed])[choice, pick]
        shape = np.stack([sags[choice, pick], logs[choice, pick]])
        converged = np.stack([line.converged, fixed.converged, free.converged])[choice, pick]
        self.described, self.excess = self._judge(chi[:, 2], spare[:, 2])
        out: dict[str, Any] = {
            "model": [MODELS[c] if f else "" for c, f in zip(choice, fitted, strict=True)],
            "zero_mv": np.where(fitted, zero, np.nan),
            "slope_mv_per_bar": np.where(fitted, amplitude, np.nan),
            "sag": np.where(fitted, shape[0], np.nan),
            "sharpness": np.where(fitted & (choice > 0), np.exp(shape[1]), np.nan),
            "top_po2_bar": np.where(fitted, self.top, np.nan),
            "covariance": self._covariance(shape, amplitude, choice)[0],
            "chi_squared": chi,
            "degrees_of_freedom": np.maximum(spare, 0),
            "converged": converged & fitted,
            "described": self.described & fitted,
            "excess": self.excess,
        }
        out |= self._linear_to(intervals)
        out |= self._ceiling(shape, amplitude, intervals)
        return out

    def _moving(self, cells: NDArray[np.int64] | None = None) -> Callable[..., tuple[FloatArray, FloatArray]]:
        """The column g of free sharpness for the given cells, as `SeparableBatch.solve` wants it."""

        def moving(shape: FloatArray, index: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
            which = index if cells is None else cells[index]
            g, slopes, _ = _column_and_slopes(shape, self.log_ratio[:, which], self.po2[:, which])
            return g, slopes

        return moving

    def _fit_three(self) -> tuple[BatchFit, BatchFit, BatchFit]:
        """Free sharpness, fixed sharpness and line, all with the same covariance so that they compare."""
        ones = np.ones_like(self.po2)
        # A first, rough fit with independent errors only gives the local slope for the covariance.
        with np.errstate(divide="ignore", invalid="ignore"):
            steepness = np.where(self.po2 > 0.05, np.maximum(self.mv, 0.0) / self.po2, 0.0)
        rough_w = self.present / np.sqrt(self.variance(steepness))
        rough = SeparableBatch(rough_w, self.mv, ones)
        best = np.full(self.count, np.inf)
        start = np.zeros((2, self.count))
        for sag, sharpness in _STARTS:
            shape = np.broadcast_to(np.array([[sag], [np.log(sharpness)]]), (2, self.count))
            chi = rough.linear(_column(shape, self.log_ratio, self.po2)).chi_squared
            lower = chi < best
            best = np.where(lower, chi, best)
            start = np.where(lower, shape, start)
        first = rough.solve(self._moving(), start, _LOWER, _UPPER, tolerance=1e-3, most_iterations=25)
        _, _, rise = _column_and_slopes(first.shape, self.log_ratio, self.po2)
        self.slope = np.maximum(first.amplitude, 0.0) * rise
        common = self.common_mv - self.slope * self.common_po2
        self.w = batch_whiteners(common, self.variance(self.slope), self.present)
        self.batch = SeparableBatch(self.w, self.mv, ones)
        free = self.batch.solve(self._moving(), first.shape, _LOWER, _UPPER)
        logarithm = np.full((1, self.count), np.log(FIXED_SHARPNESS))

        def fixed_moving(shape: FloatArray, index: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
            both = np.concatenate([shape, logarithm[:, index]], axis=0)
            g, slopes, _ = _column_and_slopes(both, self.log_ratio[:, index], self.po2[:, index])
            return g, slopes[:1]

        fixed = self.batch.solve(fixed_moving, free.shape[:1], _LOWER[:1], _UPPER[:1])
        # The free model contains the fixed one; where it came out worse it had stopped in a side valley.
        worse = np.flatnonzero(free.chi_squared > fixed.chi_squared + 1e-9)
        if worse.size:
            again = self.batch.subset(worse).solve(
                self._moving(worse), np.concatenate([fixed.shape, logarithm])[:, worse], _LOWER, _UPPER
            )
            free.shape[:, worse] = again.shape
            free.amplitude[worse] = again.amplitude
            free.fixed[worse] = again.fixed
            free.chi_squared[worse] = again.chi_squared
            free.converged[worse] = again.converged
        return free, fixed, self.batch.linear(self.po2)

    def _judge(self, chi_free: FloatArray, spare: IntArray) -> tuple[NDArray[np.bool_], FloatArray]:
        """Does the family describe the cell, and by how much do repeats scatter more than stated."""
        with np.errstate(invalid="ignore"):
            chance = chdtrc(np.maximum(spare, 1), chi_free)
        suspect = np.flatnonzero((spare > 0) & (chance < DESCRIBED_PROBABILITY))
        described = np.ones(self.count, dtype=bool)
        excess = np.ones(self.count)
        if not suspect.size:
            return described, excess
        pure, pure_dof, groups = self._pure_error(suspect)
        lack = np.maximum(chi_free[suspect] - pure, 0.0)
        lack_dof = np.maximum(groups - 4, 0)
        lacking = chdtrc(np.maximum(lack_dof, 1), lack) < DESCRIBED_PROBABILITY
        # Lack of fit counts against the scatter of the repeats, where there are repeats.
        ratio = np.where(pure_dof > 0, pure / np.maximum(pure_dof, 1), 1.0)
        stretched = chdtrc(np.maximum(lack_dof, 1), lack / np.maximum(ratio, 1.0)) < DESCRIBED_PROBABILITY
        described[suspect] = ~(lacking & stretched & (lack_dof > 0))
        scatter = np.where(
            described[suspect], chi_free[suspect] / np.maximum(spare[suspect], 1), np.maximum(ratio, 1.0)
        )
        excess[suspect] = np.sqrt(np.maximum(scatter, 1.0))
        return described, excess

    def _pure_error(self, cells: NDArray[np.int64]) -> tuple[FloatArray, IntArray, IntArray]:
        """Chi-squared of repeats about their own means, its degrees of freedom, and the number of groups."""
        present = self.present[:, cells]
        group = np.append(self.repeats, self.repeats.max(initial=-1) + 1)
        total = int(group.max()) + 1
        member = np.stack([(group == j)[:, None] & present for j in range(total)])
        size = member.sum(axis=1)
        mean_po2 = np.einsum("jrb,rb->jb", member, self.po2[:, cells]) / np.maximum(size, 1)
        y = self.mv[:, cells].copy()
        for j in range(total):
            y -= np.where(member[j], self.slope[:, cells] * (self.po2[:, cells] - mean_po2[j]), 0.0)
        w = self.w[..., cells]
        design = np.einsum("irb,jrb->bij", w, member)
        target = np.einsum("irb,rb->bi", w, y)
        normal = np.einsum("bij,bik->bjk", design, design)
        right = np.einsum("bij,bi->bj", design, target)
        empty = (size == 0).T
        diagonal = np.arange(total)
        normal[:, diagonal, diagonal] += empty
        solved = np.linalg.solve(normal, right[..., None])[..., 0]
        residual = target - np.einsum("bij,bj->bi", design, solved)
        groups = (size > 0).sum(axis=0)
        dof = present.sum(axis=0) - groups
        return np.einsum("bi,bi->b", residual, residual), dof, groups

    def _covariance(
        self, shape: FloatArray, amplitude: FloatArray, choice: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """Covariance of (zero, slope, m, ln n), (B, 4, 4), and how each follows the data, (B, 4, R)."""
        g, slopes, _ = _column_and_slopes(shape, self.log_ratio, self.po2)
        sagging = (choice > 0) & (shape[0] > 1e-9)
        bending = sagging & (choice > 1) & (shape[1] > _LOWER[1]) & (shape[1] < _UPPER[1])
        columns = np.stack(
            [
                np.ones_like(g),
                g,
                np.where(sagging, amplitude * slopes[0], 0.0),
                np.where(bending, amplitude * slopes[1], 0.0),
            ]
        )
        white = np.einsum("ijb,pjb->bpi", self.w, columns)
        scale = np.sqrt(np.einsum("bpi,bpi->bp", white, white))
        free = scale > 0.0
        white /= np.where(free, scale, 1.0)[..., None]
        normal = np.einsum("bpi,bqi->bpq", white, white)
        diagonal = np.arange(4)
        # The ridge only keeps a direction without information finite: its variance comes out enormous.
        normal[:, diagonal, diagonal] += np.where(free, 1e-13, 1.0)
        inverse = np.linalg.inv(normal)
        factor = np.where(free, 1.0 / np.where(free, scale, 1.0), 0.0)
        covariance = inverse * factor[:, :, None] * factor[:, None, :]
        influence = factor[..., None] * np.einsum("bpq,bqi->bpi", inverse, white)
        return covariance, np.einsum("bpi,ijb->bpj", influence, self.w)

    def _spread(
        self, by_po2: FloatArray, by_mv: FloatArray, cells: NDArray[np.int64]
    ) -> tuple[FloatArray, FloatArray]:
        """Standard uncertainty and effective degrees of freedom of a quantity, both (A,).

        Args:
            by_po2: sensitivity to the PO2 of every step, (K, A).
            by_mv: sensitivity to the output of every step, (K, A).
            cells: which cells, (A,).
        """
        k = self.k
        common = np.einsum("kb,ckb->cb", by_po2, self.common_po2[:, :k, cells])
        common += np.einsum("kb,ckb->cb", by_mv, self.common_mv[:, :k, cells])
        squares = common**2
        variance = squares.sum(axis=0)
        quartic = np.sum(squares**2 / self.common_dof[:, None], axis=0)
        dof = self.independent_dof[..., cells]
        for part, where in (
            (by_po2 * self.independent_po2[:, :k, cells], slice(None, k)),
            (by_mv * self.independent_mv[:, :k, cells], slice(k, None)),
        ):
            squares = part**2
            variance += squares.sum(axis=(0, 1))
            quartic += np.sum(squares**2 / dof[:, where], axis=(0, 1))
        with np.errstate(divide="ignore", invalid="ignore"):
            effective = np.where(quartic > 0.0, variance**2 / quartic, np.inf)
        return np.sqrt(variance), effective

    # How far the cell is linear

    def _linear_to(self, intervals: bool) -> dict[str, Any]:
        b, k = self.count, self.k
        self.value = np.full(b, np.nan)
        self.u = np.full(b, np.nan)
        self.lower = np.full(b, np.nan)
        self.upper = np.full(b, np.nan)
        self.dof = np.full(b, np.nan)
        self.at_least = np.full(b, np.nan)
        self.sensitivity = np.zeros((b, 2 * k))
        self.u_interpolation = np.zeros(b)
        self.u_prior = np.zeros(b)
        self.method = np.full(b, "", dtype=object)
        self.reason = np.full(b, "", dtype=object)
        self.reason[~self.fitted] = "too few steps, or no output that rises with PO2: no response curve"
        nodes = _Nodes(self)
        curve = self.free_usable & self.described & nodes.calibrated
        crossing, kappa = self._crossing()
        within = curve & (crossing <= self.tested_to)
        self._from_curve(np.flatnonzero(within), crossing, kappa, intervals)
        rest = self.fitted & nodes.calibrated & ~within
        measured = rest & ~curve
        self._from_measured(np.flatnonzero(measured), nodes)
        open_ended = np.flatnonzero(rest & ~np.isfinite(self.value))
        self._at_least(open_ended, nodes, curve)
        missing = self.fitted & ~nodes.calibrated
        self.reason[missing] = f"no step near the calibration point, PO2 {self.calibration:.2f} bar"
        return {
            "linear_to_bar": self.value,
            "u_linear_to_bar": self.u,
            "linear_to_lower_bar": self.lower,
            "linear_to_upper_bar": self.upper,
            "linear_to_dof": self.dof,
            "linear_to_at_least_bar": self.at_least,
            "linear_to_method": list(self.method),
            "linear_to_sensitivity": self.sensitivity,
            "u_interpolation_bar": self.u_interpolation,
            "u_zero_prior_bar": self.u_prior,
            "reason": list(self.reason),
        }

    def _crossing(self) -> tuple[FloatArray, FloatArray]:
        """Where the free curve's error leaves the band: PO2 (B,), infinite for nowhere; 1 -+ 5 %, (B,)."""
        fit = self.free_fit
        cells = np.arange(self.count)
        calibration = np.full(self.count, self.calibration)
        at_calibration = self._output(cells, calibration)
        highest = np.maximum(1.25 * self.top, 1.1 * self.calibration)
        grid = self.calibration + np.linspace(0.0, 1.0, 49)[:, None] * (highest - self.calibration)
        g = _column(fit.shape, _log_ratio(grid, self.top), grid)
        with np.errstate(divide="ignore", invalid="ignore"):
            error = (fit.fixed + fit.amplitude * g) * self.calibration / (grid * at_calibration) - 1.0
        outside = np.abs(error) > LINEAR_TO_ERROR
        first = np.argmax(outside, axis=0)
        found = outside.any(axis=0) & (first > 0)
        pick = np.maximum(first, 1)
        kappa = np.where(error[pick, cells] < 0.0, 1.0 - LINEAR_TO_ERROR, 1.0 + LINEAR_TO_ERROR)
        sign = np.where(kappa < 1.0, 1.0, -1.0)
        low, high = grid[pick - 1, cells], grid[pick, cells]
        for _ in range(36):
            middle = 0.5 * (low + high)
            inside = sign * (self._output(cells, middle) - kappa * middle / self.calibration * at_calibration)
            low = np.where(inside > 0.0, middle, low)
            high = np.where(inside > 0.0, high, middle)
        return np.where(found, 0.5 * (low + high), np.inf), kappa

    def _output(self, cells: NDArray[np.int64], po2: FloatArray) -> FloatArray:
        """Output of the free curve at one PO2 a cell, (A,)."""
        fit = self.free_fit
        g = _column(fit.shape[:, cells], _log_ratio(po2, self.top[cells]), po2)
        return np.asarray(fit.fixed[cells] + fit.amplitude[cells] * g)

    def _from_curve(
        self, cells: NDArray[np.int64], crossing: FloatArray, kappa: FloatArray, intervals: bool
    ) -> None:
        """Fill in cells whose line ends within the tested range and whom the family describes."""
        if not cells.size:
            return
        fit, k = self.free_fit, self.k
        covariance, influence = self._covariance(fit.shape, fit.amplitude, np.full(self.count, 2))
        covariance, influence = covariance[cells], influence[cells]
        p, kap = crossing[cells], kappa[cells]
        ratio = kap * p / self.calibration
        shape, amplitude = fit.shape[:, cells], fit.amplitude[cells]
        both = np.stack([p, np.full(cells.size, self.calibration)])
        g, slopes, rise = _column_and_slopes(shape, _log_ratio(both, self.top[cells]), both)
        steep = amplitude * rise[0] - kap * self._output(cells, both[1]) / self.calibration
        by_parameter = (
            -np.stack(
                [
                    1.0 - ratio,
                    g[0] - ratio * g[1],
                    amplitude * (slopes[0, 0] - ratio * slopes[0, 1]),
                    amplitude * (slopes[1, 0] - ratio * slopes[1, 1]),
                ],
                axis=1,
            )
            / steep[:, None]
        )
        by_data = np.einsum("bp,bpr->rb", by_parameter, influence)
        by_mv = by_data[:k]
        by_po2 = -by_mv * self.slope[:k, cells]
        noise, dof = self._spread(by_po2, by_mv, cells)
        prior = np.abs(by_data[k]) * ZERO_PRIOR_MV
        u = np.hypot(noise, prior) * self.excess[cells]
        self.value[cells] = p
        self.u[cells] = u
        self.dof[cells] = dof
        self.u_prior[cells] = prior
        self.sensitivity[cells] = np.concatenate([by_po2, by_mv]).T
        self.method[cells] = "curve"
        target = coverage_factor(dof)
        self.lower[cells], self.upper[cells] = p - target * u, p + target * u
        # Close to the least value it can have, the constraint of the profile degenerates.
        good = (p > 1.09 * self.calibration) & (u > 0.0) & (kap < 1.0)
        if intervals and np.any(good):
            some = cells[good]
            towards = np.einsum("bpq,bq->bp", covariance, by_parameter)[good, 2:]
            towards /= np.maximum((u / self.excess[cells])[good, None] ** 2, 1e-300)

            def rise_at(t: FloatArray) -> FloatArray:
                start = fit.shape[:, some] + towards.T * (t - p[good])
                return self._profile_crossing(some, t, start)

            for side, bound in ((-1.0, self.lower), (1.0, self.upper)):
                bound[some] = _profile_limit(
                    rise_at,
                    p[good],
                    side * u[good],
                    target[good],
                    self.excess[some],
                    1.06 * self.calibration,
                )

    def _profile_crossing(self, cells: NDArray[np.int64], t: FloatArray, start: FloatArray) -> FloatArray:
        """Rise of chi-squared when the curve is made to leave the band exactly at t, (A,)."""
        ratio = (1.0 - LINEAR_TO_ERROR) * t / self.calibration
        both = np.stack([t, np.full(t.size, self.calibration)])
        log_both = _log_ratio(both, self.top[cells])

        def moving(shape: FloatArray, index: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
            # V(t) = ratio V(p_c) ties the zero to the slope: z (1 - ratio) + S (g(t) - ratio g(p_c)) = 0.
            which, r = cells[index], ratio[index]
            g2, slopes2, _ = _column_and_slopes(shape, log_both[:, index], both[:, index])
            g, slopes, _ = _column_and_slopes(shape, self.log_ratio[:, which], self.po2[:, which])
            tie = g2[0] - r * g2[1]
            tie_slopes = slopes2[:, 0] - r * slopes2[:, 1]
            return tie - (1.0 - r) * g, tie_slopes[:, None] - (1.0 - r) * slopes

        part = self.batch.subset(cells, fixed=False)
        found = part.solve(moving, start, _LOWER, _UPPER, tolerance=1e-4, most_iterations=30)
        return np.maximum(found.chi_squared - self.free_fit.chi_squared[cells], 0.0)

    # Directly measured errors

    def _from_measured(self, cells: NDArray[np.int64], nodes: _Nodes) -> None:
        """Interpolate between directly measured errors, inside what a curve bent one way allows."""
        if not cells.size:
            return
        outside = nodes.above[:, cells] & (np.abs(nodes.error[:, cells]) > LINEAR_TO_ERROR)
        some = outside.any(axis=0)
        cells = cells[some]
        if not cells.size:
            return
        b = np.argmax(outside[:, some], axis=0)
        a = nodes.before[b, cells]
        pick = np.arange(cells.size)
        po2, mv = nodes.po2[:, cells], nodes.mv[:, cells]
        low = nodes.error[b, cells] < 0.0
        kappa = np.where(low, 1.0 - LINEAR_TO_ERROR, 1.0 + LINEAR_TO_ERROR)
        c = nodes.calibration_node[cells]
        p_c, v_c = po2[c, pick], mv[c, pick]
        line = kappa * v_c / p_c
        p_a, v_a, p_b, v_b = po2[a, pick], mv[a, pick], po2[b, pick], mv[b, pick]
        rise = (v_b - v_a) / (p_b - p_a)
        chord = (v_a - rise * p_a) / (line - rise)
        earlier, later = nodes.before[a, cells], nodes.after[b, cells]
        with np.errstate(divide="ignore", invalid="ignore"):
            rise_left = np.where(
                earlier >= 0, (v_a - mv[earlier, pick]) / (p_a - po2[earlier, pick]), v_a / p_a
            )
            left = (v_a - rise_left * p_a) / (line - rise_left)
            # An output that never falls as PO2 rises is all that is known beyond the last step.
            rise_right = np.where(later >= 0, (mv[later, pick] - v_b) / (po2[later, pick] - p_b), 0.0)
            right = (v_b - rise_right * p_b) / (line - rise_right)
        farthest = np.minimum(
            np.where((rise_left < line) & np.isfinite(left), left, np.inf),
            np.where((rise_right < line) & np.isfinite(right), right, np.inf),
        )
        farthest = np.clip(farthest, p_a, p_b)
        # Noise can make the shape bend the wrong way by a hair; then there is nothing between the two.
        nearest = np.minimum(chord, farthest)
        farthest = np.maximum(chord, farthest)
        value = np.where(low, 0.5 * (nearest + farthest), chord)
        guided = low & self.free_usable[cells]
        value = np.where(guided, self._guided(cells, p_a, v_a, p_b, v_b, line, nearest, farthest), value)
        width = np.where(low, farthest - nearest, 0.5 * (p_b - p_a))
        u_interpolation = width / np.sqrt(12.0)
        # Noise goes through the chord: its derivatives are those of the crossing of two straight lines.
        gap = line - rise
        by_a = (p_b - chord) / (p_b - p_a) / gap
        by_b = (chord - p_a) / (p_b - p_a) / gap
        by_c = -kappa * chord / p_c / gap
        by_mv, by_po2 = np.zeros((self.k, cells.size)), np.zeros((self.k, cells.size))
        for node, weight, steepness in ((a, by_a, rise), (b, by_b, rise), (c, by_c, v_c / p_c)):
            share = nodes.share(node, cells)
            by_mv += weight * share
            by_po2 -= weight * steepness * share
        noise, dof = self._spread(by_po2, by_mv, cells)
        u = np.hypot(noise * self.excess[cells], u_interpolation)
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.where(noise > 0.0, dof * (u / np.maximum(noise, 1e-300)) ** 4, np.inf)
        k = coverage_factor(dof)
        self.value[cells] = value
        self.u[cells] = u
        self.dof[cells] = dof
        self.lower[cells], self.upper[cells] = value - k * u, value + k * u
        self.u_interpolation[cells] = u_interpolation
        self.sensitivity[cells] = np.concatenate([by_po2, by_mv]).T
        self.method[cells] = "measured errors"
        odd = cells[~self.described[cells]]
        self.reason[odd] = (
            "the response has another shape than a line bent by a ceiling: "
            "how far it is linear is interpolated between measured errors"
        )
        few = cells[self.described[cells]]
        self.reason[few] = (
            "too few steps for a free curve: how far it is linear is interpolated between measured errors"
        )

    def _guided(
        self,
        cells: NDArray[np.int64],
        p_a: FloatArray,
        v_a: FloatArray,
        p_b: FloatArray,
        v_b: FloatArray,
        line: FloatArray,
        nearest: FloatArray,
        farthest: FloatArray,
    ) -> FloatArray:
        """Crossing of the curve led through both measured points, kept between `nearest` and `farthest`."""
        miss_a = v_a - self._output(cells, p_a)
        miss_b = v_b - self._output(cells, p_b)
        low, high = p_a.copy(), p_b.copy()
        for _ in range(36):
            middle = 0.5 * (low + high)
            part = (middle - p_a) / (p_b - p_a)
            above = self._output(cells, middle) + miss_a + part * (miss_b - miss_a) > line * middle
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return np.clip(0.5 * (low + high), nearest, farthest)

    def _at_least(self, cells: NDArray[np.int64], nodes: _Nodes, curve: NDArray[np.bool_]) -> None:
        """Right-censored: the highest tested PO2 that the evidence still puts inside the band."""
        if not cells.size:
            return
        quantile = np.sqrt(ONE_SIDED)
        reached = np.full(cells.size, np.nan)
        blocked = np.zeros(cells.size, dtype=bool)
        margin_top = np.full(cells.size, np.inf)
        for j in range(nodes.count):
            here = nodes.above[j, cells]
            u = nodes.u_error(j, cells) * self.excess[cells]
            error = nodes.error[j, cells]
            margin_top = np.where(here, LINEAR_TO_ERROR - np.abs(error), margin_top)
            certain = np.abs(error) + quantile * u <= LINEAR_TO_ERROR
            blocked |= here & ~certain
            top = nodes.po2[j, cells]
            # The nominal PO2 counts where an output that stays flat from here on would still be inside.
            nominal = self.tested_to[cells]
            flat = (1.0 + error - quantile * u) * top / nominal >= 1.0 - LINEAR_TO_ERROR
            top = np.where((nominal > top) & (nominal < 1.02 * top) & flat, nominal, top)
            reached = np.where(here & ~blocked, np.fmax(reached, top), reached)
        self.at_least[cells] = reached
        # Where the top step alone is in doubt, the whole curve says more than the steps below it.
        doubtful = blocked & curve[cells] & (margin_top > 0.0)
        if np.any(doubtful):
            some = cells[doubtful]
            highest = self.tested_to[some]
            least = np.fmax(reached[doubtful], 1.06 * self.calibration)
            low, high = least.copy(), highest.copy()
            wanted = ONE_SIDED * self.excess[some] ** 2
            start = self.free_fit.shape[:, some].copy()
            start[0] = np.maximum(start[0], 0.05)
            start[1] = np.clip(start[1], np.log(2.0), np.log(24.0))
            for _ in range(9):
                middle = 0.5 * (low + high)
                excluded = self._profile_crossing(some, middle, start) >= wanted
                low, high = np.where(excluded, middle, low), np.where(excluded, high, middle)
            self.at_least[some] = low
        nothing = cells[~np.isfinite(self.at_least[cells])]
        self.reason[nothing] = "the measured errors are too uncertain to say how far this cell is linear"
        self.method[cells] = "measured errors"

    # The ceiling

    def _ceiling(self, shape: FloatArray, amplitude: FloatArray, intervals: bool) -> dict[str, Any]:
        b = self.count
        ceiling, lower, upper, above = (np.full(b, np.nan) for _ in range(4))
        cells = np.flatnonzero(self.free_usable & self.described)
        if intervals and cells.size:
            top, fit = self.top[cells], self.free_fit
            m, n = fit.shape[0, cells], np.exp(fit.shape[1, cells])
            bent = (self.choice[cells] > 0) & (m > 1e-6)
            with np.errstate(divide="ignore", over="ignore"):
                knee = top * np.expm1(np.minimum(n * m, _LARGE)) ** (-1.0 / n)
            knee = np.clip(np.where(bent, knee, np.inf), 1e-3, 50.0 * top)
            excess = self.excess[cells] ** 2
            target = coverage_factor(np.inf) ** 2
            one_sided = self._knee_limit(cells, np.minimum(knee, 3.0 * top), 0.5 * top, ONE_SIDED * excess)
            two_low = self._knee_limit(cells, np.minimum(knee, 3.0 * top), 0.5 * top, target * excess)
            two_high = np.full(cells.size, np.inf)
            which = np.flatnonzero(bent & (knee < 20.0 * top))
            if which.size:
                two_high[which] = self._knee_limit(
                    cells[which], knee[which], 25.0 * top[which], target * excess[which]
                )
            told = bent & np.isfinite(two_high)
            s = fit.amplitude[cells]
            ceiling[cells] = np.where(told, s * knee, np.nan)
            lower[cells] = np.where(told, s * two_low, np.nan)
            upper[cells] = np.where(told, s * two_high, np.nan)
            above[cells] = np.where(told, np.nan, one_sided)
        return {
            "ceiling_mv": ceiling,
            "ceiling_lower_mv": lower,
            "ceiling_upper_mv": upper,
            "ceiling_above_bar": above,
        }

    def _knee_limit(
        self, cells: NDArray[np.int64], inside: FloatArray, outside: FloatArray, wanted: FloatArray
    ) -> FloatArray:
        """Knee PO2 = L / S at which chi-squared has risen by `wanted`, (A,).

        Args:
            cells: which cells, (A,).
            inside: a knee that fits.
            outside: a knee that may not. Where it fits too, the answer is infinite when `outside` is the
                higher one, and `outside` itself when it is the lower one.
            wanted: rise of chi-squared.
        """
        near, far = np.log(inside), np.log(outside)
        far_rise = self._profile_knee(cells, np.exp(far))
        upwards = far > near
        open_end = far_rise <= wanted
        low, high = near.copy(), far.copy()
        low_value, high_value = -wanted, far_rise - wanted
        for _ in range(7):
            # Illinois false position, on the root of the rise, which is straighter.
            f_low = np.sign(low_value) * np.sqrt(np.abs(low_value))
            f_high = np.sign(high_value) * np.sqrt(np.abs(high_value))
            span = f_high - f_low
            part = np.clip(-f_low / np.where(np.abs(span) > 1e-12, span, np.inf), 0.05, 0.95)
            middle = low + part * (high - low)
            value = self._profile_knee(cells, np.exp(middle)) - wanted
            fits = value <= 0.0
            low_value = np.where(fits, value, 0.25 * low_value)
            high_value = np.where(fits, 0.25 * high_value, value)
            low, high = np.where(fits, middle, low), np.where(fits, high, middle)
        limit = np.exp(0.5 * (low + high))
        return np.where(open_end, np.where(upwards, np.inf, outside), limit)

    def _profile_knee(self, cells: NDArray[np.int64], knee: FloatArray) -> FloatArray:
        """Rise of chi-squared when L / S is held at `knee`, sharpness and the rest free, (A,)."""
        log_ratio = _log_ratio(self.po2[:, cells], knee)
        po2 = self.po2[:, cells]

        def moving(shape: FloatArray, index: NDArray[np.int64]) -> tuple[FloatArray, FloatArray]:
            n = np.exp(shape[0])
            x, p = log_ratio[:, index], po2[:, index]
            y = np.exp(n * x)
            logarithm = np.log1p(y) / n
            g = p * np.exp(-logarithm)
            return g, (g * (logarithm - y * x / (1.0 + y)))[None]

        start = np.maximum(self.free_fit.shape[1:, cells], np.log(4.0))
        part = self.batch.subset(cells)
        found = part.solve(moving, start, _LOWER[1:], _UPPER[1:], tolerance=1e-3, most_iterations=20)
        return np.maximum(found.chi_squared - self.free_fit.chi_squared[cells], 0.0)


class _Nodes:
    """Means of repeated steps, with the error of each node against the calibration node."""

    def __init__(self, block: _Block) -> None:
        k, b = block.k, block.count
        present = block.steps_present
        self.count = int(block.repeats.max(initial=-1)) + 1
        self._member = (
            np.stack([(block.repeats == j)[:, None] & present for j in range(self.count)])
            if self.count
            else np.zeros((0, k, b), dtype=bool)
        )
        self._size = self._member.sum(axis=1)
        self._block = block
        some = np.maximum(self._size, 1)
        here = self._size > 0
        self.po2 = np.where(here, np.einsum("jkb,kb->jb", self._member, block.po2[:k]) / some, np.nan)
        self.mv = np.where(here, np.einsum("jkb,kb->jb", self._member, block.mv[:k]) / some, np.nan)
        distance = np.where(here, np.abs(self.po2 / block.calibration - 1.0), np.inf)
        self.calibration_node = np.argmin(distance, axis=0) if self.count else np.zeros(b, dtype=np.int64)
        pick = np.arange(b)
        nearest = distance[self.calibration_node, pick] if self.count else np.full(b, np.inf)
        self.calibrated = nearest < 0.05
        p_c, v_c = self.po2[self.calibration_node, pick], self.mv[self.calibration_node, pick]
        with np.errstate(divide="ignore", invalid="ignore"):
            self.error = np.where(here, self.mv * p_c / (v_c * self.po2) - 1.0, np.nan)
        order = np.arange(self.count)[:, None]
        self.above = here & (order > self.calibration_node)
        # Neighbours that this cell really has, -1 where there is none.
        self.before = np.full((self.count, b), -1)
        self.after = np.full((self.count, b), -1)
        last = np.full(b, -1)
        for j in range(self.count):
            self.before[j] = last
            last = np.where(here[j], j, last)
        last = np.full(b, -1)
        for j in reversed(range(self.count)):
            self.after[j] = last
            last = np.where(here[j], j, last)

    def share(self, node: NDArray[np.int64], cells: NDArray[np.int64]) -> FloatArray:
        """Weight of every step in the mean of one node a cell, (K, A)."""
        member = self._member[node, :, cells].T
        return np.asarray(member / np.maximum(member.sum(axis=0), 1))

    def u_error(self, node: int, cells: NDArray[np.int64]) -> FloatArray:
        """Standard uncertainty of one node's error, (A,)."""
        nodes = np.full(cells.size, node)
        c = self.calibration_node[cells]
        here, there = self.share(nodes, cells), self.share(c, cells)
        ratio = 1.0 + self.error[node, cells]
        with np.errstate(divide="ignore", invalid="ignore"):
            by_mv = ratio * (here / self.mv[node, cells] - there / self.mv[c, cells])
            by_po2 = ratio * (there / self.po2[c, cells] - here / self.po2[node, cells])
        by_mv, by_po2 = np.nan_to_num(by_mv), np.nan_to_num(by_po2)
        return self._block._spread(by_po2, by_mv, cells)[0]


def _profile_limit(
    rise: Callable[[FloatArray], FloatArray],
    centre: FloatArray,
    scale: FloatArray,
    target: FloatArray,
    excess: FloatArray,
    least: float,
    evaluations: int = 3,
) -> FloatArray:
    """Where the root of the rise of chi-squared, stretched by `excess`, reaches `target`.

    The root is nearly a straight line through the centre, so that a few secant steps from the linearised
    limit do; `scale` is the signed standard uncertainty.
    """
    wanted = target * excess
    guess = np.maximum(centre + target * scale, least)
    before, before_root = centre, np.zeros_like(centre)
    best, best_miss = guess, np.full_like(centre, np.inf)
    for _ in range(evaluations):
        root = np.sqrt(rise(guess))
        miss = np.abs(root - wanted)
        better = miss < best_miss
        best, best_miss = np.where(better, guess, best), np.where(better, miss, best_miss)
        gain = root - before_root
        slope = np.where(np.abs(gain) > 1e-3 * wanted, gain, np.inf)
        step = (guess - before) * (wanted - root) / slope
        # No step goes further than thrice the linearised width beyond the centre.
        farthest = centre + 3.0 * target * scale
        following = guess + step
        inside_low = np.minimum(centre + 0.2 * target * scale, farthest)
        inside_high = np.maximum(centre + 0.2 * target * scale, farthest)
        following = np.maximum(np.clip(following, inside_low, inside_high), least)
        before, before_root, guess = guess, root, following
    # The last secant step is better than the last point tried, unless the search was erratic.
    settled = best_miss < 0.25 * wanted
    return np.asarray(np.where(settled, guess, best))
