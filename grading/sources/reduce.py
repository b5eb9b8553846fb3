"""From stamped readings and the holds among them to settled outputs and response times.

Both records and traces use this. Every channel is taken at its own stamps. The pressure of an output is
interpolated to that output's stamps and averaged over the same window.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.interpolate import PchipInterpolator

from grading.measurement import FloatArray, StepTable
from grading.results import StepResponse
from grading.settling.response_time import POT_RELATIVE_U, Change, fit_response
from grading.settling.settled import (
    LEAST_READINGS,
    SEEN_ONCE,
    SHORTEST_MEAN_S,
    HoldRule,
    fade_per_minute,
    hold_verdict,
    mean_with_uncertainty,
    noise_rms,
    settled_from,
    transient_at,
)
from grading.sources.steps import Hold

BEFORE_CHANGE_S: Final = 6.0
AFTER_CHANGE_S: Final = 90.0
HISTORY_S: Final = 180.0
LEAST_STATIC_SLOPE: Final = 0.75
"""A change is used for the response time when its static slope is at least this part of the steepest one."""

MOST_DRIFT_OF_CHANGE: Final = 0.03
"""The output in the holds before and after it may also drift by no more than this part of it in a minute."""

LIVE_TOLERANCE: Final = 3.0
"""Factor on the limits for a cell that the rig found settled twice: readings continued after that."""


@dataclass(frozen=True, slots=True)
class Channel:
    """Good readings of one quantity, in order of their stamps, shape (n,)."""

    t_s: FloatArray
    value: FloatArray

    def between(self, begin_s: float, end_s: float) -> Channel:
        """The readings with stamps from `begin_s` to `end_s`."""
        at = slice(int(np.searchsorted(self.t_s, begin_s)), int(np.searchsorted(self.t_s, end_s, "right")))
        return Channel(self.t_s[at], self.value[at])

    def at(self, t_s: FloatArray) -> FloatArray:
        """Interpolate to other stamps; NaN everywhere without readings."""
        if not len(self.t_s):
            return np.full(len(t_s), np.nan)
        return np.interp(t_s, self.t_s, self.value)

    def mean(self, begin_s: float, end_s: float) -> float:
        """Mean between two instants, of the nearest reading when there is none; NaN without readings."""
        inside = self.between(begin_s, end_s).value
        if len(inside):
            return float(np.mean(inside))
        return float(self.at(np.array([0.5 * (begin_s + end_s)]))[0])


@dataclass(frozen=True, slots=True)
class Signals:
    """The signals of a run.

    Attributes:
        barometer_bar: None where the pot's gauge is the only instrument of pressure.
        relative_humidity: of ambient air, 0 to 1.
        output_mv: one channel for each cell.
        sockets: socket of each cell; the cell's place in the list where there are none.
    """

    pressure_bar: Channel
    barometer_bar: Channel | None
    temperature_c: Channel
    relative_humidity: float
    output_mv: tuple[Channel, ...]
    sockets: tuple[int, ...]


def step_table(signals: Signals, holds: Sequence[Hold], rule: HoldRule) -> StepTable:
    """Reduce every hold of every cell to a settled output; N cells by K holds."""
    shape = (len(signals.output_mv), len(holds))
    nan = {
        name: np.full(shape, np.nan)
        for name in (
            "pressure_bar",
            "u_pressure_bar",
            "temperature_c",
            "output_mv",
            "u_output_mv",
            "output_dof",
            "noise_percent",
            "fade_percent_per_min",
            "u_fade_percent_per_min",
        )
    }
    settled = np.full(shape, -1, dtype=np.int64)
    for k, hold in enumerate(holds):
        for i, channel in enumerate(signals.output_mv):
            reduced = _reduce_hold(signals, channel, hold, rule, signals.sockets[i])
            if reduced is not None:
                for name, value in reduced.numbers.items():
                    nan[name][i, k] = value
                settled[i, k] = reduced.settled
    present = np.isfinite(nan["output_mv"])
    fraction = np.array([hold.oxygen_fraction for hold in holds], dtype=np.float64)
    humidity = np.array(
        [signals.relative_humidity if hold.gas == "air" else 0.0 for hold in holds], dtype=np.float64
    )
    table = StepTable(
        step=np.array([hold.step for hold in holds], dtype=np.int64),
        gas=tuple(hold.gas for hold in holds),
        direction=tuple(hold.direction for hold in holds),
        nominal_po2_bar=np.array(
            [np.nan if hold.nominal_po2_bar is None else hold.nominal_po2_bar for hold in holds],
            dtype=np.float64,
        ),
        time_s=np.array([0.5 * (hold.begin_s + hold.end_s) for hold in holds], dtype=np.float64),
        oxygen_fraction=np.where(present, fraction, np.nan),
        relative_humidity=np.where(present, humidity, np.nan),
        settled=settled,
        **nan,
    )
    _fades(signals, holds, table)
    return table


def responses(
    signals: Signals, holds: Sequence[Hold], table: StepTable, skew_s: float
) -> tuple[tuple[StepResponse, ...], ...]:
    """Fit the lag of every cell, over all its rising and over all its falling changes."""
    ramps = [(k - 1, k) for k in range(1, len(holds)) if holds[k].ramped_from]
    drives = {k: _drive(signals, holds, before, k) for before, k in ramps}
    found = []
    for i, channel in enumerate(signals.output_mv):
        each = []
        for direction in ("up", "down"):
            here = [(before, k) for before, k in ramps if holds[k].direction == direction]
            changes = [
                _change(channel, holds, before, k, drives[k], table, i)
                for before, k in _telling(table, i, here)
            ]
            if changes:
                each.append(fit_response(changes, skew_s, POT_RELATIVE_U))
        found.append(tuple(each))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _Reduced:
    numbers: dict[str, float]
    settled: int


def _reduce_hold(
    signals: Signals, channel: Channel, hold: Hold, rule: HoldRule, socket: int
) -> _Reduced | None:
    """Settled output of one cell in one hold; None without enough readings, or without any at its end."""
    seen = channel.between(hold.begin_s, hold.end_s)
    if len(seen.t_s) < LEAST_READINGS:
        return None
    if hold.end_s - seen.t_s[-1] > max(SHORTEST_MEAN_S, 2.0 * float(np.median(np.diff(seen.t_s)))):
        return None
    open_pot = hold.gas == "air" and signals.barometer_bar is not None
    gauge = signals.barometer_bar if open_pot and signals.barometer_bar else signals.pressure_bar
    pressure = gauge.at(seen.t_s)
    live = hold.settled_sockets is not None and socket in hold.settled_sockets
    verdict = hold_verdict(
        seen.t_s,
        seen.value,
        rule.loosened(LIVE_TOLERANCE) if live else rule,
        pressure_bar=None if open_pot else pressure,
    )
    settled = verdict.settled or (live and verdict.why == SEEN_ONCE)
    start = settled_from(seen.t_s, seen.value)
    t_s, output_mv = seen.t_s[start:], seen.value[start:]
    mean = mean_with_uncertainty(t_s, output_mv)
    transient = transient_at(seen.t_s, seen.value, float(np.mean(t_s)))
    inside = gauge.between(float(t_s[0]), float(t_s[-1]))
    scatter = mean_with_uncertainty(inside.t_s, inside.value) if len(inside.t_s) >= LEAST_READINGS else None
    return _Reduced(
        {
            "pressure_bar": float(np.mean(pressure[start:])),
            "u_pressure_bar": 0.0 if scatter is None else scatter.u,
            "temperature_c": signals.temperature_c.mean(float(t_s[0]), float(t_s[-1])),
            "output_mv": mean.value,
            "u_output_mv": float(np.hypot(mean.u, transient / np.sqrt(3.0))),
            "output_dof": mean.degrees_of_freedom,
            "noise_percent": 100.0 * noise_rms(t_s, output_mv) / mean.value if mean.value > 0.0 else np.nan,
        },
        int(settled),
    )


def _fades(signals: Signals, holds: Sequence[Hold], table: StepTable) -> None:
    """Fill in the drops while held, with the pressure's small drift removed by the cell's static slope."""
    for i, channel in enumerate(signals.output_mv):
        for k, hold in enumerate(holds):
            seen = channel.between(hold.begin_s, hold.end_s)
            if len(seen.t_s) < LEAST_READINGS or not table.output_mv[i, k] > 0.0:
                continue
            at = signals.pressure_bar.at(seen.t_s)
            drift = (at / np.mean(at)) ** _elasticity(table, i, k)
            fade = fade_per_minute(seen.t_s, seen.value / drift)
            if fade is not None:
                table.fade_percent_per_min[i, k], table.u_fade_percent_per_min[i, k] = fade


def _elasticity(table: StepTable, i: int, k: int) -> float:
    """Percent by which a cell's output follows one percent of pressure at one step, 0 to 1."""
    if table.gas[k] != "oxygen":
        return 0.0
    near = [
        j
        for j in (k - 1, k + 1)
        if 0 <= j < len(table.gas)
        and table.gas[j] == "oxygen"
        and table.output_mv[i, j] > 0.0
        and abs(table.pressure_bar[i, j] - table.pressure_bar[i, k]) > 0.02
    ]
    if not near:
        return 1.0
    j = near[0]
    rise = np.log(table.output_mv[i, k] / table.output_mv[i, j])
    return float(np.clip(rise / np.log(table.pressure_bar[i, k] / table.pressure_bar[i, j]), 0.0, 1.0))


