"""Least squares with full covariance for thousands of small data sets side by side.

`SeparableBatch` fits many short data sets that share a model with one linear amplitude and one or two shape
parameters, by variable projection and Levenberg-Marquardt; its arrays run over data sets in the last axis, so
that each numpy call works on long contiguous rows. Axes below: R data of one set, B sets side by side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from grading.measurement import FloatArray


def batch_whiteners(common: FloatArray, variance: FloatArray, present: NDArray[np.bool_]) -> FloatArray:
    """Whiteners of many small covariances C = sum of common rows' outer products + diagonal.

    Args:
        common: sensitivity times standard uncertainty of each common source, shape (C, R, B).
        variance: independent variance, shape (R, B); above zero where `present`.
        present: which data exist, shape (R, B).

    Returns:
        Lower-triangular W of shape (R, R, B); rows and columns of missing data are zero.
    """
    rows, _ = variance.shape
    common = np.where(present, common, 0.0)
    factor = np.einsum("cib,cjb->ijb", common, common)
    diagonal = np.arange(rows)
    factor[diagonal, diagonal] += np.where(present, variance, 1.0)
    for j in range(rows):
        if j:
            factor[j:, j] -= np.einsum("ikb,kb->ib", factor[j:, :j], factor[j, :j])
        root = np.sqrt(factor[j, j])
        factor[j:, j] /= root
    inverse = np.zeros_like(factor)
    for i in range(rows):
        inverse[i, i] = 1.0 / factor[i, i]
        if i:
            inverse[i, :i] = np.einsum("kb,kjb->jb", factor[i, :i], inverse[:i, :i])
            inverse[i, :i] *= -inverse[i, i]
    inverse[diagonal, diagonal] *= present
    return np.asarray(inverse, dtype=np.float64)


def apply_whitener(w: FloatArray, x: FloatArray) -> FloatArray:
    """W x for w of shape (R, R, B), or (R, B) when diagonal, and x of shape (..., R, B)."""
    if w.ndim == 2:
        return np.asarray(w * x, dtype=np.float64)
    return np.asarray(np.einsum("ijb,...jb->...ib", w, x), dtype=np.float64)


MovingColumn = Callable[[FloatArray, NDArray[np.int64]], tuple[FloatArray, FloatArray]]
"""Maps shape parameters (P, A) of the sets `index` (A,) to the moving column (R, A) and its derivatives
(P, R, A)."""


@dataclass(slots=True)
class BatchFit:
    """Result of a batched separable fit.

    Attributes:
        shape: shape parameters, (P, B).
        amplitude: of the moving column, (B,).
        fixed: coefficient of the fixed column, (B,); zero when there is none.
        chi_squared: (B,).
        converged: (B,).
        iterations: (B,).
    """

    shape: FloatArray
    amplitude: FloatArray
    fixed: FloatArray
    chi_squared: FloatArray
    converged: NDArray[np.bool_]
    iterations: NDArray[np.int64]

    def take(self, index: NDArray[np.int64]) -> BatchFit:
        """Return the sets `index` alone."""
        return BatchFit(
            shape=self.shape[:, index],
            amplitude=self.amplitude[index],
            fixed=self.fixed[index],
            chi_squared=self.chi_squared[index],
            converged=self.converged[index],
            iterations=self.iterations[index],
        )

    def put(self, index: NDArray[np.int64], other: BatchFit) -> None:
        """Replace the sets `index` by those of another fit of the same model."""
        self.shape[:, index] = other.shape
        self.amplitude[index] = other.amplitude
        self.fixed[index] = other.fixed
        self.chi_squared[index] = other.chi_squared
        self.converged[index] = other.converged
        self.iterations[index] += other.iterations


@dataclass(slots=True)
class _State:
    chi_squared: FloatArray
    amplitude: FloatArray
    fixed: FloatArray
    gradient: FloatArray
    hessian: FloatArray

    def take(self, keep: NDArray[np.bool_]) -> _State:
        """The sets `keep` alone."""
        return _State(
            self.chi_squared[keep],
            self.amplitude[keep],
            self.fixed[keep],
            self.gradient[:, keep],
            self.hessian[:, :, keep],
        )

    def where(self, mask: NDArray[np.bool_], other: _State) -> _State:
        """This state where `mask`, else the other."""
        return _State(
            np.where(mask, self.chi_squared, other.chi_squared),
            np.where(mask, self.amplitude, other.amplitude),
            np.where(mask, self.fixed, other.fixed),
            np.where(mask, self.gradient, other.gradient),
            np.where(mask, self.hessian, other.hessian),
        )


_TINY: Final = 1e-300
FLAT: Final = 1e-3
"""A minimum counts as found when the iterations end with less than this left to gain, relatively."""
COMPACT: Final = 0.7
"""Converged sets are dropped when less than this part of all sets is still iterating."""


class SeparableBatch:
    """Least squares of y = a * fixed + s * moving(shape), many sets side by side.

    The linear coefficients are projected out exactly (Golub and Pereyra 1973, with Kaufman's Jacobian), so
    that only one or two shape parameters are iterated, by Levenberg-Marquardt within bounds.
    """

    def __init__(self, w: FloatArray, y: FloatArray, fixed: FloatArray | None) -> None:
        """Whiten the data once.

        Args:
            w: whitener, shape (R, R, B), or (R, B) when it is diagonal.
            y: data, shape (R, B); zero where missing.
            fixed: fixed column, shape (R, B), or None.
        """
        self._w = w
        self._y = apply_whitener(w, y)
        self._unit: FloatArray | None = None
        self._fixed_norm: FloatArray | None = None
        self._fixed_dot: FloatArray | None = None
        self._y_rest = self._y
        if fixed is not None:
            column = apply_whitener(w, fixed)
            self._fixed_norm = np.sqrt(np.einsum("rb,rb->b", column, column))
            self._unit = column / np.maximum(self._fixed_norm, _TINY)
            self._fixed_dot = np.einsum("rb,rb->b", self._unit, self._y)
            self._y_rest = self._y - self._unit * self._fixed_dot

    @property
    def count(self) -> int:
        """Number of sets."""
        return int(self._y.shape[-1])

    def subset(self, index: NDArray[np.int64], fixed: bool = True) -> SeparableBatch:
        """The sets `index` alone; `fixed=False` drops the fixed column."""
        part = object.__new__(SeparableBatch)
        part._w = self._w[..., index]
        part._y = self._y[:, index]
        keep = fixed and self._unit is not None
        part._unit = self._unit[:, index] if keep and self._unit is not None else None
        part._fixed_norm = self._fixed_norm[index] if keep and self._fixed_norm is not None else None
        part._fixed_dot = self._fixed_dot[index] if keep and self._fixed_dot is not None else None
        part._y_rest = self._y_rest[:, index] if keep else part._y
        return part

    def linear(self, moving: FloatArray) -> BatchFit:
        """Fit the linear coefficients alone, for a given moving column of shape (R, B)."""
        column, dot_fixed = self._project(apply_whitener(self._w, moving), slice(None))
        square = np.maximum(np.einsum("rb,rb->b", column, column), _TINY)
        amplitude = np.einsum("rb,rb->b", column, self._y_rest) / square
        residual = self._y_rest - amplitude * column
        fixed = np.zeros_like(amplitude)
        if self._fixed_norm is not None and self._fixed_dot is not None:
            fixed = (self._fixed_dot - amplitude * dot_fixed) / np.maximum(self._fixed_norm, _TINY)
        return BatchFit(
            shape=np.zeros((0, self.count)),
            amplitude=amplitude,
            fixed=fixed,
            chi_squared=np.einsum("rb,rb->b", residual, residual),
            converged=np.ones(self.count, dtype=bool),
            iterations=np.zeros(self.count, dtype=np.int64),
        )

    def _project(self, x: FloatArray, where: Any) -> tuple[FloatArray, FloatArray]:
        if self._unit is None:
            return x, np.zeros(x.shape[:-2] + x.shape[-1:])
        unit = self._unit[:, where]
        dot = np.einsum("rb,...rb->...b", unit, x)
        return x - unit * dot[..., None, :], dot

    def _evaluate(
        self, moving: MovingColumn, shape: FloatArray, index: NDArray[np.int64], where: Any, w: FloatArray
    ) -> _State:
        value, slopes = moving(shape, index)
        column, dot_fixed = self._project(apply_whitener(w, value), where)
        square = np.maximum(np.einsum("rb,rb->b", column, column), _TINY)
        y_rest = self._y_rest[:, where]
        amplitude = np.einsum("rb,rb->b", column, y_rest) / square
        residual = y_rest - amplitude * column
        tangent, _ = self._project(apply_whitener(w, slopes), where)
        tangent -= column * (np.einsum("rb,prb->pb", column, tangent) / square)[:, None, :]
        tangent *= amplitude
        fixed = np.zeros_like(amplitude)
        if self._fixed_norm is not None and self._fixed_dot is not None:
            norm = np.maximum(self._fixed_norm[where], _TINY)
            fixed = (self._fixed_dot[where] - amplitude * dot_fixed) / norm
        return _State(
            chi_squared=np.einsum("rb,rb->b", residual, residual),
            amplitude=amplitude,
            fixed=fixed,
            gradient=np.einsum("prb,rb->pb", tangent, residual),
            hessian=np.einsum("prb,qrb->pqb", tangent, tangent),
        )

    def solve(
        self,
        moving: MovingColumn,
        start: FloatArray,
        lower: FloatArray,
        upper: FloatArray,
        tolerance: float = 1e-7,
        most_iterations: int = 40,
    ) -> BatchFit:
        """Minimise over the shape parameters.

        Args:
            moving: the moving column and its derivatives.
            start: first guess, shape (P, B).
            lower: bounds, shape (P,).
            upper: bounds, shape (P,).
            tolerance: stop when a step lowers chi-squared, or promises to, by less than this, relative to
                1 + chi-squared.
            most_iterations: a set that needs more is returned as not converged.
        """
        lower, upper = lower[:, None], upper[:, None]
        shape = np.clip(start, lower, upper)
        count = self.count
        everything = np.arange(count)
        state = self._evaluate(moving, shape, everything, slice(None), self._w)
        result = BatchFit(
            shape=shape.copy(),
            amplitude=state.amplitude.copy(),
            fixed=state.fixed.copy(),
            chi_squared=state.chi_squared.copy(),
            converged=np.zeros(count, dtype=bool),
            iterations=np.zeros(count, dtype=np.int64),
        )
        index, w, where = everything, self._w, everything
        damping = np.full(count, 1e-3)
        settled = np.zeros(count, dtype=bool)
        for _ in range(most_iterations):
            step, promise = _damped_step(state, shape, lower, upper, damping)
            enough = tolerance * (1.0 + state.chi_squared)
            settled |= ~(promise > enough)
            going = int(settled.size - np.count_nonzero(settled))
            if not going:
                break
            # Copying the whiteners costs as much as a step, so converged sets stay in the batch for a while.
            if going < COMPACT * settled.size:
                keep = ~settled
                result.converged[index[settled]] = True
                index, where, w = index[keep], where[keep], w[..., keep]
                shape, step, damping, enough = shape[:, keep], step[:, keep], damping[keep], enough[keep]
                state, settled = state.take(keep), settled[keep]
            trial = np.clip(shape + step, lower, upper)
            new = self._evaluate(moving, trial, index, where, w)
            # A converged set no longer changes, so that no set's result depends on its neighbours.
            better = (new.chi_squared < state.chi_squared) & ~settled
            settled |= better & (state.chi_squared - new.chi_squared < enough)
            shape = np.where(better, trial, shape)
            state = new.where(better, state)
            damping = np.where(better, np.maximum(damping * 0.1, 1e-12), damping * 8.0)
            result.shape[:, index] = shape
            result.amplitude[index] = state.amplitude
            result.fixed[index] = state.fixed
            result.chi_squared[index] = state.chi_squared
            result.iterations[index] += 1
        # In a flat, bent valley the steps keep gaining almost nothing: the minimum is known all the same.
        promise = _damped_step(state, shape, lower, upper, np.zeros_like(damping))[1]
        settled |= promise < FLAT * (1.0 + state.chi_squared)
        result.converged[index[settled]] = True
        return result


def _damped_step(
    state: _State, shape: FloatArray, lower: FloatArray, upper: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Levenberg-Marquardt step for one or two parameters; a parameter that pushes against a bound is held.

    Returns:
        Step of shape (P, B) and the fall of chi-squared that it promises, shape (B,).
    """
    gradient = state.gradient
    held = ((shape <= lower) & (gradient < 0.0)) | ((shape >= upper) & (gradient > 0.0))
    free = ~held
    gradient = np.where(free, gradient, 0.0)
    if gradient.shape[0] == 1:
        curvature = state.hessian[0, 0] * (1.0 + damping) + _TINY
        step = gradient / curvature
    else:
        a = np.where(free[0], state.hessian[0, 0] * (1.0 + damping), 1.0) + _TINY
        c = np.where(free[1], state.hessian[1, 1] * (1.0 + damping), 1.0) + _TINY
        b = np.where(free[0] & free[1], state.hessian[0, 1], 0.0)
        determinant = np.maximum(a * c - b * b, 1e-14 * a * c + _TINY)
        step = np.stack(
            [
                (c * gradient[0] - b * gradient[1]) / determinant,
                (a * gradient[1] - b * gradient[0]) / determinant,
            ]
        )
    # Clip first: what a bound cuts off cannot be gained.
    step = np.clip(shape + step, lower, upper) - shape
    promise = np.zeros(step.shape[1])
    for p in range(step.shape[0]):
        bent = sum(state.hessian[p, q] * step[q] for q in range(step.shape[0]))
        promise += step[p] * (2.0 * gradient[p] - bent)
    return step, promise
