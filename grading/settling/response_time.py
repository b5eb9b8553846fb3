"""Response time of a cell from pressure ramps.

The pot ramps, so the time that the output takes says little. The cell's own lag is fitted, by passing the
measured PO2 through a model of the cell. Only time constants are searched for; gain and zero of every change
are solved for (variable projection), so a response that is curved over several changes is followed by one
straight piece for each.

Models: one pole; a planar membrane; either with a slow mode beside it. Every model has a delay between the
stamps of pressure and output. A Gaussian prior, from how well the two clocks agree, holds it near zero; it
takes up a skew of the stamps and is not part of T90. White noise of the gauge passes through a model like the
signal, and a slow model averages it out. Plain least squares would therefore favour slow models, so this
advantage is taken back.

Models are weighed by AICc with the effective number of independent readings. The uncertainty of T90 includes
the disagreement of the models that fit the data about equally well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from grading.measurement import FloatArray
from grading.results import Direction, StepResponse
from grading.settling.lag import membrane_poles, places, poles, poles_t90_s
from grading.settling.lag_grid import LONGEST_S, Grid, on_grid

RECORD_SKEW_S: Final = 0.1
TRACE_SKEW_S: Final = 0.3
"""Standard uncertainty of how well the stamps of pressure and output agree, by source."""

MOST_RELATIVE_U: Final = 0.3
MOST_U_S: Final = 1.0
"""A T90 whose standard uncertainty exceeds both is not given."""

MODEL_RELATIVE_U: Final = 0.0002
"""Standard uncertainty of T90 for what no model here covers: straight lines between samples, a cut series."""

SLOW_MODE_U_FACTOR: Final = 1.4
"""How much wider T90 scatters than the linearised covariance says when a model has a slow mode: its share,
both time constants and the delay are correlated. This and `MODEL_RELATIVE_U` were found on 3,000
simulated cells of three kinds, of which their 95 % intervals hold the truth of 95 %; the benchmark
tests/benchmarks/coverage.py tries them on others."""

POT_RELATIVE_U: Final = 0.008
"""The same for what a real pot adds: gauge readings of some age, gas dosed in shots, a cell warmed by the
filling. Found from runs of the virtual bench with cells of known T90, slow ones above all."""

BENT_RELATIVE_U: Final = 0.5
"""The same for straightening a curved response, per unit of its bend over the change."""

MOST_RAMP_OVER_T90: Final = 40.0
"""A change of pressure that takes longer than this many T90 says nothing about it."""

MOST_MISFIT_NOISES: Final = 3.0
MOST_MISFIT_OF_CHANGE: Final = 0.006
"""A fit whose residual exceeds both (rms) does not describe the shape."""

NO_WORSE: Final = 4.0
"""Difference of AICc up to which the simpler of two models is named."""

LEAST_READINGS: Final = 15
AT_REST_S: Final = 6.0
LEAST_NOISE_MV: Final = 1e-4
_MOST_PLOTTED: Final = 240


@dataclass(frozen=True, slots=True)
class Change:
    """One pressure change as one cell saw it.

    Attributes:
        direction, step: of the step that the change leads to.
        drive_t_s, drive_po2_bar: measured PO2 from well before the change to the end of the hold, (K,).
        t_s, output_mv: good readings of the cell from a few seconds before the change on, (M,).
        straight_mv: the same, straightened along the cell's own static response, (M,).
        begin_s: when the change begins, on the same clock.
        noise_mv: rms noise of the steady output.
    """

    direction: Direction
    step: int
    drive_t_s: FloatArray
    drive_po2_bar: FloatArray
    t_s: FloatArray
    output_mv: FloatArray
    straight_mv: FloatArray
    begin_s: float
    noise_mv: float


@dataclass(frozen=True, slots=True)
class _Model:
    """A family of sums of poles.

    Attributes:
        name: as printed.
        membrane: whether the main part is a membrane and not one pole.
        starts: parameters to start from: slow time constant over the main one (log) and its share; empty
            without a slow mode.
        low, high: bounds of those two.
    """

    name: str
    membrane: bool
    starts: tuple[tuple[float, float], ...] = ()
    low: tuple[float, float] = (float(np.log(1.2)), -0.3)
    high: tuple[float, float] = (float(np.log(60.0)), 0.6)

    def poles(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Time constants and weights at parameters x = log tau[, log ratio, slow share][, delay]."""
        tau_s = float(np.exp(x[0]))
        taus, weights = membrane_poles(tau_s) if self.membrane else (np.array([tau_s]), np.ones(1))
        if not self.starts:
            return taus, weights
        slow_s = min(tau_s * float(np.exp(x[1])), LONGEST_S)
        return np.append(taus, slow_s), np.append((1.0 - x[2]) * weights, x[2])

    def weights(self, x: FloatArray) -> FloatArray:
        """Weights of the grid's poles."""
        return on_grid(*self.poles(x))

    def t90_s(self, x: FloatArray) -> float:
        """T90 for an ideal step."""
        return poles_t90_s(*self.poles(x))


