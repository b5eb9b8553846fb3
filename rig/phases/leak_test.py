"""The leak test: the loss of pressure at rest, corrected for the gas's own cooling, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, hypot, log, sqrt
from typing import Literal

import numpy as np

from grading.measurement import FloatArray
from grading.settling.settled import slope_with_uncertainty

_ZERO_CELSIUS_K = 273.15
_U_UNSEEN_K_PER_MIN = 0.025
"""Standard uncertainty of the gas's warming rate beyond what the thermometer shows, as between two places in
the pot: half of 0.05 K/min."""
_U_UNKNOWN_K_PER_MIN = 0.1
"""The same without a thermometer."""
_COVERAGE = 2.0
_LAGS_S = np.geomspace(3.0, 90.0, 35)
_USUAL_LAG_S, _U_LOG_LAG = 20.0, 0.5
"""A sheathed probe in gas; known beforehand to a factor of 1.6, which counts only where the readings do not
show it."""

LeakVerdict = Literal["tight", "leaks", "leaks too much", "rises", "rises too much", "undecided"]


@dataclass(frozen=True, slots=True)
class LeakResult:
    """What a leak test found.

    Attributes:
        rate_mbar_per_min: loss of pressure at constant temperature; positive loses.
        expanded_uncertainty_mbar_per_min: at about 95 %.
        verdict: "tight" claims only that the loss is below the warning limit or within its uncertainty.
            "rises": gas comes in, through a supply valve that does not shut tight. "undecided": the
            uncertainty is wider than the limit that stops a run.
    """

    rate_mbar_per_min: float
    expanded_uncertainty_mbar_per_min: float
    verdict: LeakVerdict

    @property
    def text(self) -> str:
        """The result as a sentence."""
        rate, doubt = self.rate_mbar_per_min, self.expanded_uncertainty_mbar_per_min
        if self.verdict == "undecided":
            return f"Leak {rate:.2f} ± {doubt:.2f} mbar/min: undecided; a longer rest would decide."
        if self.verdict in ("rises", "rises too much"):
            return f"The pressure at rest rises by {-rate:.2f} ± {doubt:.2f} mbar/min: gas comes in."
        if rate < 0.0:
            return f"No leak found ({rate:.2f} ± {doubt:.2f} mbar/min): tight."
        return f"Leak {rate:.2f} ± {doubt:.2f} mbar/min: {self.verdict}."


def leak_rate(
    t_s: FloatArray,
    pressure_bar: FloatArray,
    temperature_c: FloatArray | None,
    *,
    warn_mbar_per_min: float,
    stop_mbar_per_min: float,
) -> LeakResult:
    """Judge a pot while no gas is let in or out.

    At rest the pressure itself is the quickest thermometer of the gas: p / p0 = (T / T0) (1 - leak t), so it
    gives the gas's temperature except for a straight line. The thermometer follows that temperature with a
    first-order lag and a memory of the ramp before, which is fitted too:

        thermometer - lagged(T0 (p / p0 - 1)) = a + b exp(-t / lag) + (leak T0) t

    so neither the cooling after the ramp nor the lag looks like a leak. The uncertainty of the slope includes
    that of the lag, is enlarged for autocorrelation, and is combined with what one thermometer cannot see.

    Args:
        t_s: stamps, growing, shape (n,).
        pressure_bar: absolute, shape (n,).
        temperature_c: of the pot at the same stamps, shape (n,); None without a thermometer.
        warn_mbar_per_min: a change above this is reported.
        stop_mbar_per_min: a change above this stops the run.
    """
    pressure = float(np.mean(pressure_bar))
    if temperature_c is None:
        slope, u_slope = slope_with_uncertainty(t_s, pressure_bar)
        rate, u_fitted = -60e3 * slope, 60e3 * u_slope
        kelvin, u_k_per_min = 20.0 + _ZERO_CELSIUS_K, _U_UNKNOWN_K_PER_MIN
    else:
        kelvin, u_k_per_min = float(np.mean(temperature_c)) + _ZERO_CELSIUS_K, _U_UNSEEN_K_PER_MIN
        t, p, shown = _by_the_second(t_s, pressure_bar, temperature_c)
        slope, u_slope = _unexplained_slope(t, kelvin * (p / pressure - 1.0), shown - np.mean(shown))
        rate, u_fitted = slope * pressure / kelvin * 60e3, u_slope * pressure / kelvin * 60e3
    expanded = _COVERAGE * hypot(u_fitted, pressure / kelvin * u_k_per_min * 1e3)
    verdict: LeakVerdict = "tight"
    if expanded > stop_mbar_per_min:
        verdict = "undecided"
    elif abs(rate) > stop_mbar_per_min:
        verdict = "leaks too much" if rate > 0.0 else "rises too much"
    elif abs(rate) > warn_mbar_per_min:
        verdict = "leaks" if rate > 0.0 else "rises"
    return LeakResult(rate, expanded, verdict)


def _by_the_second(t_s: FloatArray, *columns: FloatArray) -> tuple[FloatArray, ...]:
    """Means over whole seconds, of the stamps first: a thermometer is read no more often than that."""
    second = np.floor(t_s - t_s[0] + 1e-6).astype(int)
    count = np.bincount(second)
    there = count > 0
    return tuple(np.bincount(second, column)[there] / count[there] for column in (t_s, *columns))


def _unexplained_slope(t_s: FloatArray, gas_k: FloatArray, shown_k: FloatArray) -> tuple[float, float]:
    """Slope in K/s of what the thermometer shows beyond its lagged answer to `gas_k`, and its uncertainty.

    The lag is chosen from a grid by least squares, together with what is known of it beforehand, and refined
    by a parabola in its logarithm.
    """
    x = t_s - t_s[0]
    followed = _lagged(x, gas_k, _LAGS_S)
    fitted = np.array([_fit(x, shown_k - followed[i], lag)[2] for i, lag in enumerate(_LAGS_S)])
    freedom = max(len(x) - 4, 1)
    costs = fitted + np.min(fitted) / freedom * (np.log(_LAGS_S / _USUAL_LAG_S) / _U_LOG_LAG) ** 2
    best = int(np.argmin(costs))
    lag_s = float(_LAGS_S[best])
    if 0 < best < len(_LAGS_S) - 1:
        before, here, after = costs[best - 1 : best + 2]
        bend = before - 2.0 * here + after
        if bend > 0.0:
            lag_s *= exp(0.5 * (before - after) / bend * log(_LAGS_S[1] / _LAGS_S[0]))
    step = 1e-3
    near_s = lag_s * np.array([1.0, exp(step), exp(-step)])
    at, longer, shorter = _lagged(x, gas_k, near_s)
    coefficients, modes, cost = _fit(x, shown_k - at, lag_s)
    memory = coefficients[1] * (np.exp(-x / near_s[1]) - np.exp(-x / near_s[2]))
    jacobian = np.column_stack([modes, (longer - shorter + memory) / (2.0 * step)])
    residual = shown_k - at - modes @ coefficients
    variance = max(cost / freedom, 1e-12)
    information = jacobian.T @ jacobian / variance
    information[3, 3] += 1.0 / _U_LOG_LAG**2
    u_white = sqrt(float(np.linalg.inv(information)[2, 2]))
    r1 = float(residual[1:] @ residual[:-1]) / cost if cost > 0.0 else 0.0
    r1 = min(max(r1, 0.0), 0.97)
    return float(coefficients[2]), u_white * sqrt((1.0 + r1) / (1.0 - r1))


def _fit(x: FloatArray, y: FloatArray, lag_s: float) -> tuple[FloatArray, FloatArray, float]:
    """Least squares of a constant, exp(-x / lag) and a slope: coefficients, modes, sum of squares."""
    modes = np.column_stack([np.ones_like(x), np.exp(-x / lag_s), x])
    coefficients = np.linalg.lstsq(modes, y, rcond=None)[0]
    residual = y - modes @ coefficients
    return coefficients, modes, float(residual @ residual)


def _lagged(x: FloatArray, y: FloatArray, lags_s: FloatArray) -> FloatArray:
    """First-order answer to y, from rest at the first value's zero, for every lag: shape (lags, n)."""
    out = np.zeros((len(lags_s), len(x)))
    for n in range(1, len(x)):
        kept = np.exp(-(x[n] - x[n - 1]) / lags_s)
        out[:, n] = kept * out[:, n - 1] + (1.0 - kept) * 0.5 * (y[n] + y[n - 1])
    return out


