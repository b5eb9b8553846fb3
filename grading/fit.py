"""Least squares with full covariance: one fit at a time, or thousands of small ones side by side.

`fit_least_squares` is for one curve. `SeparableBatch` fits many short data sets that share a model with one
linear amplitude and one or two shape parameters, by variable projection and Levenberg-Marquardt; its arrays
run over data sets in the last axis, so that every numpy call works on long contiguous rows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.optimize import least_squares

from grading.measurement import FloatArray
from grading.uncertainty import complex_step_jacobian

Model = Callable[[NDArray[Any]], NDArray[Any]]
"""Maps parameters (P,) to predictions (M,)."""
Jacobian = Callable[[FloatArray], FloatArray]
"""Maps parameters (P,) to derivatives (M, P)."""


@dataclass(frozen=True, slots=True)
class Fit:
    """What a least-squares fit found.

    Attributes:
        parameters: shape (P,).
        covariance: shape (P, P); NaN rows and columns for parameters that the data do not determine.
        standard_uncertainty: shape (P,); NaN where undetermined, which is never the same as zero.
        chi_squared: weighted sum of squared residuals.
        degrees_of_freedom: M - P.
        residuals: whitened, shape (M,).
        converged: whether the minimum was found and every parameter is determined.
        reason: a sentence when not; else empty.
    """

    parameters: FloatArray
    covariance: FloatArray
    standard_uncertainty: FloatArray
    chi_squared: float
    degrees_of_freedom: int
    residuals: FloatArray
    converged: bool
    reason: str


def whitener(covariance: FloatArray) -> FloatArray:
    """Lower-triangular W with W C W^T = 1, from the Cholesky factor of C.

    Args:
        covariance: symmetric and positive definite, shape (M, M).

    Raises:
        ValueError: the covariance is not positive definite.
    """
    try:
        factor = cholesky(np.asarray(covariance, dtype=np.float64), lower=True)
    except np.linalg.LinAlgError as error:
        raise ValueError("the covariance of the data is not positive definite") from error
    return np.asarray(solve_triangular(factor, np.eye(factor.shape[0]), lower=True))


def fit_least_squares(
    model: Model,
    y: FloatArray,
    start: FloatArray,
    *,
    jacobian: Jacobian | None = None,
    covariance: FloatArray | None = None,
    sd: FloatArray | float | None = None,
    bounds: tuple[FloatArray, FloatArray] | None = None,
) -> Fit:
    """Weighted, possibly correlated, possibly bounded nonlinear least squares.

    With `sd` or `covariance` the uncertainties follow from them; without either, they are scaled by the
    residual standard deviation, as for data of equal but unknown scatter.

    Args:
        model: maps parameters (P,) to predictions (M,). Analytic unless `jacobian` is given.
        y: data, shape (M,).
        start: first guess, shape (P,).
        jacobian: derivatives (M, P); by the complex step when left out.
        covariance: of the data, shape (M, M).
        sd: standard deviation of the data, number or shape (M,).
        bounds: lowest and highest parameters, each of shape (P,).

    Returns:
        The fit; `converged` is false, with a reason, rather than an exception, when it cannot be had.

    Raises:
        ValueError: fewer data than parameters, a start outside the bounds, both `sd` and `covariance`.
    """
    y = np.asarray(y, dtype=np.float64)
    start = np.asarray(start, dtype=np.float64)
    if y.size < start.size:
        raise ValueError(f"{y.size} data cannot determine {start.size} parameters")
    if sd is not None and covariance is not None:
        raise ValueError("give the data's standard deviation or their covariance, not both")
    weights: FloatArray | None = None
    if covariance is not None:
        weights = whitener(covariance)
    elif sd is not None:
        weights = np.diag(1.0 / np.broadcast_to(np.asarray(sd, dtype=np.float64), y.shape))

    def whitened(values: FloatArray) -> FloatArray:
        return values if weights is None else weights @ values

    def residual(parameters: FloatArray) -> FloatArray:
        return whitened(np.real(model(parameters)) - y)

    def derivative(parameters: FloatArray) -> FloatArray:
        if jacobian is not None:
            return whitened(np.asarray(jacobian(parameters), dtype=np.float64))
        return whitened(complex_step_jacobian(model, parameters)[1])

    bounded = bounds is not None
    # The start tells the size of each parameter; scaled by the Jacobian instead, the first step can run off
    # to where the model is flat.
    size = np.where(start != 0.0, np.abs(start), 1.0)
    try:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            found = least_squares(
                residual,
                start,
                jac=derivative,
                bounds=(-np.inf, np.inf) if bounds is None else bounds,
                method="trf" if bounded else "lm",
                x_scale=size,
                xtol=1e-15,
                ftol=1e-15,
                gtol=1e-15,
                max_nfev=2000,
            )
    except (ValueError, FloatingPointError, np.linalg.LinAlgError) as error:
        missing = np.full(start.size, np.nan)
        return Fit(
            parameters=missing,
            covariance=np.full((start.size, start.size), np.nan),
            standard_uncertainty=missing,
            chi_squared=float("nan"),
            degrees_of_freedom=y.size - start.size,
            residuals=np.full(y.size, np.nan),
            converged=False,
            reason=f"the fit broke down: {error}",
        )
    parameters = np.asarray(found.x, dtype=np.float64)
    if not bounded:
        parameters = _polished(parameters, residual, derivative)
    residuals = residual(parameters)
    chi_squared = float(residuals @ residuals)
    dof = y.size - start.size
    at_bound = np.zeros(start.size, dtype=bool)
    if bounds is not None:
        at_bound = np.asarray(found.active_mask) != 0
    slopes = derivative(parameters)
    # Where moving a parameter by its own size changes nothing that could be seen, the data do not know it.
    effect = np.linalg.norm(slopes, axis=0) * np.maximum(np.abs(parameters), size)
    known = effect > 1e-10 * np.linalg.norm(whitened(y))
    raw = covariance_from_jacobian(slopes, ~at_bound & known)
    if weights is None:
        raw = raw * (chi_squared / dof if dof > 0 else np.nan)
    sd_found = np.sqrt(np.diagonal(raw))
    reason = ""
    if found.status <= 0:
        reason = "the fit did not converge"
    elif dof == 0 and weights is None:
        reason = "as many parameters as data: their uncertainty is undetermined"
    elif np.any(at_bound):
        reason = f"parameter {int(np.argmax(at_bound)) + 1} is at its bound: its uncertainty is undetermined"
    elif not np.all(np.isfinite(sd_found)):
        which = int(np.argmax(~np.isfinite(sd_found))) + 1
        reason = f"the data do not determine parameter {which}"
    return Fit(parameters, raw, sd_found, chi_squared, dof, residuals, not reason, reason)


def _polished(
    parameters: FloatArray,
    residual: Callable[[FloatArray], FloatArray],
    derivative: Callable[[FloatArray], FloatArray],
) -> FloatArray:
    """Take up to three Gauss-Newton steps for the last digits, as long as they do not raise chi-squared."""
    best = residual(parameters)
    for _ in range(3):
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            step = np.linalg.lstsq(derivative(parameters), -best, rcond=1e-12)[0]
            trial = residual(parameters + step)
        if not (trial @ trial <= best @ best):
            break
        parameters, best = parameters + step, trial
    return parameters


def covariance_from_jacobian(jacobian: FloatArray, free: NDArray[np.bool_] | None = None) -> FloatArray:
    """(J^T J)^-1 by a scaled singular value decomposition.

    Args:
        jacobian: whitened, shape (M, P).
        free: which parameters to vary, shape (P,); the others get NaN.

    Returns:
        Shape (P, P); NaN for parameters that are held or that a degenerate direction touches.
    """
    count = jacobian.shape[1]
    covariance = np.full((count, count), np.nan)
    index = np.arange(count) if free is None else np.flatnonzero(free)
    if index.size == 0:
        return covariance
    used = jacobian[:, index]
    scale = np.linalg.norm(used, axis=0)
    safe = np.where(scale > 0.0, scale, 1.0)
    _, singular, rows = np.linalg.svd(used / safe, full_matrices=False)
    kept = singular > singular[0] * 1e-10 if singular.size and singular[0] > 0 else np.zeros(0, dtype=bool)
    inverse = np.where(kept, 1.0 / np.where(kept, singular, 1.0), 0.0)
    half = rows.T * inverse
    result = (half @ half.T) / np.outer(safe, safe)
    lost = np.any(np.abs(rows[~kept]) > 1e-6, axis=0) if not np.all(kept) else np.zeros(index.size, bool)
    result[lost, :] = np.nan
    result[:, lost] = np.nan
    covariance[np.ix_(index, index)] = result
    return covariance


# Batched fits. Axes: R data of one set, B sets side by side.


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
"""A minimum counts as found when the iterations run out with less than this left to gain, relatively."""
COMPACT: Final = 0.7
"""Sets that are done are dropped when less than this part is still going."""


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
            # Copying the whiteners costs as much as a step, so those that are done ride along for a while.
            if going < COMPACT * settled.size:
                keep = ~settled
                result.converged[index[settled]] = True
                index, where, w = index[keep], where[keep], w[..., keep]
                shape, step, damping, enough = shape[:, keep], step[:, keep], damping[keep], enough[keep]
                state, settled = state.take(keep), settled[keep]
            trial = np.clip(shape + step, lower, upper)
            new = self._evaluate(moving, trial, index, where, w)
            # What is done stays as it is, so that no set's answer depends on its neighbours.
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
        # In a flat valley that bends, steps go on gaining next to nothing: the minimum is known all the same.
        promise = _damped_step(state, shape, lower, upper, np.zeros_like(damping))[1]
        settled |= promise < FLAT * (1.0 + state.chi_squared)
        result.converged[index[settled]] = True
        return result


def _damped_step(
    state: _State, shape: FloatArray, lower: FloatArray, upper: FloatArray, damping: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Levenberg-Marquardt step for one or two parameters, with those held that push against a bound.

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
    # Clip first: what a bound cuts off was never going to be gained.
    step = np.clip(shape + step, lower, upper) - shape
    promise = np.zeros(step.shape[1])
    for p in range(step.shape[0]):
        bent = sum(state.hessian[p, q] * step[q] for q in range(step.shape[0]))
        promise += step[p] * (2.0 * gradient[p] - bent)
    return step, promise