def _drive(signals: Signals, holds: Sequence[Hold], before: int, after: int) -> tuple[FloatArray, FloatArray]:
    """Measured PO2 from well before a change to the end of the hold after it.

    It reaches back over earlier changes in the same gas, because a slow part of a cell still responds to
    them. The oxygen fraction changes from that of one hold to that of the next as the gas flows, in time.
    """
    first = before
    while holds[first].ramped_from and holds[first].begin_s > holds[before].end_s - HISTORY_S:
        first -= 1
    last = holds[after]
    begin_s = max(holds[first].begin_s, holds[before].end_s - HISTORY_S)
    trace = signals.pressure_bar.between(begin_s, min(last.end_s, last.begin_s + AFTER_CHANGE_S))
    corners = [t_s for hold in holds[first : after + 1] for t_s in (hold.begin_s, hold.end_s)]
    fractions = [hold.oxygen_fraction for hold in holds[first : after + 1] for _ in range(2)]
    fraction = np.interp(trace.t_s, corners, fractions)
    return trace.t_s, trace.value * fraction


def _telling(table: StepTable, i: int, ramps: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """The changes that a cell follows nearly in proportion, between holds in which it does not drift."""
    slope, drift = {}, {}
    po2 = table.pressure_bar[i] * table.oxygen_fraction[i]
    fade = np.abs(np.nan_to_num(table.fade_percent_per_min[i])) * table.output_mv[i] / 100.0
    for before, after in ramps:
        rise = po2[after] - po2[before]
        moved = table.output_mv[i, after] - table.output_mv[i, before]
        if abs(rise) > 0.02 and moved / rise > 0.0:
            slope[(before, after)] = moved / rise
            drift[(before, after)] = max(fade[before], fade[after]) / abs(moved)
    if not slope:
        return []
    steepest = float(np.median(sorted(slope.values())[-3:]))
    steep = [ramp for ramp, value in slope.items() if value >= LEAST_STATIC_SLOPE * steepest]
    still = [ramp for ramp in steep if drift[ramp] <= MOST_DRIFT_OF_CHANGE]
    return still or steep


def _change(
    channel: Channel,
    holds: Sequence[Hold],
    before: int,
    after: int,
    drive: tuple[FloatArray, FloatArray],
    table: StepTable,
    i: int,
) -> Change:
    begin_s = holds[before].end_s
    end_s = min(holds[after].end_s, holds[after].begin_s + AFTER_CHANGE_S)
    seen = channel.between(max(begin_s - BEFORE_CHANGE_S, holds[before].begin_s), end_s)
    noise = table.noise_percent[i, after] * abs(table.output_mv[i, after]) / 100.0
    return Change(
        direction=holds[after].direction,
        step=holds[after].step,
        drive_t_s=drive[0],
        drive_po2_bar=drive[1],
        t_s=seen.t_s,
        output_mv=seen.value,
        straight_mv=_straightened(seen.value, table, i, before, after),
        begin_s=begin_s,
        noise_mv=float(noise) if np.isfinite(noise) else 0.0,
    )


def _straightened(output_mv: FloatArray, table: StepTable, i: int, before: int, after: int) -> FloatArray:
    """Output between two steps of a cell that is straight between them.

    The static response is taken through the settled outputs of this branch (monotone cubic); its inverse
    turns output into PO2, and the chord of the two steps turns that back into output.
    """
    po2 = table.pressure_bar[i] * table.oxygen_fraction[i]
    mv = table.output_mv[i]
    branch = [
        k
        for k in range(len(table.gas))
        if np.isfinite(mv[k])
        and (table.gas[k] == "air" or k in (before, after) or table.direction[k] == table.direction[after])
    ]
    order = sorted(branch, key=lambda k: float(mv[k]))
    v, p = mv[order], po2[order]
    rising = np.append(True, (np.diff(v) > 0.0) & (np.diff(p) > 0.0))
    if np.count_nonzero(rising) < 3 or not np.all(rising):
        return output_mv
    inverse = PchipInterpolator(v, p, extrapolate=False)
    slope = inverse.derivative()
    inside = np.clip(output_mv, v[0], v[-1])
    stands_for = inverse(inside) + (output_mv - inside) * slope(inside)
    chord = (mv[after] - mv[before]) / (po2[after] - po2[before])
    straight: FloatArray = mv[before] + (stands_for - po2[before]) * chord
    return straight


def fastest_ramp_bar_per_min(pressure: Channel, over_s: float = 10.0) -> float | None:
    """Fastest change of pressure over any `over_s`, in bar/min; None for a shorter trace."""
    if len(pressure.t_s) < 2 or pressure.t_s[-1] - pressure.t_s[0] < over_s:
        return None
    t_s = pressure.t_s[pressure.t_s <= pressure.t_s[-1] - over_s]
    moved = np.abs(pressure.at(t_s + over_s) - pressure.at(t_s))
    return float(np.max(moved)) * 60.0 / over_s


def hold_notes(table: StepTable, holds: Sequence[Hold], i: int) -> tuple[str, ...]:
    """Notes on one cell's holds that do not prevent a grade, in sentences."""
    missing = [hold for k, hold in enumerate(holds) if not np.isfinite(table.output_mv[i, k])]
    unsettled = [hold for k, hold in enumerate(holds) if table.settled[i, k] == 0]
    notes = []
    if missing:
        notes.append(f"No settled output: {_named(missing)}.")
    if unsettled:
        longest_s = max(hold.end_s - hold.begin_s for hold in unsettled)
        notes.append(f"Not settled after {longest_s:.0f} s: {_named(unsettled)}.")
    return tuple(notes)


def _named(holds: Sequence[Hold]) -> str:
    """Holds in words: "air, on the way up at PO2 1.8 and 2.0 bar, on the way down at PO2 1.4 bar"."""
    parts = list(dict.fromkeys(hold.gas for hold in holds if hold.nominal_po2_bar is None))
    words: list[str] = [*parts]
    for direction, word in (("up", "on the way up"), ("down", "on the way down")):
        levels = [
            f"{hold.nominal_po2_bar:.1f}"
            for hold in holds
            if hold.nominal_po2_bar is not None and hold.direction == direction
        ]
        if levels:
            listed = ", ".join(levels[:-1]) + " and " + levels[-1] if len(levels) > 1 else levels[0]
            words.append(f"{word} at PO2 {listed} bar")
    return ", ".join(words)
