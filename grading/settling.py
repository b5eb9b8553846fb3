"""Response time of a cell from pressure changes that are no steps.

The pot ramps, so the time that the output takes says little; what is fitted is the cell's own lag, by running
the measured PO2 through a model of the cell. Only time constants are searched for; gain and zero of every
change are solved for (variable projection), so a response that is curved over several changes is followed by
a straight piece each.

Every model carries a delay between the stamps of pressure and output, held near zero by how well the two
clocks agree (a Gaussian prior); it takes up a skew of the stamps and is no part of T90. Models are weighed by
AICc on the number of readings that are worth as much as independent ones; the uncertainty of T90 holds the
disagreement of the models that the data cannot tell apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy.optimize import least_squares

from grading.lag import (
    Drive,
    membrane,
    membrane_t90_s,
    one_pole,
    one_pole_t90_s,
    places,
    shifts,
    two_poles,
    two_poles_t90_s,
)
from grading.measurement import FloatArray
from grading.results import Direction, StepResponse

RECORD_SKEW_S: Final = 0.1
TRACE_SKEW_S: Final = 0.3
"""Standard uncertainty of how well the stamps of pressure and output agree, by source."""

LEAST_T90_S: Final = 0.1
MOST_T90_S: Final = 240.0
MOST_RELATIVE_U: Final = 0.3
MOST_U_S: Final = 1.0
"""A T90 whose standard uncertainty exceeds both is not given."""

MOST_MISFIT_NOISES: Final = 3.0
MOST_MISFIT_OF_CHANGE: Final = 0.006
"""A fit whose residual exceeds both (rms) does not describe the shape."""

NO_WORSE: Final = 4.0
"""Difference of AICc up to which the simpler of two models is named."""

LEAST_READINGS: Final = 15
_MOST_PLOTTED: Final = 240
_CLICK_SAMPLES: Final = 400
_CLICK_AT: Final = 4


@dataclass(frozen=True, slots=True)
class Change:
    """One pressure change as one cell saw it.

    Attributes:
        direction, step: of the step that the change leads to.
        drive_t_s, drive_po2_bar: measured PO2 from well before the change to the end of the hold, (K,).
        t_s, output_mv: good readings of the cell from a few seconds before the change on, (M,).
        begin_s: when the change begins, on the same clock.
        noise_mv: rms of the output at rest.
    """

    direction: Direction
    step: int
    drive_t_s: FloatArray
    drive_po2_bar: FloatArray
    t_s: FloatArray
    output_mv: FloatArray
    begin_s: float
    noise_mv: float


@dataclass(frozen=True, slots=True)
class _Fit:
    """One model fitted to all changes of a direction.

    Attributes:
        misfit: mean square of the residual without what the gauge's noise adds to it, in mV squared.
        surprise: how far the delay is from zero, in squared standard uncertainties.
        effective_readings: how many independent readings the residual is worth.
    """

    name: str
    parameters: FloatArray
    t90_s: float
    u_t90_s: float
    misfit: float
    surprise: float
    effective_readings: float
    fitted_mv: FloatArray
    residual_mv: FloatArray
    slow_fraction: float | None = None
    slow_t90_s: float | None = None

    @property
    def delay_s(self) -> float:
        return float(self.parameters[-1])


class _Problem:
    """All changes of one direction laid end to end."""

    def __init__(self, changes: Sequence[Change], skew_s: float) -> None:
        traces = [(c.drive_t_s, c.drive_po2_bar) for c in changes]
        moved = shifts(traces)
        self.changes = changes
        self.skew_s = skew_s
        self.drive = Drive.joined(traces)
        self.at_s = np.concatenate([c.t_s + shift for c, shift in zip(changes, moved, strict=True)])
        self.output_mv = np.concatenate([c.output_mv for c in changes])
        ends = np.cumsum([len(c.t_s) for c in changes])
        self.spans = [slice(int(e) - len(c.t_s), int(e)) for e, c in zip(ends, changes, strict=True)]
        self.gain_mv_per_bar = float(np.median([_gain(c) for c in changes]))
        self.drive_noise_bar = float(np.median([white_noise(c.drive_po2_bar) for c in changes]))
        self._click = self._one_click()

    def passed_noise(self, answer: Model, x: FloatArray) -> float:
        """Expected mean square of the gauge's noise after the model, in mV squared.

        White noise of the gauge goes through the model like the signal. A slow model averages it away, so
        plain least squares would favour slow models; what it saves is therefore given back.
        """
        drive, at_s = self._click
        click = answer(_Click(drive, at_s), x)
        return (self.gain_mv_per_bar * self.drive_noise_bar) ** 2 * float(click @ click)

    def _one_click(self) -> tuple[Drive, FloatArray]:
        """A drive of one sample's noise and nothing else, on the usual spacing."""
        step = float(np.median(np.diff(self.drive.t_s)))
        t_s = step * np.arange(_CLICK_SAMPLES, dtype=np.float64)
        po2 = np.zeros(_CLICK_SAMPLES)
        po2[_CLICK_AT] = 1.0
        return Drive(t_s, po2, np.zeros(1, dtype=np.int64)), t_s + 0.5 * step

    def project(self, model: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Fit gain and zero of every change to a model answer; return (fitted, residual) in mV."""
        fitted = np.empty_like(model)
        for span in self.spans:
            y, v = model[span], self.output_mv[span]
            dy = y - np.mean(y)
            power = float(dy @ dy)
            gain = float(dy @ v) / power if power > 0.0 else 0.0
            fitted[span] = np.mean(v) + gain * dy
        return fitted, self.output_mv - fitted


@dataclass(frozen=True, slots=True)
class _Click:
    """A drive and the instants at which its answer is wanted."""

    drive: Drive
    at_s: FloatArray


Model = Callable[["_Problem | _Click", FloatArray], FloatArray]


def fit_response(changes: Sequence[Change], skew_s: float = RECORD_SKEW_S) -> StepResponse:
    """Fit the lag of one cell over all its changes of one direction.

    Args:
        changes: at least one, all of one direction.
        skew_s: standard uncertainty of the agreement of the stamps.

    Returns:
        One response; its trace and its step are those of the change with the most signal over noise. Where
        T90 cannot be had, `t90_s` is None and `reason` says why.
    """
    usable = [c for c in changes if len(c.t_s) >= LEAST_READINGS]
    shown = max(changes, key=_signal)
    empty = StepResponse(shown.direction, shown.step, "", None, None)
    if not usable:
        return replace(empty, reason="too few readings of the change")
    problem = _Problem(usable, skew_s)
    fits = [fit for fit in (_one_pole(problem), _membrane(problem), _two_modes(problem)) if fit is not None]
    if not fits:
        return replace(empty, reason="no lag can be told from this change")
    chosen, t90_s, u_t90_s = _weigh(fits)
    response = replace(_with_trace(empty, problem, chosen), delay_s=chosen.delay_s)
    misfit = float(np.sqrt(np.mean(chosen.residual_mv**2)))
    noise = float(np.median([c.noise_mv for c in usable]))
    swing = float(np.median([np.ptp(chosen.fitted_mv[span]) for span in problem.spans]))
    if misfit > MOST_MISFIT_NOISES * noise and misfit > MOST_MISFIT_OF_CHANGE * swing:
        return replace(
            response,
            reason=f"shape not described: the best model misses by {misfit / swing:.1%} of the change",
        )
    if not u_t90_s <= max(MOST_RELATIVE_U * t90_s, MOST_U_S):
        return replace(
            response,
            reason=f"the pressure changed too slowly to tell T90: {t90_s:.1f} s, U {2 * u_t90_s:.1f} s",
        )
    return replace(
        response,
        model=chosen.name,
        t90_s=t90_s,
        u_t90_s=u_t90_s,
        degrees_of_freedom=max(chosen.effective_readings - len(chosen.parameters) - 2 * len(usable), 1.0),
        slow_fraction=chosen.slow_fraction,
        slow_t90_s=chosen.slow_t90_s,
    )


def white_noise(values: FloatArray) -> float:
    """Standard deviation of the white part of a smooth trace, from its second differences (robust)."""
    if len(values) < 8:
        return 0.0
    return float(np.median(np.abs(np.diff(values, 2)))) * 1.4826 / float(np.sqrt(6.0))


def _gain(change: Change) -> float:
    return float(np.ptp(change.output_mv)) / max(float(np.ptp(change.drive_po2_bar)), 1e-6)


def _signal(change: Change) -> float:
    return float(np.ptp(change.output_mv)) / max(change.noise_mv, 1e-6) if len(change.output_mv) else 0.0


def _answer_one_pole(problem: _Problem | _Click, x: FloatArray) -> FloatArray:
    return one_pole(problem.drive, float(np.exp(x[0])), places(problem.drive, problem.at_s - x[1]))


def _answer_membrane(problem: _Problem | _Click, x: FloatArray) -> FloatArray:
    return membrane(problem.drive, float(np.exp(x[0])), places(problem.drive, problem.at_s - x[1]))


def _answer_two(problem: _Problem | _Click, x: FloatArray) -> FloatArray:
    fast, slow = float(np.exp(x[0])), float(np.exp(x[0] + x[1]))
    return two_poles(problem.drive, fast, slow, float(x[2]), places(problem.drive, problem.at_s - x[3]))


def _one_pole(problem: _Problem) -> _Fit | None:
    fit = _fit(
        problem,
        _answer_one_pole,
        lambda x: one_pole_t90_s(float(np.exp(x[0]))),
        _scan(problem, _answer_one_pole),
        ([np.log(0.02), -2.0], [np.log(110.0), 2.0]),
        "one pole",
    )
    if fit is not None and abs(fit.delay_s) > problem.skew_s:
        return replace(fit, name="one pole with delay")
    return fit


def _membrane(problem: _Problem) -> _Fit | None:
    return _fit(
        problem,
        _answer_membrane,
        lambda x: membrane_t90_s(float(np.exp(x[0]))),
        _scan(problem, _answer_membrane),
        ([np.log(0.02), -2.0], [np.log(80.0), 2.0]),
        "membrane",
    )


def _two_modes(problem: _Problem) -> _Fit | None:
    start = _scan(problem, _answer_one_pole)
    if start is None:
        return None
    best: _Fit | None = None
    for ratio, share in ((1.6, 2.5), (12.0, 0.06)):
        fit = _fit(
            problem,
            _answer_two,
            lambda x: two_poles_t90_s(float(np.exp(x[0])), float(np.exp(x[0] + x[1])), float(x[2])),
            np.array([start[0], np.log(ratio), share, 0.0]),
            ([np.log(0.02), np.log(1.2), -0.3, -2.0], [np.log(60.0), np.log(60.0), 6.0, 2.0]),
            "two modes",
        )
        if fit is not None and (best is None or fit.misfit < best.misfit):
            slow = float(np.exp(fit.parameters[0] + fit.parameters[1]))
            fraction = float(fit.parameters[2])
            tail = 0.0 < fraction < 0.5
            best = replace(
                fit,
                slow_fraction=fraction if tail else None,
                slow_t90_s=one_pole_t90_s(slow) if tail else None,
            )
    return best


def _scan(problem: _Problem, answer: Model) -> FloatArray | None:
    """Best of a grid of time constants without delay; None when the output does not move with the PO2."""
    best: tuple[float, float] | None = None
    for tau_s in np.geomspace(0.1, 40.0, 9):
        x = np.array([np.log(tau_s), 0.0])
        _, residual = problem.project(answer(problem, x))
        cost = float(residual @ residual)
        if best is None or cost < best[0]:
            best = (cost, float(x[0]))
    return None if best is None else np.array([best[1], 0.0])


def _fit(
    problem: _Problem,
    answer: Model,
    t90: Callable[[FloatArray], float],
    start: FloatArray | None,
    bounds: tuple[list[float], list[float]],
    name: str,
) -> _Fit | None:
    if start is None:
        return None
    n = len(problem.output_mv)
    linear = 2 * len(problem.spans)
    scale = max(float(np.median([c.noise_mv for c in problem.changes])), 1e-6)
    limit = np.array(bounds[0]), np.array(bounds[1])
    most_passed = (problem.gain_mv_per_bar * problem.drive_noise_bar) ** 2

    def residuals(x: FloatArray) -> FloatArray:
        _, residual = problem.project(answer(problem, x))
        saved = np.sqrt(n * max(most_passed - problem.passed_noise(answer, x), 0.0))
        return np.concatenate([residual / scale, [saved / scale, x[-1] / problem.skew_s]])

    try:
        found = least_squares(
            residuals, start, bounds=limit, method="trf", x_scale=1.0, xtol=1e-7, ftol=1e-9, max_nfev=40
        )
    except (ValueError, np.linalg.LinAlgError):
        return None
    x = np.asarray(found.x, dtype=np.float64)
    fitted, residual = problem.project(answer(problem, x))
    worth = n / _correlation_length(problem, residual)
    free = len(x) + linear
    if worth <= free + 2:
        return None
    variance = float(residual @ residual) / n * worth / (worth - free)
    jacobian = np.asarray(found.jac, dtype=np.float64)[:-2] * scale
    information = jacobian.T @ jacobian * (worth / n) / variance
    information[-1, -1] += 1.0 / problem.skew_s**2
    try:
        covariance = np.linalg.inv(information)
    except np.linalg.LinAlgError:
        return None
    gradient = _gradient(t90, x)
    u_t90 = float(np.sqrt(max(float(gradient @ covariance @ gradient), 0.0)))
    misfit = max(float(residual @ residual) / n - problem.passed_noise(answer, x), 1e-3 * variance)
    surprise = float((x[-1] / problem.skew_s) ** 2)
    return _Fit(name, x, t90(x), u_t90, misfit, surprise, worth, fitted, residual)


def _gradient(function: Callable[[FloatArray], float], x: FloatArray) -> FloatArray:
    """Gradient by central differences, shape of x."""
    gradient = np.empty_like(x)
    for i in range(len(x)):
        step = np.zeros_like(x)
        step[i] = 1e-4
        gradient[i] = (function(x + step) - function(x - step)) / 2e-4
    return gradient


def _correlation_length(problem: _Problem, residual: FloatArray) -> float:
    """How many neighbouring residuals are worth one independent one: 1 + 2 sum of autocorrelations.

    The sum stops where the autocorrelation, averaged over the changes, first falls below zero.
    """
    power = float(residual @ residual)
    if power == 0.0:
        return 1.0
    most = min(span.stop - span.start for span in problem.spans) // 3
    total = 1.0
    for lag in range(1, max(most, 1)):
        r = sum(float(residual[s][lag:] @ residual[s][:-lag]) for s in problem.spans) / power
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
    scores = np.array([_aicc(fit, worth) for fit in fits])
    weights = np.exp(-0.5 * (scores - np.min(scores)))
    weights /= np.sum(weights)
    likely = [fit for fit, score in zip(fits, scores, strict=True) if score <= np.min(scores) + NO_WORSE]
    chosen = min(likely, key=lambda fit: (len(fit.parameters), fit.misfit))
    t90 = np.array([fit.t90_s for fit in fits])
    u = np.array([fit.u_t90_s for fit in fits])
    mean = float(weights @ t90)
    spread = float(weights @ (np.where(weights > 1e-6, u, 0.0) ** 2 + (t90 - mean) ** 2))
    return chosen, mean, float(np.sqrt(spread))


def _aicc(fit: _Fit, worth: float) -> float:
    k = len(fit.parameters) + 1
    return worth * float(np.log(fit.misfit)) + fit.surprise + 2.0 * k * worth / max(worth - k - 1.0, 1.0)


def _with_trace(response: StepResponse, problem: _Problem, fit: _Fit) -> StepResponse:
    """Add the trace of the change that is shown, thinned for plotting."""
    at = max(range(len(problem.changes)), key=lambda i: _signal(problem.changes[i]))
    change, span = problem.changes[at], problem.spans[at]
    keep = slice(None, None, max(1, -(-len(change.t_s) // _MOST_PLOTTED)))
    t_s = change.t_s[keep]
    po2 = np.interp(t_s, change.drive_t_s, change.drive_po2_bar)
    return replace(
        response,
        step=change.step,
        t_s=tuple(np.round(t_s - change.begin_s, 4).tolist()),
        po2_bar=tuple(np.round(po2, 6).tolist()),
        output_mv=tuple(np.round(change.output_mv[keep], 5).tolist()),
        fitted_mv=tuple(np.round(fit.fitted_mv[span][keep], 5).tolist()),
    )
