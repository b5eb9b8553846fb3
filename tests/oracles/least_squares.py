"""One nonlinear least-squares fit at a time, slow and general: what the batched fits are held to.

It shares no code with `grading`, and is itself held to the certified values of the NIST Statistical Reference
Datasets, parameters, standard deviations and sums of squares, by `tests/outside/test_regression_nist.py`.
"""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

STEP = 1e-30


@dataclass(frozen=True)
class Fit:
    """What a fit found: (P,), (P, P), the weighted sum of squared residuals, and M - P."""

    parameters: np.ndarray
    covariance: np.ndarray
    chi_squared: float
    degrees_of_freedom: int

    @property
    def standard_uncertainty(self):
        """Of the parameters, (P,)."""
        return np.sqrt(np.diagonal(self.covariance))


def fit_least_squares(model, y, start, covariance=None):
    """Fit a model, analytic in its parameters (P,), to data (M,).

    With the data's `covariance` (M, M) the uncertainties follow from it; without it they are scaled by the
    residual standard deviation, as for data of equal but unknown scatter.

    Raises:
        ValueError: when the minimum was not found, or the data do not determine a parameter.
    """
    y, start = np.asarray(y, dtype=float), np.asarray(start, dtype=float)
    w = np.eye(y.size) if covariance is None else np.linalg.inv(np.linalg.cholesky(covariance))

    def residual(b):
        return w @ (model(b) - y)

    def jacobian(b):
        # The derivative by the complex step is exact to rounding.
        steps = STEP * np.eye(b.size)
        return w @ np.stack([np.imag(model(b + 1j * step)) / STEP for step in steps], axis=1)

    size = np.where(start != 0.0, np.abs(start), 1.0)
    with np.errstate(over="ignore", invalid="ignore"):
        found = least_squares(
            residual,
            start,
            jac=jacobian,
            method="lm",
            x_scale=size,
            xtol=1e-15,
            ftol=1e-15,
            gtol=1e-15,
            max_nfev=2000,
        )
    if found.status <= 0:
        raise ValueError(f"the fit did not converge: {found.message}")
    b = found.x
    # Gauss-Newton steps for the last digits, as long as they do not raise chi-squared.
    for _ in range(3):
        trial = b - np.linalg.lstsq(jacobian(b), residual(b), rcond=1e-12)[0]
        if not np.sum(residual(trial) ** 2) <= np.sum(residual(b) ** 2):
            break
        b = trial
    slopes = jacobian(b)
    scale = np.linalg.norm(slopes, axis=0)
    if np.linalg.matrix_rank(slopes / scale, tol=1e-10) < b.size:
        raise ValueError("the data do not determine every parameter")
    half = np.linalg.pinv(slopes / scale) / scale[:, None]
    chi_squared, dof = float(np.sum(residual(b) ** 2)), y.size - b.size
    spread = chi_squared / dof if covariance is None else 1.0
    return Fit(b, spread * half @ half.T, chi_squared, dof)
