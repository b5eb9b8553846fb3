"""Fits sums of lagging poles to measured changes, fast: the responses of a grid of poles are calculated once.

The response of any pole is interpolated from the grid in the logarithm of its time constant and in the delay
of the stamps, so that a model is a short vector of weights and every sum of squares a quadratic form in it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np

from grading.measurement import FloatArray
from grading.settling.lag import Drive, places, pole_at, pole_states, shifts

Weights = Callable[[FloatArray], FloatArray]
"""From a model's parameters (its delay left out) to the weights of the poles of the grid, shape (J,)."""

SHORTEST_S: Final = 0.02
LONGEST_S: Final = 150.0
_SPACING: Final = 0.18
_TAUS_S: Final = np.exp(np.arange(np.log(SHORTEST_S), np.log(LONGEST_S) + _SPACING, _SPACING))
_MOST_ROUNDS: Final = 60
_CLICK_SAMPLES: Final = 300
_CLICK_AT: Final = 4


def on_grid(taus_s: FloatArray, weights: FloatArray) -> FloatArray:
    """Weights of the grid that stand for a sum of poles: Lagrange interpolation over four points, (J,)."""
    last = len(_TAUS_S) - 1
    place = np.clip((np.log(taus_s) - np.log(SHORTEST_S)) / _SPACING, 0.0, last)
    first = np.clip(place.astype(np.int64) - 1, 0, last - 3)
    s = place - first
    a, b, c = s - 1.0, s - 2.0, s - 3.0
    parts = np.stack([-a * b * c / 6.0, s * b * c / 2.0, -s * a * c / 2.0, s * a * b / 6.0]) * weights
    summed = np.bincount((first + np.arange(4)[:, None]).ravel(), parts.ravel(), len(_TAUS_S))
    return summed.astype(np.float64)


@dataclass(frozen=True, slots=True)
class Found:
    """A model at its best parameters.

    Attributes:
        x: parameters, the delay last.
        cost: sum of squares, penalties included, in squared noises.
        jacobian_square: J^T J of the readings alone, in mV squared, shape (P, P).
    """

    x: FloatArray
    cost: float
    jacobian_square: FloatArray