class LeakTest:
    """Gathers a leak test within the hold at the highest pressure.

    Attributes:
        result: None until it is done.
    """

    def __init__(
        self, settle_s: float, hold_s: float, warn_mbar_per_min: float, stop_mbar_per_min: float
    ) -> None:
        self._settle_s = settle_s
        self._hold_s = hold_s
        self._warn = warn_mbar_per_min
        self._stop = stop_mbar_per_min
        self._begun_s: float | None = None
        self._rows: list[tuple[float, float, float]] = []
        self._thermometer = True
        self.result: LeakResult | None = None

    def add(self, t_s: float, pressure_bar: float, temperature_c: float | None) -> bool:
        """Add one tick. Returns whether the pressure must be left alone in the next tick."""
        if self.result is not None:
            return False
        if self._begun_s is None:
            self._begun_s = t_s
        held_s = t_s - self._begun_s
        if held_s < self._settle_s:
            return False
        self._thermometer = self._thermometer and temperature_c is not None
        self._rows.append((t_s, pressure_bar, 0.0 if temperature_c is None else temperature_c))
        if held_s < self._settle_s + self._hold_s:
            return True
        columns = np.asarray(self._rows).T
        self.result = leak_rate(
            columns[0],
            columns[1],
            columns[2] if self._thermometer else None,
            warn_mbar_per_min=self._warn,
            stop_mbar_per_min=self._stop,
        )
        return False
