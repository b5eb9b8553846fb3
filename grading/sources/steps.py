"""Holds of a run: from the record's own events, or found in a trace of pressure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from grading.measurement import FloatArray
from grading.record.event_lines import Event
from grading.results import Direction, Gas

LEAST_HOLD_S: Final = 20.0
MOVING_BAR_PER_S: Final = 0.001
"""Slower than any ramp of a test (0.1 bar in 60 s), faster than changes by leaks and cooling in a hold."""

LEAST_STEP_BAR: Final = 0.02
LEAST_FRACTION_STEP: Final = 0.01
LONGEST_RAMP_S: Final = 150.0
_SHORTEST_WINDOW_S: Final = 2.0
_LONGEST_WINDOW_S: Final = 12.0
_SIGMAS: Final = 4.0
_GROWN_SIGMAS: Final = 2.5
_AIR_FRACTION: Final = (0.195, 0.225)
_NITROGEN_FRACTION: Final = 0.02


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch of constant pressure.

    Attributes:
        step: number of the step.
        nominal_po2_bar: to one decimal; None outside oxygen.
        begin_s, end_s: on the run's clock.
        oxygen_fraction: of the dry gas in the pot during the hold.
        settled_sockets: sockets that the rig found settled; None when they were not judged during the run.
        ramped_from: the pressure went straight from the hold before to this one, in the same gas.
    """

    step: int
    gas: Gas
    direction: Direction
    nominal_po2_bar: float | None
    begin_s: float
    end_s: float
    oxygen_fraction: float
    settled_sockets: frozenset[int] | None
    ramped_from: bool


def holds_from_events(events: Sequence[Event]) -> tuple[Hold, ...]:
    """Read the holds of a run from its events; for a step held twice, the last one that was not aborted."""
    held: dict[int, Hold] = {}
    begun: Event | None = None
    ramps = 0
    last_gas = ""
    for event in events:
        if event.kind == "ramp_begin":
            ramps += 1
        elif event.kind == "hold_begin":
            begun = event
        elif event.kind == "hold_end" and begun is not None and begun.data["step"] == event.data["step"]:
            if event.data["stop_reason"] != "aborted":
                hold = _hold(begun, event, ramped=ramps == 1 and begun.data["gas"] == last_gas)
                held.pop(hold.step, None)
                held[hold.step] = hold
                last_gas = hold.gas
            else:
                last_gas = ""
            begun, ramps = None, 0
    return tuple(held.values())


def _hold(begun: Event, ended: Event, *, ramped: bool) -> Hold:
    data = begun.data
    nominal = data.get("nominal_po2_bar")
    settled = ended.data.get("settled") or {}
    return Hold(
        step=int(data["step"]),
        gas=data["gas"],
        direction=data["direction"],
        nominal_po2_bar=None if nominal is None else round(float(nominal), 1),
        begin_s=begun.t_s,
        end_s=ended.t_s,
        oxygen_fraction=float(data["oxygen_fraction"]),
        settled_sockets=frozenset(int(socket) for socket, yes in settled.items() if yes),
        ramped_from=ramped,
    )


def holds_in_trace(
    t_s: FloatArray, pressure_bar: FloatArray, oxygen_fraction: FloatArray
) -> tuple[Hold, ...]:
    """Find the holds of a trace by change points on pressure, and on the oxygen fraction as logged.

    The pressure moves where its slope over a short window is beyond `MOVING_BAR_PER_S`, uncertainty included;
    the window is as long as the noise requires. A stretch between that lasts `LEAST_HOLD_S` is a hold; its
    ends are then moved out to where the pressure leaves it.

    Args:
        t_s: growing, shape (n,).
        pressure_bar: absolute, shape (n,).
        oxygen_fraction: dry, shape (n,).
    """
    found: list[Hold] = []
    for first, last in still_stretches(t_s, pressure_bar):
        cuts = np.flatnonzero(np.abs(np.diff(oxygen_fraction[first:last])) > LEAST_FRACTION_STEP) + first + 1
        edges = [first, *cuts.tolist(), last]
        for begin, end in pairwise(edges):
            if t_s[end - 1] - t_s[begin] >= LEAST_HOLD_S:
                found.append(
                    _found_hold(len(found) + 1, t_s, pressure_bar, oxygen_fraction, begin, end, found)
                )
    return tuple(found)


def still_stretches(t_s: FloatArray, pressure_bar: FloatArray) -> list[tuple[int, int]]:
    """Index ranges [first, last) in which the pressure stands still for at least `LEAST_HOLD_S`."""
    if len(t_s) < 8 or t_s[-1] - t_s[0] < LEAST_HOLD_S:
        return []
    noise = _noise_bar(pressure_bar)
    slope, u_slope = _local_slope(t_s, pressure_bar, noise)
    moving = np.abs(slope) > np.maximum(MOVING_BAR_PER_S, _SIGMAS * u_slope)
    edges = np.flatnonzero(np.diff(np.concatenate([[True], moving, [True]]).astype(np.int64)))
    cores = [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a >= 3]
    tolerance = max(_GROWN_SIGMAS * noise, 0.001)
    grown = [_grown(t_s, pressure_bar, core, tolerance) for core in cores]
    merged: list[tuple[int, int]] = []
    for first, last in grown:
        if merged and _one_level(t_s, pressure_bar, merged[-1], (first, last)):
            merged[-1] = (merged[-1][0], max(last, merged[-1][1]))
        else:
            merged.append((max(first, merged[-1][1]) if merged else first, last))
    return [(a, b) for a, b in merged if b - a >= 3 and t_s[b - 1] - t_s[a] >= LEAST_HOLD_S]


