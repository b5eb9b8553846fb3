"""When a hold has settled, the settled output, and its uncertainty.

The rule is the same for the rig, which applies it every few seconds, and for grading, which applies it once.
Settled means: a single exponential fitted to the hold has less than a set remainder left, *and* the slope
over the last seconds is provably small (two one-sided tests: |slope| + 2 u(slope) below the limit), both now
and 4 s ago, and 8 s ago too where noise makes them uncertain. Either test alone can fail: the exponential for
a slow tail, the slope for a slow cell.
A slow tail must also be excluded: a tail of the longest time constant is fitted to what is left after the
fast part, and its remainder, uncertainty included, counts where it is the larger one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

import numpy as np

from grading.measurement import FloatArray

SLOPE_WINDOW_S = 20.0
LEAST_SLOPE_WINDOW_S = 8.0
SEEN_APART_S = 4.0
NOISY_PART = 0.1
"""A slope whose standard uncertainty is more than this part of its limit is checked a third time."""
LEAST_READINGS = 12
SEEN_ONCE = "settled just now, to be checked again"
JUMP_SIGMAS = 5.0
LEAST_JUMP_PERCENT = 0.3
LONGEST_MEAN_S = 30.0
SHORTEST_MEAN_S = 8.0
SETTLED_PART = 0.0005
LEAST_FADE_S = 20.0
LONGEST_TAIL_S = 70.0
"""Time constant of the slow tail in the check: somewhat longer than the 60 s of the slowest expected tail,
because a drift against the step hides a part of a tail. Common practice, no source."""
TAIL_SIGMAS = 1.3
"""Standard uncertainties added to a tail. With that, a repeated check and so long a time constant, none of
18,000 slow-tail cells settles with more than the limit left (hold_rule.py in tests/benchmarks, seeds 417,
90210, 7, 8, 11 to 18, 31 to 36 and 41 to 46). With two checks only, two of 9,000 noisy
ones did. A third check of quiet ones as well would let holds save less than 40 % of their time."""
_TAUS_S = np.geomspace(0.7, 90.0, 16)
_FAST_GONE_PERCENT = 0.02
_TAIL_SEEN_S = 12.0
_MOST_READINGS = 400
_LONGEST_APPROACH_S = 12.0
_APPROACH_OVER = 2e-4


@dataclass(frozen=True, slots=True)
class HoldRule:
    """The limits of a hold, as a procedure file gives them.

    Attributes:
        cap_s: longest hold; a cell that is not settled by then is "not settled".
        least_s: shortest hold, for the gas to come to the temperature of the pot.
        remainder_percent: largest remainder of the fitted exponential, of the output.
        slope_percent_per_10s: largest provable slope, of the output per 10 s.
    """

    cap_s: float = 120.0
    least_s: float = 30.0
    remainder_percent: float = 0.1
    slope_percent_per_10s: float = 0.1

    def loosened(self, factor: float) -> HoldRule:
        """Return the rule with both limits wider by `factor`."""
        return HoldRule(
            self.cap_s, self.least_s, self.remainder_percent * factor, self.slope_percent_per_10s * factor
        )


@dataclass(frozen=True, slots=True)
class HoldVerdict:
    """Verdict on the hold so far from one cell's output.

    Attributes:
        settled: by the rule, now and before.
        slope_percent_per_10s: over the last 20 s; None before there are enough readings.
        why: the reason when not settled, in a few words; empty when settled.
    """

    settled: bool
    slope_percent_per_10s: float | None
    why: str


def hold_verdict(
    t_s: FloatArray,
    output_mv: FloatArray,
    rule: HoldRule | None = None,
    pressure_bar: FloatArray | None = None,
) -> HoldVerdict:
    """Judge one cell's hold from its readings since the hold began.

    Args:
        t_s: stamps, any origin, growing, shape (n,). The hold begins at the first.
        output_mv: good readings only, shape (n,).
        rule: limits; the defaults of `HoldRule` when None.
        pressure_bar: pressure at the same stamps; when given, slow drift of the pressure is taken out of
            the output in proportion, so that a leaking or cooling pot is not taken for a drifting cell.
    """
    rule = rule or HoldRule()
    if len(t_s) < LEAST_READINGS:
        return HoldVerdict(False, None, "too few readings")
    y = np.asarray(output_mv, dtype=np.float64)
    if pressure_bar is not None:
        y = y * (_mean(pressure_bar[-LEAST_READINGS:]) / pressure_bar)
    level = _mean(y[-LEAST_READINGS:])
    if not level > 0.0:
        return HoldVerdict(False, None, "no output")
    t = np.asarray(t_s, dtype=np.float64) - t_s[0]
    percent = y * (100.0 / level)
    jumped_at = _last_jump(t, percent)
    t, percent = t[jumped_at:], percent[jumped_at:]
    now = _state(t, percent)
    if now is None:
        return HoldVerdict(False, None, "too few readings")
    remainder, slope, u_slope = now
    why = _fault(rule, remainder, slope, u_slope)
    if not why and t[-1] - t[0] < rule.least_s:
        why = f"shorter than {rule.least_s:g} s"
    if not why:
        noisy = u_slope > NOISY_PART * rule.slope_percent_per_10s
        for ago_s in (SEEN_APART_S, 2.0 * SEEN_APART_S) if noisy else (SEEN_APART_S,):
            earlier = int(np.searchsorted(t, t[-1] - ago_s, side="right"))
            before = _state(t[:earlier], percent[:earlier])
            if before is None or _fault(rule, *before):
                why = SEEN_ONCE
    return HoldVerdict(not why, slope, why)


def _fault(rule: HoldRule, remainder: float, slope: float, u_slope: float) -> str:
    if abs(slope) + 2.0 * u_slope >= rule.slope_percent_per_10s:
        return "slope"
    if abs(remainder) >= rule.remainder_percent:
        return "remainder"
    return ""


def _state(t: FloatArray, percent: FloatArray) -> tuple[float, float, float] | None:
    """Remainder in percent, slope and its standard uncertainty in percent per 10 s; None: too few."""
    if len(t) < LEAST_READINGS:
        return None
    window_s = min(max(0.5 * float(t[-1] - t[0]), LEAST_SLOPE_WINDOW_S), SLOPE_WINDOW_S)
    start = int(np.searchsorted(t, t[-1] - window_s))
    if len(t) - start < LEAST_READINGS:
        return None
    slope, u_slope = slope_with_uncertainty(t[start:], percent[start:])
    fit = fit_exponential(t, percent, _TAUS_S)
    tail = _most_tail(t, percent, fit)
    remainder = tail if abs(tail) > abs(fit.remainder) else fit.remainder
    return remainder, 10.0 * slope, 10.0 * u_slope


def _most_tail(t: FloatArray, percent: FloatArray, fit: ExponentialFit) -> float:
    """Largest remainder that a slow tail may still have, in percent, signed like the step; at least zero.

    A tail of the longest time constant is fitted to the readings after the fast part; a shorter one has a
    smaller remainder. A change against the step is not a tail, and no tail has a larger remainder at the end
    of a hold than the whole change had at its beginning.
    """
    fast_s = fit.tau_s * np.log(max(abs(fit.amplitude) / _FAST_GONE_PERCENT, 1.0))
    start = int(np.searchsorted(t, min(float(t[0] + fast_s), float(t[-1]) - _TAIL_SEEN_S)))
    start = min(start, len(t) - LEAST_READINGS)
    risen = -np.expm1((t[-1] - t[start:]) / LONGEST_TAIL_S)
    left, u_left = slope_with_uncertainty(risen, percent[start:])
    step = -1.0 if fit.amplitude > 0.0 else 1.0
    return step * min(max(step * left + TAIL_SIGMAS * u_left, 0.0), abs(fit.amplitude))


def slope_with_uncertainty(t_s: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Least-squares slope of y against t and its standard uncertainty, autocorrelation included.

    The variance for white noise is multiplied by (1 + r1) / (1 - r1), r1 being the first autocorrelation
    of the residuals (exact for a first-order autoregression and many readings); never made smaller.
    """
    x = t_s - _mean(t_s)
    sxx = float(x @ x)
    slope = float(x @ y) / sxx
    residual = y - _mean(y) - slope * x
    power = float(residual @ residual)
    s2 = power / (len(y) - 2)
    if s2 == 0.0:
        return slope, 0.0
    r1 = float(residual[1:] @ residual[:-1]) / power
    r1 = min(max(r1, 0.0), 0.97)
    return slope, sqrt(s2 / sxx * (1.0 + r1) / (1.0 - r1))


