"""The exact answer of lagging cells to a measured pressure trace.

Between two samples the driving PO2 is taken as a straight line. For that input the answer of one pole is
known in closed form, at the samples and between them, on any spacing of samples; the other models are sums of
poles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from typing import Final

import numpy as np
from scipy.linalg import solve_banded
from scipy.optimize import brentq

from grading.measurement import FloatArray, IntArray

MEMBRANE_MODES: Final = 12
"""Poles of the membrane series that are kept; the last at half weight, so that the sum is exactly one."""

MEMBRANE_T90: Final = 2.9956072188697784
"""T90 of the planar membrane over its longest time constant: root of sum (-1)^n exp(-n^2 x) = -0.05."""


@dataclass(frozen=True, slots=True)
class Drive:
    """Driving traces laid end to end: K samples in all, each trace steady at its own first value before it.

    Attributes:
        t_s: growing within each trace, shape (K,); each trace is moved to begin after the one before.
        po2_bar: shape (K,).
        first: index of the first sample of each trace.
    """

    t_s: FloatArray
    po2_bar: FloatArray
    first: IntArray

    @classmethod
    def joined(cls, traces: Sequence[tuple[FloatArray, FloatArray]]) -> Drive:
        """Lay traces of (t_s, po2_bar) end to end; see `shifts` for where each went."""
        lengths = [len(t) for t, _ in traces]
        first = np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64)
        t_s = np.concatenate([t + shift for (t, _), shift in zip(traces, shifts(traces), strict=True)])
        return cls(t_s, np.concatenate([p for _, p in traces]), first)


def shifts(traces: Sequence[tuple[FloatArray, FloatArray]], apart_s: float = 10.0) -> list[float]:
    """What is added to the time of each trace so that they follow one another `apart_s` apart."""
    moved = []
    end = 0.0
    for t, _ in traces:
        moved.append(end - float(t[0]))
        end += float(t[-1] - t[0]) + apart_s
    return moved


@dataclass(frozen=True, slots=True)
class Places:
    """Where M instants lie among the samples of a drive: sample before, time since it, slope of the PO2."""

    index: IntArray
    since_s: FloatArray
    po2_bar: FloatArray
    slope: FloatArray


def places(drive: Drive, at_s: FloatArray) -> Places:
    """Find instants among the samples; one before the first sample is at rest, shape (M,)."""
    last = len(drive.t_s) - 1
    index = np.clip(np.searchsorted(drive.t_s, at_s, side="right") - 1, 0, max(last - 1, 0))
    since = np.maximum(at_s - drive.t_s[index], 0.0)
    step = drive.t_s[index + 1] - drive.t_s[index]
    slope = (drive.po2_bar[index + 1] - drive.po2_bar[index]) / step
    return Places(index, since, drive.po2_bar[index], slope)


def one_pole(drive: Drive, tau_s: float, where: Places) -> FloatArray:
    """Answer of 1/(1 + tau s) at `where`, shape (M,).

    At the samples y[k+1] = e y[k] + (1-e) p[k] + (p[k+1]-p[k]) (1 - (tau/h)(1-e)) with e = exp(-h/tau), the
    exact discretisation for an input linear between samples; it is a bidiagonal system, solved as such.
    Between samples y = p + m (s - tau) + (y[k] - p[k] + m tau) exp(-s/tau), m being the slope.
    """
    h = np.diff(drive.t_s)
    p = drive.po2_bar
    x = h / tau_s
    decay = np.exp(-x)
    gained = -np.expm1(-x)
    ramp = 1.0 - gained / x
    right = np.empty_like(p)
    right[1:] = gained * p[:-1] + np.diff(p) * ramp
    below = np.zeros_like(p)
    below[:-1] = -decay
    right[drive.first] = p[drive.first]
    below[drive.first[1:] - 1] = 0.0
    band = np.vstack([np.ones_like(p), below])
    y = solve_banded((1, 0), band, right, overwrite_ab=True, overwrite_b=True, check_finite=False)
    lag = where.slope * tau_s
    answer: FloatArray = (
        where.po2_bar
        + where.slope * where.since_s
        - lag
        + (y[where.index] - where.po2_bar + lag) * np.exp(-where.since_s / tau_s)
    )
    return answer


def membrane(drive: Drive, tau_s: float, where: Places) -> FloatArray:
    """Answer of a planar membrane with longest time constant tau = L^2 / (pi^2 D), shape (M,).

    Flux after a step: 1 + 2 sum_n (-1)^n exp(-n^2 t/tau) (Crank, The Mathematics of Diffusion, permeation
    through a plane sheet), that is poles tau/n^2 with weights 2 (-1)^(n+1).
    """
    answer = np.zeros_like(where.since_s)
    for n in range(1, MEMBRANE_MODES + 1):
        weight = (2.0 if n < MEMBRANE_MODES else 1.0) * (-1.0) ** (n + 1)
        answer += weight * one_pole(drive, tau_s / (n * n), where)
    return answer


def two_poles(
    drive: Drive, tau_s: float, slow_tau_s: float, slow_fraction: float, where: Places
) -> FloatArray:
    """Answer of two poles side by side, the slow one with its fraction of the output, shape (M,)."""
    fast = one_pole(drive, tau_s, where)
    slow = one_pole(drive, slow_tau_s, where)
    return fast + slow_fraction * (slow - fast)


def one_pole_t90_s(tau_s: float) -> float:
    """T90 of one pole for an ideal step: tau ln 10."""
    return tau_s * log(10.0)


def membrane_t90_s(tau_s: float) -> float:
    """T90 of the planar membrane for an ideal step."""
    return tau_s * MEMBRANE_T90


def two_poles_t90_s(tau_s: float, slow_tau_s: float, slow_fraction: float) -> float:
    """T90 of two poles side by side for an ideal step: the last time the answer enters the last tenth."""

    def short_of(t_s: float) -> float:
        return (
            (1.0 - slow_fraction) * float(np.exp(-t_s / tau_s))
            + slow_fraction * float(np.exp(-t_s / slow_tau_s))
            - 0.1
        )

    latest = 40.0 * max(tau_s, slow_tau_s)
    grid = np.concatenate([[0.0], np.geomspace(1e-3 * min(tau_s, slow_tau_s), latest, 200)])
    above = [i for i, t in enumerate(grid[:-1]) if short_of(float(t)) > 0.0]
    if not above:
        return 0.0
    return float(brentq(short_of, float(grid[above[-1]]), float(grid[above[-1] + 1]), xtol=1e-9))