class Grid:
    """The changes of one cell and direction, with the response of every pole of the grid to them.

    Args:
        traces: (t_s, po2_bar) of each change.
        outputs: (t_s, output_mv) of each change.
        noise_mv: unit of the residuals in a sum of squares.
        skew_s: standard uncertainty of the delay between the stamps; it is searched to three times that.
        passed_mv: white noise of the driving trace, times the gain, in mV.
    """

    def __init__(
        self,
        traces: Sequence[tuple[FloatArray, FloatArray]],
        outputs: Sequence[tuple[FloatArray, FloatArray]],
        noise_mv: float,
        skew_s: float,
        passed_mv: float,
    ) -> None:
        moved = shifts(traces)
        self.drive = Drive.joined(traces)
        self.at_s = np.concatenate([t + shift for (t, _), shift in zip(outputs, moved, strict=True)])
        self.output_mv = np.concatenate([v for _, v in outputs])
        ends = np.cumsum([len(t) for t, _ in outputs])
        self.spans = [slice(int(e) - len(t), int(e)) for e, (t, _) in zip(ends, outputs, strict=True)]
        self.noise_mv = noise_mv
        self.skew_s = skew_s
        self.most_delay_s = self._node_s = 3.0 * skew_s
        self._click_mv2 = passed_mv**2 * len(self.output_mv)
        answers = pole_answers(self.drive, self.at_s, self._node_s)
        grams, along, power = [], [], []
        for span in self.spans:
            part = answers[span] - np.mean(answers[span], axis=0)
            v = self.output_mv[span] - np.mean(self.output_mv[span])
            grams.append(part.T @ part)
            along.append(part.T @ v)
            power.append(float(v @ v))
        self._gram = np.array(grams)
        self._along = np.array(along)
        self._power = np.array(power)
        spacing_s = max(round(float(np.median(np.diff(self.drive.t_s))), 3), 1e-3)
        after_s = round(float(np.median(places(self.drive, self.at_s).since_s)) % spacing_s, 2)
        self.shortest_s = max(spacing_s, 0.1)
        self._click = _click_gram(spacing_s, after_s, self._node_s)

    def fit(
        self, weights: Weights, start: Sequence[float], low: Sequence[float], high: Sequence[float]
    ) -> Found:
        """Fit a model by damped Gauss-Newton (Levenberg-Marquardt) within bounds.

        Args:
            weights: the model.
            start: parameters, without the delay, which starts at zero.
            low: least values of the parameters, without the delay.
            high: most of them, likewise.
        """
        least = np.append(np.asarray(low, dtype=np.float64), -self.most_delay_s)
        most = np.append(np.asarray(high, dtype=np.float64), self.most_delay_s)
        x = np.clip(np.append(np.asarray(start, dtype=np.float64), 0.0), least, most)
        cost = self.cost(weights, x)
        slope, curve, square = self._linearised(weights, x)
        damping = 1e-3
        for _ in range(_MOST_ROUNDS):
            scaled = curve + damping * np.diag(np.maximum(np.diag(curve), 1e-12))
            step = np.linalg.solve(scaled, -slope)
            tried = np.clip(x + np.clip(step, -1.0, 1.0), least, most)
            new_cost = self.cost(weights, tried)
            if new_cost < cost:
                done = cost - new_cost < 1e-6 * max(1.0, cost * 1e-3) and damping < 1.0
                x, cost = tried, new_cost
                slope, curve, square = self._linearised(weights, x)
                damping = max(damping / 5.0, 1e-9)
                if done:
                    break
            else:
                damping *= 6.0
                if damping > 1e9:
                    break
        return Found(x, cost, square)

    def cost(self, weights: Weights, x: FloatArray) -> float:
        """Sum of squares and penalties in squared noises; gain and zero of every change solved for."""
        w = self._spread(weights(x[:-1]), float(x[-1]))
        projected = self._gram @ w
        along = self._along @ w
        explained = along * along / np.maximum(projected @ w, 1e-300)
        squares = float(np.sum(self._power - explained)) - self._click_mv2 * float(w @ self._click @ w)
        return (squares + self._click_mv2) / self.noise_mv**2 + float(x[-1] / self.skew_s) ** 2

    def passed_noise(self, weights: Weights, x: FloatArray) -> float:
        """Expected mean square of the driving trace's noise after the model, in mV squared."""
        w = self._spread(weights(x[:-1]), float(x[-1]))
        return self._click_mv2 * float(w @ self._click @ w) / len(self.output_mv)

    def _linearised(self, weights: Weights, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Half the gradient of the cost, its Gauss-Newton matrix, and J^T J of the readings in mV squared."""
        w, dw = self._weights_and_slopes(weights, x)
        projected = self._gram @ w
        along = self._along @ w
        size = np.maximum(projected @ w, 1e-300)
        gain = along / size
        residual_along = self._along - gain[:, None] * projected
        # d(residual) of each parameter is -gain * (part of d(response) orthogonal to the response itself).
        across = projected @ dw.T
        inner = np.einsum("pi,rij,qj->rpq", dw, self._gram, dw, optimize=True)
        inner -= across[:, :, None] * across[:, None, :] / size[:, None, None]
        square = np.einsum("r,rpq->pq", gain * gain, inner)
        slope = -np.einsum("r,rj,pj->p", gain, residual_along, dw)
        slope -= self._click_mv2 * (dw @ self._click @ w)
        slope, curve = slope / self.noise_mv**2, square / self.noise_mv**2
        slope[-1] += x[-1] / self.skew_s**2
        curve[-1, -1] += 1.0 / self.skew_s**2
        return slope, curve, square

    def _weights_and_slopes(self, weights: Weights, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        w = self._spread(weights(x[:-1]), float(x[-1]))
        slopes = []
        for i in range(len(x)):
            step = np.zeros(len(x))
            step[i] = 1e-4
            ahead, behind = x + step, x - step
            slopes.append(
                (
                    self._spread(weights(ahead[:-1]), float(ahead[-1]))
                    - self._spread(weights(behind[:-1]), float(behind[-1]))
                )
                / 2e-4
            )
        return w, np.array(slopes)

    def _spread(self, weights: FloatArray, delay_s: float) -> FloatArray:
        """Weights over grid and delay nodes (Lagrange over three), shape (3 J,)."""
        s = delay_s / self._node_s
        return np.concatenate(
            [0.5 * s * (s - 1.0) * weights, (1.0 - s * s) * weights, 0.5 * s * (s + 1.0) * weights]
        )


def pole_answers(drive: Drive, at_s: FloatArray, node_s: float) -> FloatArray:
    """Response of every pole of the grid to a drive at delays of -node, 0 and node, shape (M, 3 J)."""
    nodes = [places(drive, at_s - delay_s) for delay_s in (-node_s, 0.0, node_s)]
    answers = np.empty((3 * len(_TAUS_S), len(at_s)))
    for j, tau_s in enumerate(_TAUS_S):
        states = pole_states(drive, float(tau_s))
        for d, node in enumerate(nodes):
            answers[d * len(_TAUS_S) + j] = pole_at(states, float(tau_s), node)
    return answers.T


@lru_cache(maxsize=16)
def _click_gram(spacing_s: float, after_s: float, node_s: float) -> FloatArray:
    """Sum of squares of one sample's unit noise after each pair of poles, shape (3 J, 3 J).

    The noise is that of one sample of the driving trace, linear to its neighbours like the whole trace;
    outputs are read `after_s` after the samples.
    """
    t_s = spacing_s * np.arange(_CLICK_SAMPLES, dtype=np.float64)
    po2 = np.zeros(_CLICK_SAMPLES)
    po2[_CLICK_AT] = 1.0
    answers = pole_answers(Drive(t_s, po2, np.zeros(1, dtype=np.int64)), t_s + after_s, node_s)
    return answers.T @ answers
