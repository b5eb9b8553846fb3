"""How far a cell is linear: the highest PO2 up to which its indication error stays within 5 %.

Where the family describes the cell, the fitted curve gives the crossing, with a profile-likelihood interval.
Directly measured errors always bracket it between two steps. The allowance for another true shape is a part
of what that bracket leaves open. In doubt the measured nodes count half. Where the family does not describe
the cell, the crossing is interpolated inside the bracket alone. Nothing is extrapolated beyond the tested
range: the result is then "at least".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from grading.measurement import FloatArray, IntArray
from grading.response.block import NOMINAL_SLACK, ZERO_PRIOR_MV, CellBlock
from grading.response.models import ThreeFits
from grading.response.nodes import Bracket, Nodes
from grading.response.shape import HIGHEST_SHAPE, LOWEST_SHAPE, column, column_and_slopes, log_ratio
from grading.uncertainty import coverage_factor

LINEAR_TO_ERROR: Final = 0.05
"""Indication error that ends the line."""
ONE_SIDED: Final = 1.6448536269514722
"""Normal quantile of a one-sided 95 % limit."""
SHAPE_ALLOWANCE: Final = 0.15
"""The true shape may differ from the family's by this part of what the measured bracket leaves open (as the
standard deviation of a rectangle). Set by trial on hard, soft, exponential and hyperbolic ceilings."""
GUIDED_ALLOWANCE: Final = 0.4
"""The same for cells that the family does not describe."""
DOUBT: Final = 0.2
"""Where residuals as large as a cell's occur less often than this, its measured nodes count half."""

HOPELESS: Final = 0.1
"""A crossing whose standard uncertainty is more than this part of it is not taken from the curve."""

_GRID: Final = 49
_HALVINGS: Final = 24


@dataclass(frozen=True, slots=True)
class _Linearised:
    """First-order uncertainty of a crossing.

    Attributes:
        u, u_stated: standard uncertainty, stretched by the Birge ratio and as stated, (A,).
        dof: effective degrees of freedom, (A,).
        u_zero: part from the assumed output without oxygen, (A,).
        by_po2, by_mv: sensitivity to every step, (K, A).
        towards: how the shape moves with the crossing along the valley of chi-squared, (2, A).
    """

    u: FloatArray
    u_stated: FloatArray
    dof: FloatArray
    u_zero: FloatArray
    by_po2: FloatArray
    by_mv: FloatArray
    towards: FloatArray


@dataclass(frozen=True, slots=True)
class _Mixed:
    """A crossing by curve and measured nodes together: value, uncertainty by part, sensitivities."""

    value: FloatArray
    u: FloatArray
    dof: FloatArray
    u_zero: FloatArray
    u_shape: FloatArray
    by_po2: FloatArray
    by_mv: FloatArray