def _noise_bar(pressure_bar: FloatArray) -> float:
    """White noise by second differences; at least that of the gauge's resolution."""
    white = float(np.median(np.abs(np.diff(pressure_bar, 2)))) * 1.4826 / np.sqrt(6.0)
    steps = np.abs(np.diff(np.unique(pressure_bar)))
    resolution = float(np.min(steps)) if len(steps) else 0.0
    return float(max(white, resolution / np.sqrt(12.0)))


def _local_slope(t_s: FloatArray, pressure_bar: FloatArray, noise: float) -> tuple[FloatArray, FloatArray]:
    """Slope of a straight line through a window about every sample, and its standard uncertainty, (n,)."""
    spacing = float(np.median(np.diff(t_s)))
    # se = noise sqrt(12 spacing) / window^1.5 for evenly spaced readings; the goal is a quarter of the limit.
    window = (noise * np.sqrt(12.0 * spacing) / (0.25 * MOVING_BAR_PER_S)) ** (2.0 / 3.0)
    half = 0.5 * min(max(window, _SHORTEST_WINDOW_S, 4.0 * spacing), max(_LONGEST_WINDOW_S, 4.0 * spacing))
    first = np.searchsorted(t_s, t_s - half)
    last = np.searchsorted(t_s, t_s + half, side="right")
    t, p = t_s - t_s[0], pressure_bar - np.mean(pressure_bar)
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (np.ones_like(t), t, p, t * t, t * p)]
    n, st, sp, stt, stp = (s[last] - s[first] for s in sums)
    sxx = np.maximum(stt - st * st / n, 1e-12)
    return (stp - st * sp / n) / sxx, noise / np.sqrt(sxx)


def _grown(
    t_s: FloatArray, pressure_bar: FloatArray, core: tuple[int, int], tolerance: float
) -> tuple[int, int]:
    """Move the ends of a still stretch out to where the pressure leaves the level beside them."""
    first, last = core
    head = float(np.median(pressure_bar[first : min(first + 15, last)]))
    tail = float(np.median(pressure_bar[max(last - 15, first) : last]))
    while first >= 3 and abs(float(np.mean(pressure_bar[first - 3 : first])) - head) < tolerance:
        first -= 1
    while last <= len(t_s) - 3 and abs(float(np.mean(pressure_bar[last : last + 3])) - tail) < tolerance:
        last += 1
    if first < 3:
        first = 0
    if last > len(t_s) - 3:
        last = len(t_s)
    return first, last


def _one_level(
    t_s: FloatArray, pressure_bar: FloatArray, before: tuple[int, int], after: tuple[int, int]
) -> bool:
    """Whether two still stretches are one hold with a disturbance in between."""
    a = float(np.median(pressure_bar[max(before[1] - 15, before[0]) : before[1]]))
    b = float(np.median(pressure_bar[after[0] : min(after[0] + 15, after[1])]))
    between = pressure_bar[before[1] : after[0]]
    away = float(np.max(np.abs(between - a))) if len(between) else 0.0
    return abs(a - b) < LEAST_STEP_BAR and away < 2.0 * LEAST_STEP_BAR


def _found_hold(
    number: int,
    t_s: FloatArray,
    pressure_bar: FloatArray,
    oxygen_fraction: FloatArray,
    begin: int,
    end: int,
    earlier: Sequence[Hold],
) -> Hold:
    fraction = float(np.median(oxygen_fraction[begin:end]))
    level = float(np.median(pressure_bar[begin:end]))
    gas: Gas = "oxygen"
    if _AIR_FRACTION[0] < fraction < _AIR_FRACTION[1]:
        gas = "air"
    elif fraction < _NITROGEN_FRACTION:
        gas = "nitrogen"
    before = earlier[-1] if earlier and earlier[-1].gas == gas else None
    direction: Direction = "up"
    if before is not None:
        at = (t_s >= before.begin_s) & (t_s <= before.end_s)
        direction = "up" if level >= float(np.median(pressure_bar[at])) else "down"
    near = before is not None and t_s[begin] - before.end_s <= LONGEST_RAMP_S
    same = before is not None and abs(before.oxygen_fraction - fraction) <= LEAST_FRACTION_STEP
    return Hold(
        step=number,
        gas=gas,
        direction=direction,
        nominal_po2_bar=round(fraction * level, 1) if gas == "oxygen" else None,
        begin_s=float(t_s[begin]),
        end_s=float(t_s[end - 1]),
        oxygen_fraction=fraction,
        settled_sockets=None,
        ramped_from=gas == "oxygen" and near and same,
    )