_MODELS: Final = (
    _Model("one pole", membrane=False),
    _Model("membrane", membrane=True),
    _Model(
        "two modes",
        membrane=False,
        starts=((float(np.log(1.6)), 2.5), (float(np.log(10.0)), 0.05)),
        high=(float(np.log(60.0)), 6.0),
    ),
    _Model("membrane with slow mode", membrane=True, starts=((float(np.log(8.0)), 0.03),)),
)


@dataclass(frozen=True, slots=True)
class _Fit:
    """One model fitted to all changes of a direction.

    Attributes:
        misfit: mean square of the residual without the part from the gauge's noise, in mV squared.
        surprise: how far the delay is from zero, in squared standard uncertainties.
        effective_readings: effective number of independent readings in the residual.
    """

    model: _Model
    x: FloatArray
    t90_s: float
    u_t90_s: float
    misfit: float
    surprise: float
    effective_readings: float
    fitted_mv: FloatArray
    residual_mv: FloatArray

    @property
    def delay_s(self) -> float:
        return float(self.x[-1])


def fit_response(
    changes: Sequence[Change], skew_s: float = RECORD_SKEW_S, pot_relative_u: float = 0.0
) -> StepResponse:
    """Fit the lag of one cell over all its changes of one direction.

    Args:
        changes: at least one, all of one direction.
        skew_s: standard uncertainty of the agreement of the stamps.
        pot_relative_u: standard uncertainty of T90 from the pot, of T90; `POT_RELATIVE_U` for a real one.

    Returns:
        One response; its trace and its step are those of the change with the most signal over noise. Where
        there is no T90, `t90_s` is None and `reason` says why.
    """
    usable = [c for c in changes if len(c.t_s) >= LEAST_READINGS]
    shown = max(changes, key=_signal)
    empty = StepResponse(shown.direction, shown.step, "", None, None)
    if not usable:
        return replace(empty, reason="too few readings of the change")
    grid = _grid(usable, skew_s)
    fits = [fit for fit in (_fit(grid, model) for model in _MODELS) if fit is not None]
    if not fits:
        return replace(empty, reason="no lag can be fitted to this change")
    chosen, t90_s, u_t90_s = _weigh(fits)
    bent = float(np.median([_bend(c) for c in usable]))
    relative = np.hypot(np.hypot(MODEL_RELATIVE_U, pot_relative_u), BENT_RELATIVE_U * bent)
    u_t90_s = float(np.hypot(u_t90_s, relative * t90_s))
    response = replace(_with_trace(empty, usable, grid, chosen), delay_s=chosen.delay_s)
    misfit = float(np.sqrt(np.mean(chosen.residual_mv**2)))
    noise = float(np.median([c.noise_mv for c in usable]))
    swing = float(np.median([np.ptp(chosen.fitted_mv[span]) for span in grid.spans]))
    if misfit > MOST_MISFIT_NOISES * noise and misfit > MOST_MISFIT_OF_CHANGE * swing:
        return replace(
            response,
            reason=f"shape not described: the best model misses by {misfit / swing:.1%} of the change",
        )
    slowest_s = max(_ramp_s(c) for c in usable)
    if slowest_s > MOST_RAMP_OVER_T90 * t90_s:
        return replace(response, reason=f"a change of {slowest_s:.0f} s is too slow against the cell")
    if not u_t90_s <= max(MOST_RELATIVE_U * t90_s, MOST_U_S):
        return replace(response, reason=f"the changes leave T90 open: {t90_s:.1f} s, U {2 * u_t90_s:.1f} s")
    name = chosen.model.name
    if name == "one pole" and abs(chosen.delay_s) > skew_s:
        name = "one pole with delay"
    tail = bool(chosen.model.starts) and 0.0 < chosen.x[2] < 0.5
    return replace(
        response,
        model=name,
        t90_s=t90_s,
        u_t90_s=u_t90_s,
        degrees_of_freedom=max(chosen.effective_readings - len(chosen.x) - 2 * len(usable), 1.0),
        slow_fraction=float(chosen.x[2]) if tail else None,
        slow_t90_s=float(np.exp(chosen.x[0] + chosen.x[1]) * np.log(10.0)) if tail else None,
    )


