"""The family of response shapes: a line that its own ceiling bends.

V(p) = z + S g(p), g(p) = p (1 + (S p / L)^n)^(-1/n): diffusion (slope S) and the cell's ceiling L blended
with sharpness n. n = 1 is the Koutecky-Levich form (Bard and Faulkner, Electrochemical Methods), large n a
hard ceiling. The shape is written by the *shortfall* m instead of the ceiling: at the highest tested PO2,
p_t, the output above zero is exp(-m) of the straight line's, so that (S p / L)^n = (exp(n m) - 1)
(p / p_t)^n. A straight line is m = 0, an ordinary point of this form, whereas other choices of parameters are
singular.

Arrays run over steps or grid points first and over cells last. A shape is (m, ln n), each of shape (B,).
"""

from __future__ import annotations

from typing import Final

import numpy as np

from grading.measurement import FloatArray

FIXED_SHARPNESS: Final = 4.0
HIGHEST_SHARPNESS: Final = 400.0
LOWEST_SHAPE: Final = np.array([0.0, 0.0])
HIGHEST_SHAPE: Final = np.array([3.0, float(np.log(HIGHEST_SHARPNESS))])
STARTING_SHAPES: Final = (
    (0.01, 2.0),
    (0.05, 2.0),
    (0.05, 8.0),
    (0.2, 2.0),
    (0.2, 5.0),
    (0.25, 25.0),
    (0.6, 3.0),
)
"""Starts of a fit as pairs of shortfall and sharpness; the best is used for each cell."""

STRAIGHT_STARTS: Final = ((0.002, 100.0), (0.002, 12.0))
"""Further starts for cells with a nearly straight result."""

_LOG_FLOOR: Final = -60.0
_LARGE: Final = 600.0
_FAR: Final = 80.0
_BIG: Final = 36.0


def log_ratio(po2: FloatArray, top: FloatArray) -> FloatArray:
    """ln(p / p_t), floored for PO2 zero."""
    with np.errstate(divide="ignore"):
        return np.asarray(np.maximum(np.log(np.maximum(po2, 0.0) / top), _LOG_FLOOR))


def column(shape: FloatArray, ratio: FloatArray, po2: FloatArray) -> FloatArray:
    """g(p) with V = z + S g, for shape = (m, ln n), each (B,); ratio = ln(p / p_t), (R, B)."""
    m, n = shape[0], np.exp(shape[1])
    power = np.exp(np.minimum(n * ratio, _FAR))
    y = power * np.expm1(np.minimum(n * m, _LARGE))
    return np.asarray(po2 * np.exp(-_softplus(y, n * (m + ratio)) / n))


def _softplus(y: FloatArray, exponent: FloatArray) -> FloatArray:
    """ln(1 + y), taken from the exponent where y = exp(exponent) is so large that 1 + y equals y."""
    return np.where(exponent > _BIG, exponent, np.log1p(np.minimum(y, 1e17)))


def column_and_slopes(
    shape: FloatArray, ratio: FloatArray, po2: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """g(p), its derivatives by (m, ln n), shape (2, R, B), and its derivative by p."""
    m, n = shape[0], np.exp(shape[1])
    power = np.exp(np.minimum(n * ratio, _FAR))
    y = power * np.expm1(np.minimum(n * m, _LARGE))
    logarithm = _softplus(y, n * (m + ratio)) / n
    relative = np.exp(-logarithm)
    g = po2 * relative
    below = 1.0 / (1.0 + y)
    slopes = np.empty((2, *g.shape))
    # With a = exp(n m) - 1 and y = a (p/p_t)^n, (p/p_t)^n (1 + a) is y + (p/p_t)^n.
    by_shortfall = (y + power) * below
    slopes[0] = -g * by_shortfall
    slopes[1] = g * (logarithm - m * by_shortfall - y * below * ratio)
    return g, slopes, relative * below


def knee_bar(shape: FloatArray, top: FloatArray) -> FloatArray:
    """PO2 at which the straight line would meet the ceiling, L / S, (B,); infinite for a straight line."""
    m, n = shape[0], np.exp(shape[1])
    with np.errstate(divide="ignore"):
        return np.asarray(top * np.exp(-m) * (-np.expm1(-n * m)) ** (-1.0 / n))


def log_knee_slopes(shape: FloatArray) -> FloatArray:
    """Derivatives of ln(knee) by (m, ln n), (2, B); for m above zero."""
    m, n = shape[0], np.exp(shape[1])
    rest = -np.expm1(-n * m)
    return np.stack([-1.0 / rest, np.log(rest) / n - m * (1.0 - rest) / rest])


def column_at_knee(
    log_sharpness: FloatArray, ratio: FloatArray, po2: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """g(p) and its derivative by ln n with the knee held; ratio = ln(p / knee), (R, B)."""
    n = np.exp(log_sharpness)
    y = np.exp(np.minimum(n * ratio, _LARGE))
    logarithm = _softplus(y, n * ratio) / n
    g = po2 * np.exp(-logarithm)
    return g, g * (logarithm - y / (1.0 + y) * ratio)
