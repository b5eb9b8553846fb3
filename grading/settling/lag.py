"""The exact response of lagging cells to a measured pressure trace.

Between two samples the driving PO2 is taken as a straight line. For that input the response of one pole is
known in closed form, at the samples and between them, for any spacing of samples. The other models are sums
of poles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.linalg import solve_banded
from scipy.optimize import brentq

from grading.measurement import FloatArray, IntArray

MEMBRANE_MODES: Final = 12
"""Poles of the membrane series that are kept; the last at half weight, so that the sum is exactly one."""


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
        """Lay traces of (t_s, po2_bar) end to end; see `shifts` for the offset of each."""
        lengths = [len(t) for t, _ in traces]
        first = np.concatenate([[0], np.cumsum(lengths)[:-1]]).astype(np.int64)
        t_s = np.concatenate([t + shift for (t, _), shift in zip(traces, shifts(traces), strict=True)])
        return cls(t_s, np.concatenate([p for _, p in traces]), first)


def shifts(traces: Sequence[tuple[FloatArray, FloatArray]], apart_s: float = 10.0) -> list[float]:
    """Time to add to each trace so that the traces follow one another with gaps of `apart_s`."""
    moved = []
    end = 0.0
    for t, _ in traces:
        moved.append(end - float(t[0]))
        end += float(t[-1] - t[0]) + apart_s
    return moved


@dataclass(frozen=True, slots=True)
class Places:
    """Places of M instants among the samples of a drive: sample before, time since it, slope of the PO2."""

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


def pole_states(drive: Drive, tau_s: float) -> FloatArray:
    """Response of 1/(1 + tau s) at the samples of a drive, shape (K,).

    y[k+1] = e y[k] + (1-e) p[k] + (p[k+1]-p[k]) (1 - (tau/h)(1-e)) with e = exp(-h/tau), the exact
    discretisation for an input linear between samples; it is a bidiagonal system, solved as such.
    """
    h = np.diff(drive.t_s)
    p = drive.po2_bar
    x = h / tau_s
    gained = -np.expm1(-x)
    right = np.empty_like(p)
    right[1:] = gained * p[:-1] + np.diff(p) * (1.0 - gained / x)
    band = np.ones((2, len(p)))
    band[1, :-1] = gained - 1.0
    right[drive.first] = p[drive.first]
    band[1, drive.first[1:] - 1] = 0.0
    states: FloatArray = solve_banded(
        (1, 0), band, right, overwrite_ab=True, overwrite_b=True, check_finite=False
    )
    return states


def pole_at(states: FloatArray, tau_s: float, where: Places) -> FloatArray:
    """Response of a pole between its samples: p + m (s - tau) + (y[k] - p[k] + m tau) exp(-s/tau), (M,).

    m is the slope of the driving PO2 and s the time since sample k.
    """
    lag = where.slope * tau_s
    answer: FloatArray = (states[where.index] - where.po2_bar + lag) * np.exp(-where.since_s / tau_s)
    answer += where.po2_bar
    answer += where.slope * where.since_s
    answer -= lag
    return answer


def one_pole(drive: Drive, tau_s: float, where: Places) -> FloatArray:
    """Response of 1/(1 + tau s) at `where`, shape (M,)."""
    return pole_at(pole_states(drive, tau_s), tau_s, where)


def membrane_poles(tau_s: float) -> tuple[FloatArray, FloatArray]:
    """Time constants and weights of a planar membrane with longest time constant L^2 / (pi^2 D).

    Flux after a step: 1 + 2 sum_n (-1)^n exp(-n^2 t/tau) (Crank, The Mathematics of Diffusion, permeation
    through a plane sheet), that is poles tau/n^2 with weights 2 (-1)^(n+1).
    """
    n = np.arange(1, MEMBRANE_MODES + 1, dtype=np.float64)
    weights = np.where(n % 2.0 == 1.0, 2.0, -2.0)
    weights[-1] /= 2.0
    return tau_s / (n * n), weights


def poles(drive: Drive, taus_s: FloatArray, weights: FloatArray, where: Places) -> FloatArray:
    """Response of a sum of poles at `where`, shape (M,)."""
    answer = np.zeros_like(where.since_s)
    for tau_s, weight in zip(taus_s, weights, strict=True):
        answer += weight * one_pole(drive, float(tau_s), where)
    return answer


def poles_t90_s(taus_s: FloatArray, weights: FloatArray) -> float:
    """T90 of a sum of poles for an ideal step: the last time that the response rises through 0.9."""

    def short_of(t_s: float | FloatArray) -> FloatArray:
        left: FloatArray = np.exp(-np.asarray(t_s)[..., None] / taus_s) @ weights
        return left - 0.1

    longest, shortest = float(np.max(taus_s)), float(np.min(taus_s))
    grid = np.concatenate([[0.0], np.geomspace(1e-2 * shortest, 40.0 * longest, 400)])
    above = np.flatnonzero(short_of(grid)[:-1] > 0.0)
    if not len(above):
        return 0.0
    last = int(above[-1])
    return float(brentq(lambda t: float(short_of(t)), float(grid[last]), float(grid[last + 1]), xtol=1e-9))