class LinearTo:
    """Solves a block. Every array is over cells, NaN where there is no result.

    Attributes:
        value, u, lower, upper, dof: the crossing, its standard uncertainty, 95 % interval and effective
            degrees of freedom, (B,).
        at_least: right-censored result, (B,).
        sensitivity: by (PO2, output) of every step, (B, 2K).
        u_shape, u_zero: parts of `u` beyond the steps' own errors: interpolation or shape, and the assumed
            output without oxygen.
        reason: a sentence or "", object array (B,).
    """

    def __init__(
        self,
        block: CellBlock,
        fits: ThreeFits,
        nodes: Nodes,
        calibration_po2_bar: float,
        fitted: NDArray[np.bool_],
        described: NDArray[np.bool_],
        excess: FloatArray,
        intervals: bool,
    ) -> None:
        """Solve every cell of `block`; see `curve.fit_responses`."""
        b = block.count
        self._block, self._fits, self._nodes = block, fits, nodes
        self._calibration = calibration_po2_bar
        self._described, self._excess = described, excess
        self.value, self.u, self.lower, self.upper, self.dof, self.at_least = (
            np.full(b, np.nan) for _ in range(6)
        )
        self.sensitivity = np.zeros((b, 2 * block.k))
        self.u_shape, self.u_zero = np.zeros(b), np.zeros(b)
        self.reason = np.full(b, "", dtype=object)
        free_usable = fits.usable[2] & (fits.free.amplitude > 0.0)
        self._guide = free_usable
        gradable = fitted & nodes.calibrated
        curve = gradable & free_usable & described
        crossing, kappa = self._crossing()
        self._from_curve(np.flatnonzero(curve & (crossing <= block.tested_to)), crossing, kappa, intervals)
        self._from_measured(np.flatnonzero(gradable & ~np.isfinite(self.value)), curve)
        self._beyond(np.flatnonzero(gradable & ~np.isfinite(self.value)), curve, crossing, kappa)
        self.reason[~fitted] = np.where(
            fits.usable[0] & (block.steps_present.sum(axis=0) > 1),
            "the output does not rise with PO2: there is no response curve",
            "too few steps for a response curve",
        )[~fitted]
        self.reason[fitted & ~nodes.calibrated] = (
            f"no step near the calibration point, PO2 {calibration_po2_bar:.2f} bar"
        )

    def _output(self, cells: IntArray, po2: FloatArray) -> FloatArray:
        """Output of the free curve at one PO2 a cell, (A,)."""
        fit = self._fits.free
        g = column(fit.shape[:, cells], log_ratio(po2, self._block.top[cells]), po2)
        return np.asarray(fit.fixed[cells] + fit.amplitude[cells] * g)

    def _crossing(self) -> tuple[FloatArray, FloatArray]:
        """Where the free curve leaves the band, (B,), infinite far beyond the range; and 1 -+ 5 %, (B,)."""
        fit, top = self._fits.free, self._block.top
        cells = np.arange(self._block.count)
        at_calibration = self._output(cells, np.full(cells.size, self._calibration))
        highest = np.maximum(1.25 * top, 1.1 * self._calibration)
        grid = self._calibration + np.linspace(0.0, 1.0, _GRID)[:, None] * (highest - self._calibration)
        g = column(fit.shape, log_ratio(grid, top), grid)
        with np.errstate(divide="ignore", invalid="ignore"):
            error = (fit.fixed + fit.amplitude * g) * self._calibration / (grid * at_calibration) - 1.0
        outside = np.abs(error) > LINEAR_TO_ERROR
        first = np.maximum(np.argmax(outside, axis=0), 1)
        kappa = np.where(error[first, cells] < 0.0, 1.0 - LINEAR_TO_ERROR, 1.0 + LINEAR_TO_ERROR)
        line = kappa * at_calibration / self._calibration
        sign = np.where(kappa < 1.0, 1.0, -1.0)
        crossing = _halve(
            grid[first - 1, cells],
            grid[first, cells],
            lambda p: sign * (self._output(cells, p) - line * p) > 0.0,
        )
        return np.where(outside.any(axis=0), crossing, np.inf), kappa

    # From the fitted curve

    def _from_curve(self, cells: IntArray, crossing: FloatArray, kappa: FloatArray, intervals: bool) -> None:
        if not cells.size:
            return
        fit = self._fits.free
        p, kap = crossing[cells], kappa[cells]
        linear = self._linearised(cells, p, kap)
        narrow = linear.u < HOPELESS * p
        if not np.all(narrow):
            self._from_curve(cells[narrow], crossing, kappa, intervals)
            return
        mixed = self._with_nodes(cells, p, linear)
        u, k = mixed.u, coverage_factor(mixed.dof)
        below, above = k * u, k * u
        # Close to its least possible value, the constraint of the profile degenerates.
        good = np.flatnonzero((p > 1.09 * self._calibration) & (u > 0.0) & (kap < 1.0))
        if intervals and good.size:
            some, centre, towards = cells[good], p[good], linear.towards[:, good]

            def rise_at(t: FloatArray) -> FloatArray:
                return self._profile(some, t, fit.shape[:, some] + towards * (t - centre))

            stretch = (u / np.maximum(linear.u_stated, 1e-300))[good]
            # The wider of profile and linear interval: next to a kink the profile alone is too narrow,
            # because the covariance was made with the slope on one side of it.
            for side, width in ((-1.0, below), (1.0, above)):
                reach = side * k[good] * linear.u_stated[good]
                limit = _profile_limit(rise_at, centre, reach, k[good], 1.06 * self._calibration)
                width[good] = np.maximum(width[good], side * (limit - centre) * stretch)
        self.value[cells] = mixed.value
        self.u[cells] = np.hypot(u, mixed.u_shape)
        self.dof[cells] = mixed.dof
        self.lower[cells] = mixed.value - np.hypot(below, k * mixed.u_shape)
        self.upper[cells] = mixed.value + np.hypot(above, k * mixed.u_shape)
        self.u_zero[cells], self.u_shape[cells] = mixed.u_zero, mixed.u_shape
        self.sensitivity[cells] = np.concatenate([mixed.by_po2, mixed.by_mv]).T

    def _with_nodes(self, cells: IntArray, p: FloatArray, linear: _Linearised) -> _Mixed:
        """Allow for another shape; in doubt, let the measured nodes count half.

        The curve's crossing has the least noise. The crossing of the curve led through the measured nodes has
        the least bias where the true shape differs a little. Their mean has half the bias and little more
        noise.
        """
        value, u_zero, u_shape = p.copy(), linear.u_zero.copy(), np.zeros(cells.size)
        by_po2, by_mv = linear.by_po2.copy(), linear.by_mv.copy()
        bracket = self._nodes.bracket(cells, LINEAR_TO_ERROR)
        where = np.searchsorted(cells, bracket.cells)
        u_shape[where] = np.where(bracket.falls, SHAPE_ALLOWANCE * bracket.opening / np.sqrt(12.0), 0.0)
        mix = bracket.falls & (self._fits.chance[bracket.cells] < DOUBT)
        where = where[mix]
        guided, guided_po2, guided_mv = (x[..., mix] for x in self._guided(bracket))
        value[where] = 0.5 * (p[where] + guided)
        by_po2[:, where] = 0.5 * (by_po2[:, where] + guided_po2)
        by_mv[:, where] = 0.5 * (by_mv[:, where] + guided_mv)
        u_zero[where] *= 0.5
        spread = self._block.spread(by_po2, by_mv, cells, self._excess[cells])
        # A mean cannot have less noise than the curve, which weighs all steps best. Where it seems so, a kink
        # next to a node has hidden part of its noise.
        seems = np.hypot(spread.u, u_zero) < linear.u
        return _Mixed(
            value=value,
            u=np.where(seems, linear.u, np.hypot(spread.u, u_zero)),
            dof=np.where(seems, linear.dof, spread.dof),
            u_zero=np.where(seems, linear.u_zero, u_zero),
            u_shape=u_shape,
            by_po2=np.where(seems, linear.by_po2, by_po2),
            by_mv=np.where(seems, linear.by_mv, by_mv),
        )

    def _linearised(self, cells: IntArray, p: FloatArray, kappa: FloatArray) -> _Linearised:
        """First-order uncertainty of the free curve's crossing p, by source."""
        fit, block = self._fits.free, self._block
        covariance, influence = self._fits.free_covariance
        covariance, influence = covariance[cells], influence[cells]
        ratio = kappa * p / self._calibration
        amplitude = fit.amplitude[cells]
        both = np.stack([p, np.full(cells.size, self._calibration)])
        g, slopes, rise = column_and_slopes(fit.shape[:, cells], log_ratio(both, block.top[cells]), both)
        steep = amplitude * rise[0] - kappa * self._output(cells, both[1]) / self._calibration
        # Implicit derivative of V(p; q) - ratio V(p_c; q) = 0 by the parameters q.
        by_parameter = -np.stack(
            [
                1.0 - ratio,
                g[0] - ratio * g[1],
                amplitude * (slopes[0, 0] - ratio * slopes[0, 1]),
                amplitude * (slopes[1, 0] - ratio * slopes[1, 1]),
            ],
            axis=1,
        )
        by_parameter /= steep[:, None]
        by_data = np.einsum("bp,bpr->rb", by_parameter, influence)
        by_mv = by_data[: block.k]
        by_po2 = -by_mv * self._fits.final_slope[: block.k, cells]
        spread = block.spread(by_po2, by_mv, cells, self._excess[cells])
        zero = np.abs(by_data[block.k]) * ZERO_PRIOR_MV
        stated = np.hypot(spread.u_stated, zero)
        towards = np.einsum("bpq,bq->pb", covariance, by_parameter)[2:] / np.maximum(stated**2, 1e-300)
        return _Linearised(np.hypot(spread.u, zero), stated, spread.dof, zero, by_po2, by_mv, towards)

    def _profile(self, cells: IntArray, t: FloatArray, start: FloatArray) -> FloatArray:
        """Rise of chi-squared when the curve is made to leave the band exactly at t, (A,)."""
        block = self._block
        ratio = (1.0 - LINEAR_TO_ERROR) * t / self._calibration
        both = np.stack([t, np.full(t.size, self._calibration)])
        log_both = log_ratio(both, block.top[cells])

        def moving(shape: FloatArray, index: IntArray) -> tuple[FloatArray, FloatArray]:
            # V(t) = ratio V(p_c) ties the zero to the slope: z (1 - ratio) + S (g(t) - ratio g(p_c)) = 0.
            which, r = cells[index], ratio[index]
            g2, slopes2, _ = column_and_slopes(shape, log_both[:, index], both[:, index])
            g, slopes, _ = column_and_slopes(shape, block.log_ratio[:, which], block.po2[:, which])
            tie = g2[0] - r * g2[1]
            tie_slopes = slopes2[:, 0] - r * slopes2[:, 1]
            return tie - (1.0 - r) * g, tie_slopes[:, None] - (1.0 - r) * slopes

        part = self._fits.batch.subset(cells, fixed=False)
        found = part.solve(moving, start, LOWEST_SHAPE, HIGHEST_SHAPE, tolerance=1e-4, most_iterations=30)
        return np.maximum(found.chi_squared - self._fits.free.chi_squared[cells], 0.0)

    # From directly measured errors

    def _from_measured(self, cells: IntArray, curve: NDArray[np.bool_]) -> None:
        bracket = self._nodes.bracket(cells, LINEAR_TO_ERROR)
        cells = bracket.cells
        if not cells.size:
            return
        value = np.where(bracket.falls, 0.5 * (bracket.nearest + bracket.farthest), bracket.chord)
        rise = bracket.chord_rise
        by_po2, by_mv = bracket.sensitivity(bracket.chord, rise, rise, rise)
        led = bracket.falls & self._guide[cells]
        guided, guided_po2, guided_mv = self._guided(bracket)
        value = np.where(led, guided, value)
        by_po2, by_mv = np.where(led, guided_po2, by_po2), np.where(led, guided_mv, by_mv)
        spread = self._block.spread(by_po2, by_mv, cells, self._excess[cells])
        # An upward crossing is bounded by the two nodes alone; the chord is the best estimate.
        allowance = np.where(led, GUIDED_ALLOWANCE, np.where(bracket.falls, 1.0, 0.5))
        u_shape = allowance * bracket.opening / np.sqrt(12.0)
        u = np.hypot(spread.u, u_shape)
        part = np.maximum(spread.u, 1e-6 * u) / u
        dof = spread.dof / part**4
        k = coverage_factor(dof)
        self.value[cells], self.u[cells], self.dof[cells] = value, u, dof
        self.lower[cells], self.upper[cells] = value - k * u, value + k * u
        self.u_shape[cells] = u_shape
        self.sensitivity[cells] = np.concatenate([by_po2, by_mv]).T
        odd, few = cells[~self._described[cells]], cells[self._described[cells] & ~curve[cells]]
        self.reason[odd] = (
            "the response does not have the shape of a line bent by a ceiling: "
            "how far it is linear is interpolated between measured errors"
        )
        self.reason[few] = (
            "too few steps for a free curve: how far it is linear is interpolated between measured errors"
        )

    def _guided(self, bracket: Bracket) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Crossing of the curve led through both measured nodes, kept inside the bracket; its derivatives.

        Returns:
            The crossing (A,), and its derivatives by PO2 and by output of every step, (K, A).
        """
        cells = bracket.cells
        width = bracket.high_po2 - bracket.low_po2
        miss_low = bracket.low_mv - self._output(cells, bracket.low_po2)
        miss_high = bracket.high_mv - self._output(cells, bracket.high_po2)

        def inside(p: FloatArray) -> NDArray[np.bool_]:
            part = (p - bracket.low_po2) / width
            output = self._output(cells, p) + miss_low + part * (miss_high - miss_low)
            return np.asarray(output > bracket.line * p)

        crossing = np.clip(
            _halve(bracket.low_po2, bracket.high_po2, inside), bracket.nearest, bracket.farthest
        )
        at = np.stack([crossing, bracket.low_po2, bracket.high_po2])
        fit, k = self._fits.free, self._block.k
        amplitude = fit.amplitude[cells]
        g, slopes, rises = column_and_slopes(fit.shape[:, cells], log_ratio(at, self._block.top[cells]), at)
        rises = amplitude * rises
        # Where the curve is steeper than the line there is no crossing of that slope; the chord's is used.
        rise = rises[0] + (miss_high - miss_low) / width
        rise = np.where(rise < bracket.chord_rise, rise, bracket.chord_rise)
        by_po2, by_mv = bracket.sensitivity(crossing, rise, rises[1], rises[2])
        # The bend of the curve between the nodes is known from the other steps.
        part = (crossing - bracket.low_po2) / width
        by_parameter = np.stack(
            [
                x[0] - (1.0 - part) * x[1] - part * x[2]
                for x in (g, amplitude * slopes[0], amplitude * slopes[1])
            ]
        ) / (bracket.line - rise)
        influence = self._fits.free_covariance[1][cells, 1:, :k]
        bend = np.einsum("pb,bpr->rb", by_parameter, influence)
        return crossing, by_po2 - bend * self._fits.final_slope[:k, cells], by_mv + bend

    # Beyond the tested range

    def _beyond(
        self, cells: IntArray, curve: NDArray[np.bool_], crossing: FloatArray, kappa: FloatArray
    ) -> None:
        """Find the highest tested PO2 that is shown to be inside the band (one-sided 95 %)."""
        if not cells.size:
            return
        nodes, tested_to = self._nodes, self._block.tested_to[cells]
        reached = np.full(cells.size, np.nan)
        blocked = np.zeros(cells.size, dtype=bool)
        outside = np.zeros(cells.size, dtype=bool)
        u_errors = nodes.u_errors(cells, self._excess[cells])
        for j in range(nodes.count):
            here = nodes.above[j, cells]
            if not np.any(here):
                continue
            error, top = nodes.error[j, cells], nodes.po2[j, cells]
            doubt = ONE_SIDED * u_errors[j]
            outside |= here & (np.abs(error) > LINEAR_TO_ERROR)
            blocked |= here & ~(np.abs(error) + doubt <= LINEAR_TO_ERROR)
            # The top step counts with its nominal PO2 if an output that stays flat from here on would still
            # be inside there.
            flat = (1.0 + error - doubt) * top / tested_to >= 1.0 - LINEAR_TO_ERROR
            nominal = (np.abs(tested_to / top - 1.0) < NOMINAL_SLACK) & flat
            reached = np.where(here & ~blocked, np.where(nominal, tested_to, top), reached)
        self.at_least[cells] = reached
        # Where steps are in doubt but none is outside, the whole curve shows more than the steps below them.
        doubtful = blocked & curve[cells] & ~outside
        if np.any(doubtful):
            some = cells[doubtful]
            least = self._least_by_profile(some, reached[doubtful])
            near = np.isfinite(crossing[some])
            close = some[near]
            if close.size:
                u = self._linearised(close, crossing[close], kappa[close]).u
                least[near] = np.minimum(least[near], crossing[close] - ONE_SIDED * u)
            self.at_least[some] = np.clip(least, self._calibration, tested_to[doubtful])
        nothing = cells[~np.isfinite(self.at_least[cells])]
        self.reason[nothing] = np.where(
            nodes.above[:, nothing].any(axis=0),
            "the measured errors are too uncertain to say how far this cell is linear",
            f"no step above the calibration point, PO2 {self._calibration:.2f} bar",
        )

    def _least_by_profile(self, cells: IntArray, reached: FloatArray) -> FloatArray:
        """Lowest crossing that the data do not exclude (one-sided 95 %), (A,)."""
        start = self._fits.free.shape[:, cells].copy()
        start[0] = np.maximum(start[0], -np.log1p(-LINEAR_TO_ERROR))
        start[1] = np.clip(start[1], np.log(2.0), np.log(24.0))
        wanted = (ONE_SIDED * self._excess[cells]) ** 2
        least = np.fmax(reached, 1.06 * self._calibration)
        highest = np.maximum(self._block.tested_to[cells], least)
        return _halve(least, highest, lambda t: self._profile(cells, t, start) >= wanted, halvings=9)


def _halve(
    low: FloatArray,
    high: FloatArray,
    before: Callable[[FloatArray], NDArray[Any]],
    halvings: int = _HALVINGS,
) -> FloatArray:
    """Bisect: `before(x)` is true below the wanted point, (A,)."""
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        below = before(middle)
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray(0.5 * (low + high))


def _profile_limit(
    rise: Callable[[FloatArray], FloatArray],
    centre: FloatArray,
    reach: FloatArray,
    wanted: FloatArray,
    least: float,
    evaluations: int = 3,
) -> FloatArray:
    """Where the root of the rise of chi-squared reaches `wanted`, (A,).

    That root is nearly a straight line through the centre, so a few secant steps from the linearised limit,
    `centre + reach`, are enough.
    """
    guess = np.maximum(centre + reach, least)
    before, before_root = centre, np.zeros_like(centre)
    best, best_miss = guess, np.full_like(centre, np.inf)
    closest, farthest = centre + 0.2 * reach, centre + 3.0 * reach
    low, high = np.minimum(closest, farthest), np.maximum(closest, farthest)
    for _ in range(evaluations):
        root = np.sqrt(rise(guess))
        miss = np.abs(root - wanted)
        best = np.where(miss < best_miss, guess, best)
        best_miss = np.minimum(miss, best_miss)
        gain = root - before_root
        slope = np.where(np.abs(gain) > 1e-3 * wanted, gain, np.inf)
        following = np.clip(guess + (guess - before) * (wanted - root) / slope, low, high)
        before, before_root, guess = guess, root, np.maximum(following, least)
    # The last secant step is better than the last point tried, unless the search was erratic.
    return np.asarray(np.where(best_miss < 0.25 * wanted, guess, best))