def _ramp_s(change: Change) -> float:
    """Duration of the middle nine tenths of the change of PO2, in seconds."""
    here = change.drive_t_s >= change.begin_s - AT_REST_S
    t_s, p = change.drive_t_s[here], change.drive_po2_bar[here]
    if len(p) < LEAST_READINGS:
        return 0.0
    first, last = float(np.median(p[t_s <= change.begin_s])), float(np.median(p[-5:]))
    part = (p - first) / (last - first) if first != last else np.zeros_like(p)
    begun, done = np.flatnonzero(part < 0.05), np.flatnonzero(part > 0.95)
    if not len(begun) or not len(done):
        return float(t_s[-1] - t_s[0])
    return max(float(t_s[done[0]] - t_s[begun[-1]]), 0.0)


def white_noise(values: FloatArray) -> float:
    """Standard deviation of the white part of a smooth trace, from its second differences (robust)."""
    if len(values) < 8:
        return 0.0
    return float(np.median(np.abs(np.diff(values, 2)))) * 1.4826 / float(np.sqrt(6.0))


def _gain(change: Change) -> float:
    driven = change.drive_po2_bar[change.drive_t_s >= change.begin_s - AT_REST_S]
    swing = float(np.ptp(driven)) if len(driven) else 0.0
    return float(np.ptp(change.straight_mv)) / max(swing, 1e-6)


def _bend(change: Change) -> float:
    """How far the static response leaves the chord of a change, of the change."""
    moved = float(np.ptp(change.straight_mv))
    return float(np.max(np.abs(change.output_mv - change.straight_mv))) / moved if moved > 0.0 else 0.0


def _signal(change: Change) -> float:
    return float(np.ptp(change.output_mv)) / max(change.noise_mv, 1e-6) if len(change.output_mv) else 0.0


def _grid(changes: Sequence[Change], skew_s: float) -> Grid:
    gain = float(np.median([_gain(c) for c in changes]))
    drive_noise = float(np.median([white_noise(c.drive_po2_bar) for c in changes]))
    return Grid(
        [(c.drive_t_s, c.drive_po2_bar) for c in changes],
        [(c.t_s, c.straight_mv) for c in changes],
        max(float(np.median([c.noise_mv for c in changes])), LEAST_NOISE_MV),
        skew_s,
        gain * drive_noise,
    )


def _fit(grid: Grid, model: _Model) -> _Fit | None:
    """Fit one model; None when there are too few readings for it."""
    low, high = [float(np.log(grid.shortest_s))], [float(np.log(LONGEST_S))]
    tau = min(
        np.log(np.geomspace(0.2, 60.0, 12)),
        key=lambda log_tau: grid.cost(
            model.weights, np.array([log_tau, *(model.starts[:1] or ((),))[0], 0.0])
        ),
    )
    starts: list[list[float]] = [[float(tau)]]
    if model.starts:
        low, high = [*low, *model.low], [*high, *model.high]
        starts = [[float(tau), *start] for start in model.starts]
    found = min((grid.fit(model.weights, start, low, high) for start in starts), key=lambda f: f.cost)
    fitted = _exact(grid, model, found.x)
    residual = grid.output_mv - fitted
    n = len(residual)
    free = len(found.x) + 2 * len(grid.spans)
    if n <= 2 * free:
        return None
    # A misfit leaves few independent readings; it is reported as a misfit, not as an unbounded variance.
    worth = max(n / _correlation_length(grid, residual), free + 3.0)
    variance = float(residual @ residual) / n * worth / (worth - free)
    information = found.jacobian_square * (worth / n) / max(variance, 1e-12)
    information[-1, -1] += 1.0 / grid.skew_s**2
    gradient = _gradient(model, found.x)
    covariance = np.linalg.pinv(information, hermitian=True)
    widened = SLOW_MODE_U_FACTOR if model.starts else 1.0
    return _Fit(
        model=model,
        x=found.x,
        t90_s=model.t90_s(found.x),
        u_t90_s=widened * float(np.sqrt(max(float(gradient @ covariance @ gradient), 0.0))),
        misfit=max(
            float(residual @ residual) / n - grid.passed_noise(model.weights, found.x), 1e-3 * variance
        ),
        surprise=float((found.x[-1] / grid.skew_s) ** 2),
        effective_readings=worth,
        fitted_mv=fitted,
        residual_mv=residual,
    )


