"""The response curve of a cell: a line that its own ceiling bends, and how far it stays on the line.

One cell and ten thousand take the same path: blocks of cells, each arranged once (`block`),
fitted with a line, fixed and free sharpness (`models`), and then analysed for how far it is linear
(`linear_to`) and where its ceiling lies (`ceiling`).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from grading.measurement import FloatArray, IntArray
from grading.response.block import CellBlock, repeat_groups
from grading.response.ceiling import Ceiling
from grading.response.linear_to import LinearTo
from grading.response.models import ThreeFits
from grading.response.nodes import Nodes
from grading.response.shape import FIXED_SHARPNESS, column_and_slopes, log_ratio
from grading.results import Contribution, ResponseCurve
from grading.uncertainty import StepErrors, budget_lines, coverage_factor

LINEAR: Final = "linear"
FIXED: Final = "fixed sharpness"
FREE: Final = "free sharpness"
MODELS: Final = (LINEAR, FIXED, FREE)

_BLOCK: Final = 5000


@dataclass(frozen=True, slots=True)
class ResponseFits:
    """Response curves of N cells. NaN where there is no number; `reason` says why.

    Attributes:
        model: chosen by AICc: "linear", "fixed sharpness", "free sharpness", or "" where none was fitted.
        zero_mv, slope_mv_per_bar, shortfall, sharpness: of the chosen model, shape (N,). `shortfall` is m:
            the output at the highest tested PO2 is exp(-m) of the straight line's. `sharpness` is NaN for a
            line.
        top_po2_bar: highest measured PO2, shape (N,).
        tested_to_bar: its nominal value where that is within 2 %, else the same, shape (N,).
        covariance: of (zero, slope, shortfall, ln sharpness), shape (N, 4, 4); zero for what the model fixes.
        chi_squared: of the three models in the order of `MODELS`, shape (N, 3); NaN for too few steps.
        degrees_of_freedom: shape (N, 3).
        converged: shape (N,).
        described: whether the family describes the steps: if not, the shape is another, shape (N,).
        excess: Birge ratio by which the scatter between steps exceeds the stated one; 1 when it does not.
        linear_to_bar: highest PO2 with |indication error| <= 5 %, within the tested range; else NaN.
        u_linear_to_bar: standard uncertainty.
        linear_to_lower_bar, linear_to_upper_bar: 95 % interval (95.45 %, as everywhere).
        linear_to_dof: effective degrees of freedom.
        linear_to_at_least_bar: right-censored result, one-sided 95 %; NaN when `linear_to_bar` is given.
        linear_to_sensitivity: by (PO2, output) of every step, shape (N, 2K).
        u_shape_bar: part of `u_linear_to_bar` that comes from not knowing the shape between two steps.
        u_zero_bar: part of it that comes from assuming the output without oxygen, for cells that were not
            measured near it.
        ceiling_mv: L; NaN when the data fit a line as well.
        ceiling_lower_mv, ceiling_upper_mv: 95 % interval; upper may be infinite.
        ceiling_above_bar: the ceiling lies above what the line gives at this PO2 (one-sided 95 %).
        reason: one sentence for each cell, empty without a problem.
    """

    model: tuple[str, ...]
    zero_mv: FloatArray
    slope_mv_per_bar: FloatArray
    shortfall: FloatArray
    sharpness: FloatArray
    top_po2_bar: FloatArray
    tested_to_bar: FloatArray
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
    linear_to_sensitivity: FloatArray
    u_shape_bar: FloatArray
    u_zero_bar: FloatArray
    ceiling_mv: FloatArray
    ceiling_lower_mv: FloatArray
    ceiling_upper_mv: FloatArray
    ceiling_above_bar: FloatArray
    reason: tuple[str, ...]

    def output_mv(self, cell: int, po2_bar: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fitted output and its standard uncertainty at any PO2, both of the shape of `po2_bar`, (G,)."""
        sharpness = self.sharpness[cell] if np.isfinite(self.sharpness[cell]) else FIXED_SHARPNESS
        shape = np.array([[self.shortfall[cell]], [np.log(sharpness)]])
        p = np.asarray(po2_bar, dtype=np.float64)[:, None]
        g, slopes, _ = column_and_slopes(shape, log_ratio(p, self.top_po2_bar[cell : cell + 1]), p)
        s = self.slope_mv_per_bar[cell]
        jacobian = np.stack([np.ones(p.size), g[:, 0], s * slopes[0, :, 0], s * slopes[1, :, 0]], axis=1)
        variance = np.einsum("gi,ij,gj->g", jacobian, self.covariance[cell], jacobian)
        return self.zero_mv[cell] + s * g[:, 0], np.sqrt(np.maximum(variance, 0.0))

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
        """Return one sentence on the ceiling: a number with its interval, or what the data exclude."""
        if not self.model[cell]:
            return self.reason[cell]
        if np.isfinite(self.ceiling_mv[cell]):
            lower, upper = self.ceiling_lower_mv[cell], self.ceiling_upper_mv[cell]
            high = f"{upper:.1f} mV" if np.isfinite(upper) else "no upper bound from these steps"
            return f"ceiling {self.ceiling_mv[cell]:.1f} mV (95 %: {lower:.1f} mV to {high})"
        if np.isfinite(self.ceiling_above_bar[cell]):
            least = self.ceiling_above_bar[cell]
            return f"no ceiling seen: if there is one, it lies above PO2 {least:.2f} bar (95 %)"
        if not self.described[cell]:
            return "no ceiling is stated: the response does not have the shape of a line bent by a ceiling"
        return "these steps say nothing about a ceiling"

    def linear_to_budget(self, cell: int, errors: StepErrors) -> tuple[Contribution, ...]:
        """Return the contributions to the uncertainty of `linear_to_bar` of one cell, largest first.

        Args:
            cell: row.
            errors: the same as fitted.
        """
        if not np.isfinite(self.linear_to_bar[cell]):
            return ()
        one = errors.cell(cell)
        spread = one.propagate_jacobian(
            self.linear_to_bar[cell : cell + 1, None], self.linear_to_sensitivity[cell : cell + 1, None]
        )
        zero, shape = float(self.u_zero_bar[cell]), float(self.u_shape_bar[cell])
        alone = spread.contributions[0, 0, len(one.common_names) :]
        beyond = np.sqrt((alone @ alone) * max(float(self.excess[cell]) ** 2 - 1.0, 0.0))
        return budget_lines(
            (*spread.names, "output without oxygen", "shape between steps", "scatter beyond the stated"),
            np.concatenate([spread.contributions[0, 0], [zero, shape, float(beyond)]]),
            np.concatenate([spread.input_degrees_of_freedom[0, 0], np.full(3, np.inf)]),
        )


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
            value are repeats (up and down). Without it, steps are paired by their PO2.
        intervals: also find the profile-likelihood intervals and the ceiling's limits.
        workers: threads; blocks are independent of each other, so the result does not depend on it.

    Returns:
        Arrays over cells.
    """
    groups = repeat_groups(errors.po2_bar, nominal_po2_bar)

    def block(start: int) -> dict[str, Any]:
        cells = CellBlock(errors, slice(start, start + _BLOCK), groups, nominal_po2_bar)
        return _solve(cells, calibration_po2_bar, intervals)

    starts = range(0, max(errors.po2_bar.shape[0], 1), _BLOCK)
    if len(starts) > 1 and workers > 1:
        with ThreadPoolExecutor(max_workers=workers) as pool:
            parts = list(pool.map(block, starts))
    else:
        parts = [block(start) for start in starts]
    merged: dict[str, Any] = {}
    for key, first in parts[0].items():
        if isinstance(first, list):
            merged[key] = tuple(item for part in parts for item in part[key])
        else:
            merged[key] = np.concatenate([part[key] for part in parts], axis=0)
    return ResponseFits(**merged)


def _solve(block: CellBlock, calibration_po2_bar: float, intervals: bool) -> dict[str, Any]:
    """Return the fields of `ResponseFits` for one block."""
    fits = ThreeFits(block)
    zero, slope, shape, converged = fits.chosen()
    fitted = fits.usable[0] & (fits.line.amplitude > 0.0) & np.isfinite(fits.line.chi_squared)
    described, excess = fits.judge()
    bent = fitted & (fits.choice > 0)
    linear = LinearTo(
        block,
        fits,
        Nodes(block, calibration_po2_bar),
        calibration_po2_bar,
        fitted,
        described,
        excess,
        intervals,
    )
    solvable = fitted & described & fits.usable[2] & (fits.free.amplitude > 0.0) & intervals
    ceiling = Ceiling(block, fits, solvable, slope, excess)
    return {
        "model": [MODELS[c] if f else "" for c, f in zip(fits.choice, fitted, strict=True)],
        "zero_mv": np.where(fitted, zero, np.nan),
        "slope_mv_per_bar": np.where(fitted, slope, np.nan),
        "shortfall": np.where(fitted, shape[0], np.nan),
        "sharpness": np.where(bent, np.exp(shape[1]), np.nan),
        "top_po2_bar": np.where(fitted, block.top, np.nan),
        "tested_to_bar": np.where(fitted, block.tested_to, np.nan),
        "covariance": fits.stretched(*fits.covariance(shape, slope, fits.choice), excess),
        "chi_squared": fits.chi_squared.T,
        "degrees_of_freedom": np.maximum(fits.spare, 0).T,
        "converged": converged & fitted,
        "described": described & fitted,
        "excess": excess,
        "linear_to_bar": linear.value,
        "u_linear_to_bar": linear.u,
        "linear_to_lower_bar": linear.lower,
        "linear_to_upper_bar": linear.upper,
        "linear_to_dof": linear.dof,
        "linear_to_at_least_bar": linear.at_least,
        "linear_to_sensitivity": linear.sensitivity,
        "u_shape_bar": linear.u_shape,
        "u_zero_bar": linear.u_zero,
        "ceiling_mv": ceiling.value_mv,
        "ceiling_lower_mv": ceiling.lower_mv,
        "ceiling_upper_mv": ceiling.upper_mv,
        "ceiling_above_bar": ceiling.above_bar,
        "reason": list(linear.reason),
    }