def _mean(values: FloatArray) -> float:
    """Exactly the number of `np.mean`, but faster for the few readings of a hold."""
    return float(np.add.reduce(values)) / len(values)


@dataclass(frozen=True, slots=True)
class ExponentialFit:
    """c + a exp(-t/tau) by least squares; `remainder` is what is left of it after the last t."""

    level: float
    amplitude: float
    tau_s: float
    remainder: float


def fit_exponential(t_s: FloatArray, y: FloatArray, taus_s: FloatArray = _TAUS_S) -> ExponentialFit:
    """Fit c + a exp(-(t - t[0])/tau) with tau from a grid; c and a in the unit of y are solved for."""
    stride = max(1, len(t_s) // _MOST_READINGS)
    x, v = t_s[::stride] - t_s[0], y[::stride]
    modes = np.exp(-x[:, None] / taus_s)
    mean_mode, mean = np.add.reduce(modes, axis=0) / len(v), _mean(v)
    centred = modes - mean_mode
    along = (v - mean) @ centred
    power = np.einsum("ij,ij->j", centred, centred)
    best = int(np.argmax(along * along / power))
    amplitude, tau_s = float(along[best] / power[best]), float(taus_s[best])
    remainder = -amplitude * float(np.exp(-(t_s[-1] - t_s[0]) / tau_s))
    return ExponentialFit(mean - amplitude * float(mean_mode[best]), amplitude, tau_s, remainder)


def _last_jump(t: FloatArray, percent: FloatArray) -> int:
    """Index of the first reading after the last jump, 0 without one.

    A jump is a change between the medians of neighbouring groups of readings that stands above the noise
    and above the changes before and after it, which no exponential approach does.
    """
    group, reach = 5, 10
    if len(t) < 2 * (group + reach):
        return 0
    groups = np.stack([percent[first : len(percent) - group + 1 + first] for first in range(group)])
    medians = np.sort(groups, axis=0)[group // 2]
    change = np.abs(medians[group:] - medians[:-group])
    here = change[reach:-reach]
    if not np.any(here > LEAST_JUMP_PERCENT):
        return 0
    noise = float(np.median(np.abs(np.diff(percent)))) * 1.4826 / np.sqrt(2.0)
    around = np.maximum(change[: -2 * reach], change[2 * reach :])
    found = np.flatnonzero((here > max(JUMP_SIGMAS * noise, LEAST_JUMP_PERCENT)) & (here > 3.0 * around))
    if not len(found):
        return 0
    last = found[found > found[-1] - group]
    peak = int(last[np.argmax(here[last])])
    return peak + reach + group


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean with its standard uncertainty and the degrees of freedom of that."""

    value: float
    u: float
    degrees_of_freedom: float


def mean_with_uncertainty(t_s: FloatArray, values: FloatArray) -> Mean:
    """Mean of readings that are not independent of each other.

    u^2 = s^2 L / n, where s is the scatter about a straight line and L = 1 + 2 sum r_k is how many
    neighbouring readings count as one independent one (Zieba and Ramza, Metrol. Meas. Syst. 18 (2011) 529,
    from memory; the sum stops at the first r_k below zero). Degrees of freedom: n / L - 2, at least 1.
    """
    n = len(values)
    x = t_s - np.mean(t_s)
    mean = float(np.mean(values))
    residual = values - mean - float(x @ values) / float(x @ x) * x
    power = float(residual @ residual)
    if power == 0.0:
        return Mean(mean, 0.0, float(n - 2))
    length = 1.0
    for lag in range(1, n // 3):
        r = float(residual[lag:] @ residual[:-lag]) / power
        if r <= 0.0:
            break
        length += 2.0 * r
    independent = n / length
    freedom = max(independent - 2.0, 1.0)
    return Mean(mean, float(np.sqrt(power / (n - 2) / independent)), freedom)


def noise_rms(t_s: FloatArray, values: FloatArray) -> float:
    """Root mean square about a parabola: what is left after slow drift, in the unit of the values."""
    x = (t_s - t_s[0]) / (t_s[-1] - t_s[0]) - 0.5
    basis = np.stack([np.ones_like(x), x, x * x])
    coefficients, *_ = np.linalg.lstsq(basis.T, values, rcond=None)
    residual = values - coefficients @ basis
    return float(np.sqrt(residual @ residual / max(len(values) - 3, 1)))


def settled_from(t_s: FloatArray, values: FloatArray) -> int:
    """Index at which the window begins whose mean is the settled output of a hold.

    The window reaches back from the end of the hold at most `LONGEST_MEAN_S` and at most half the hold, and
    no further than where the fitted exponential is down to `SETTLED_PART` of the output; it keeps at least
    `SHORTEST_MEAN_S`, or a third of a shorter hold, and `LEAST_READINGS` readings.
    """
    span = float(t_s[-1] - t_s[0])
    shortest = min(SHORTEST_MEAN_S, span / 3.0)
    longest = max(min(LONGEST_MEAN_S, span / 2.0), shortest)
    fit = fit_exponential(t_s, values)
    small = SETTLED_PART * abs(float(np.mean(values[-LEAST_READINGS:])))
    gone = t_s[0]
    if small > 0.0 and abs(fit.amplitude) > small:
        gone = t_s[0] + fit.tau_s * float(np.log(abs(fit.amplitude) / small))
    begin = min(max(t_s[-1] - longest, gone), t_s[-1] - shortest)
    return min(int(np.searchsorted(t_s, begin)), len(t_s) - LEAST_READINGS)


def transient_at(t_s: FloatArray, values: FloatArray, at_s: float) -> float:
    """Remainder at `at_s` of the exponential fitted to a hold, without sign."""
    fit = fit_exponential(t_s, values)
    return abs(fit.amplitude) * float(np.exp(-(at_s - t_s[0]) / fit.tau_s))


def fade_per_minute(t_s: FloatArray, values: FloatArray) -> tuple[float, float] | None:
    """Fall of the output, percent per minute, and its standard uncertainty.

    None when the hold is too short, and when the output is not above zero, where a percentage has no meaning.
    The slope over the second half of the hold, but not before the cell's own approach is over.
    """
    level = float(np.mean(values))
    if not level > 0.0:
        return None
    fit = fit_exponential(t_s, values, _TAUS_S[_TAUS_S < _LONGEST_APPROACH_S])
    part = max(abs(fit.amplitude / level) / _APPROACH_OVER, 1.0)
    begin = max(0.5 * (t_s[0] + t_s[-1]), t_s[0] + fit.tau_s * float(np.log(part)))
    start = int(np.searchsorted(t_s, begin))
    if len(t_s) - start < LEAST_READINGS or t_s[-1] - t_s[start] < LEAST_FADE_S:
        return None
    slope, u_slope = slope_with_uncertainty(t_s[start:], values[start:])
    return -6000.0 * slope / level, 6000.0 * u_slope / level