def _exact(grid: Grid, model: _Model, x: FloatArray) -> FloatArray:
    """Fitted output without the grid's interpolation; gain and zero of every change solved for, (M,)."""
    answer = poles(grid.drive, *model.poles(x), places(grid.drive, grid.at_s - x[-1]))
    fitted = np.empty_like(answer)
    for span in grid.spans:
        y, v = answer[span], grid.output_mv[span]
        dy = y - np.mean(y)
        power = float(dy @ dy)
        fitted[span] = np.mean(v) + (float(dy @ v) / power if power > 0.0 else 0.0) * dy
    return fitted


def _gradient(model: _Model, x: FloatArray) -> FloatArray:
    """Gradient of T90 by central differences, shape of x."""
    gradient = np.zeros_like(x)
    for i in range(len(x) - 1):
        step = np.zeros_like(x)
        step[i] = 1e-4
        gradient[i] = (model.t90_s(x + step) - model.t90_s(x - step)) / 2e-4
    return gradient


def _correlation_length(grid: Grid, residual: FloatArray) -> float:
    """How many neighbouring residuals count as one independent one: 1 + 2 sum of autocorrelations.

    The sum stops where the autocorrelation, averaged over the changes, first falls below zero.
    """
    power = float(residual @ residual)
    if power == 0.0:
        return 1.0
    most = min(span.stop - span.start for span in grid.spans) // 3
    total = 1.0
    for lag in range(1, max(most, 1)):
        r = sum(float(residual[s][lag:] @ residual[s][:-lag]) for s in grid.spans) / power
        if r <= 0.0:
            break
        total += 2.0 * r
    return total


def _weigh(fits: Sequence[_Fit]) -> tuple[_Fit, float, float]:
    """The simplest of the likely models, with T90 and its uncertainty averaged over all by their weight.

    Scores are made comparable by using one number of independent readings for all: that of the model
    with the whitest residuals.
    """
    worth = max(fit.effective_readings for fit in fits)
    scatter = min(float(fit.residual_mv @ fit.residual_mv) / len(fit.residual_mv) for fit in fits)
    scores = np.array([_aicc(fit, worth, max(scatter, LEAST_NOISE_MV**2)) for fit in fits])
    weights = np.exp(-0.5 * (scores - np.min(scores)))
    weights /= np.sum(weights)
    likely = [fit for fit, score in zip(fits, scores, strict=True) if score <= np.min(scores) + NO_WORSE]
    chosen = min(likely, key=lambda fit: (len(fit.x), fit.misfit))
    t90 = np.array([fit.t90_s for fit in fits])
    u = np.array([fit.u_t90_s for fit in fits])
    mean = float(weights @ t90)
    spread = float(weights @ (np.where(weights > 1e-6, u, 0.0) ** 2 + (t90 - mean) ** 2))
    return chosen, mean, float(np.sqrt(spread))


def _aicc(fit: _Fit, worth: float, scatter: float) -> float:
    """AICc for a known variance of the readings, `scatter`, that of the best of the models."""
    k = len(fit.x)
    return worth * fit.misfit / scatter + fit.surprise + 2.0 * k * worth / max(worth - k - 1.0, 1.0)


def _with_trace(response: StepResponse, changes: Sequence[Change], grid: Grid, fit: _Fit) -> StepResponse:
    """Add the trace of the change that is shown, thinned for plotting."""
    at = max(range(len(changes)), key=lambda i: _signal(changes[i]))
    change, span = changes[at], grid.spans[at]
    fitted = fit.fitted_mv[span] + change.output_mv - change.straight_mv
    keep = slice(None, None, max(1, -(-len(change.t_s) // _MOST_PLOTTED)))
    t_s = change.t_s[keep]
    po2 = np.interp(t_s, change.drive_t_s, change.drive_po2_bar)
    return replace(
        response,
        step=change.step,
        t_s=tuple(np.round(t_s - change.begin_s, 4).tolist()),
        po2_bar=tuple(np.round(po2, 6).tolist()),
        output_mv=tuple(np.round(change.output_mv[keep], 5).tolist()),
        fitted_mv=tuple(np.round(fitted[keep], 5).tolist()),
    )
