"""A simulated run of invented cells: ramps and holds, membranes that lag, readings with noise.

The lag is a sum of poles integrated on a fine grid of its own, independent of the code under test.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from grading.measurement import ErrorModel
from grading.record.format import FileText, Reading, RunHeader, SampleRow
from grading.record.writer import RecordWriter
from grading.results import CellInfo, InstrumentLine

STARTED = datetime(2026, 3, 2, 10, 15, tzinfo=UTC)
FRACTION = 0.99
AIR_BAR = 1.013
FINE_S = 0.02


@dataclass(frozen=True)
class Cell:
    """An invented cell: poles of its lag with their weights, and its static response."""

    serial: str
    taus_s: tuple = (2.0,)
    weights: tuple = (1.0,)
    slope_mv_per_bar: float = 50.0
    ceiling_mv: float = 1e9
    fade_percent_per_min: float = 0.0
    noise_mv: float = 0.01
    delay_s: float = 0.0
    date_code: str = ""

    def output_mv(self, t_s, po2_bar, at_s):
        """True output at `at_s` for a PO2 given on a fine, even grid."""
        lagged = np.zeros_like(po2_bar)
        for tau_s, weight in zip(self.taus_s, self.weights, strict=True):
            decay = np.exp(-FINE_S / tau_s)
            state, states = po2_bar[0], np.empty_like(po2_bar)
            for k, p in enumerate(po2_bar):
                state = p + (state - p) * decay
                states[k] = state
            lagged += weight * states
        straight = self.slope_mv_per_bar * np.interp(at_s - self.delay_s, t_s, lagged)
        bent = (straight**-8 + self.ceiling_mv**-8) ** (-1 / 8)
        return bent * (1.0 - self.fade_percent_per_min / 100.0 * at_s / 60.0)


@dataclass(frozen=True)
class LostContact(Cell):
    """A cell whose lead floats around its own level from `lost_s` on; NaN means no reading."""

    floats_at_mv: float = 0.0
    drifts_mv_per_min: float = 0.0
    pickup_mv: float = 2.5
    lost_s: float = 0.0

    def output_mv(self, t_s, po2_bar, at_s):
        """Reading of the meter at `at_s`, without its noise."""
        pickup = np.random.default_rng(417).normal(0.0, self.pickup_mv, len(at_s))
        floating = self.floats_at_mv + self.drifts_mv_per_min * (at_s - self.lost_s) / 60.0 + pickup
        return np.where(at_s >= self.lost_s, floating, super().output_mv(t_s, po2_bar, at_s))


@dataclass(frozen=True)
class Trace:
    """Readings of a run's instruments: shapes (n,) and (cells, n)."""

    t_s: np.ndarray
    pressure_bar: np.ndarray
    output_t_s: np.ndarray
    output_mv: np.ndarray
    holds: tuple


def membrane(tau_s, modes=30):
    """Poles and weights of a planar membrane."""
    n = np.arange(1, modes + 1)
    weights = 2.0 * (-1.0) ** (n + 1)
    weights[-1] /= 2.0
    return tuple(tau_s / n**2), tuple(weights)


def trace(cells, levels, seed, hold_s=60.0, ramp_s=10.0, every_s=0.2, gauge_noise_bar=0.0002, begin_s=0.0):
    """Ramps between `levels` (absolute bar), a hold at each; outputs read 20 ms apart after the pressure.

    Returns:
        Trace; `holds` are (begin, end, level).
    """
    rng = np.random.default_rng(seed)
    corners, values, holds = [begin_s], [levels[0]], []
    for i, level in enumerate(levels):
        if i:
            corners.append(corners[-1] + ramp_s)
            values.append(level)
        holds.append((corners[-1], corners[-1] + hold_s, level))
        corners.append(corners[-1] + hold_s)
        values.append(level)
    fine = np.arange(begin_s, corners[-1] + 1.0, FINE_S)
    pressure = np.interp(fine, corners, values)
    t_s = np.arange(begin_s, corners[-1], every_s)
    stamps = np.array([t_s + 0.02 * (i + 0.5) for i in range(len(cells))])
    output = [
        cell.output_mv(fine, FRACTION * pressure, at) + rng.normal(0.0, cell.noise_mv, len(at))
        for cell, at in zip(cells, stamps, strict=True)
    ]
    gauge = np.interp(t_s, corners, values) + rng.normal(0.0, gauge_noise_bar, len(t_s))
    return Trace(t_s, gauge, stamps, np.array(output), tuple(holds))


def header(cells, **changed):
    """Content of run.json for such a run."""
    text = FileText("made up", "made_up.toml", 'name = "made up"\n', "1")
    given = {
        "operator": "A. Operator",
        "place": "Skerry Point Bench",
        "purpose": "test",
        "clock": "direct",
        "clock_note": "no clock: made up",
        "bench": text,
        "procedure": text,
        "limits": text,
        "cells": tuple(
            CellInfo(cell.serial, i, "Tarnby", "T3", cell.date_code) for i, cell in enumerate(cells, start=1)
        ),
        "sockets": tuple(range(1, len(cells) + 1)),
        "instruments": (InstrumentLine("gauge_a", "gauge", "TG-20117"),),
        "error_model": ErrorModel(),
        "oxygen_fraction": 0.995,
        "u_oxygen_fraction": 0.001,
        "relative_humidity": 0.5,
        "u_relative_humidity": 0.1,
        "pot_volume_l": 1.0,
        "working_pressure_bar": 3.5,
        "software": {"name": "leadline", "version": "0.1.0", "python": "3.11.7"},
    }
    return RunHeader(**{**given, **changed})


def utc(t_s):
    """Time of day of a run's second."""
    return STARTED + timedelta(seconds=float(t_s))


def rows(seen, state="EXECUTE", phase="measure", step=1):
    """Rows of samples.csv of a trace."""
    for k, t in enumerate(seen.t_s):
        yield SampleRow(
            t_s=float(t),
            state=state,
            phase=phase,
            step=step,
            pressure_bar=Reading(float(seen.pressure_bar[k])),
            pressure_b_bar=None,
            barometer_bar=Reading(AIR_BAR) if k % 10 == 0 else None,
            temperature_c=Reading(21.5) if k % 5 == 0 else None,
            output_mv={
                i + 1: _reading(float(seen.output_mv[i, k]), float(seen.output_t_s[i, k] - t))
                for i in range(len(seen.output_mv))
            },
        )


def _reading(mv, offset_s):
    return Reading(None, "over", offset_s) if np.isnan(mv) else Reading(mv, "ok", offset_s)


def write_run(root, cells, levels=(1.02, 1.62, 1.02), seed=1, how="completed", events=(), **changed):
    """Write a whole record: ambient air, a purge as an event without readings, then the levels.

    Args:
        events: (kind, t_s, data) to add at the end of the oxygen steps.
        how: "interrupted" leaves the record without its end.
        changed: members of the header or of `trace`.

    Returns:
        Folder of the record.
    """
    shape = {k: changed.pop(k) for k in ("hold_s", "ramp_s", "every_s") if k in changed}
    writer = RecordWriter.create(root, header(cells, **changed), STARTED, suffix="a1b2", sync=False)
    air = air_trace(cells, seed, shape.get("every_s", 0.2))
    step = {"step": 0, "gas": "air", "direction": "up", "nominal_po2_bar": None, "target_bar": None}
    writer.event("hold_begin", 0.0, utc(0.0), **step, oxygen_fraction=0.20946)
    for row in rows(air, "RESETTING", "air", 0):
        writer.sample(row)
    settled = {str(i + 1): True for i in range(len(cells))}
    writer.event("hold_end", 34.0, utc(34.0), step=0, stop_reason="settled", settled=settled)
    writer.event(
        "purge",
        99.0,
        utc(99.0),
        method="swings",
        swings=[[1.05, 2.0]] * 7,
        volumes=0.0,
        oxygen_fraction=FRACTION,
        u_oxygen_fraction=0.002,
        oxygen_fraction_before=0.20946,
    )
    seen = trace(cells, levels, seed, begin_s=100.0, **shape)
    pending = list(_hold_events(seen, settled))
    for row in rows(seen):
        while pending and pending[0][1] <= row.t_s:
            kind, t_s, data = pending.pop(0)
            writer.event(kind, t_s, utc(t_s), **data)
        writer.sample(row)
    for kind, t_s, data in (*pending, *events):
        writer.event(kind, t_s, utc(t_s), **data)
    if how == "interrupted":
        writer.close()
    else:
        end_s = seen.t_s[-1] + 1.0
        writer.end(how, "All steps done." if how == "completed" else "The lid was opened.", utc(end_s), end_s)
    return writer.path


def air_trace(cells, seed, every_s):
    """Readings in ambient air."""
    rng = np.random.default_rng(seed + 1000)
    t_s = np.arange(0.5, 34.0, every_s)
    stamps = np.array([t_s + 0.02 * (i + 0.5) for i in range(len(cells))])
    po2 = 0.20946 * (AIR_BAR - 0.5 * 0.0256)
    fine = np.arange(0.0, 35.0, FINE_S)
    output = [
        (
            cell.output_mv(fine, np.full(len(fine), po2), at)
            if isinstance(cell, LostContact)
            else np.full(len(at), cell.slope_mv_per_bar * po2)
        )
        + rng.normal(0.0, cell.noise_mv, len(t_s))
        for cell, at in zip(cells, stamps, strict=True)
    ]
    return Trace(t_s, np.full(len(t_s), AIR_BAR), stamps, np.array(output), ())


def _hold_events(seen, settled):
    before = None
    for i, (begin_s, end_s, level) in enumerate(seen.holds, start=1):
        direction = "up" if before is None or level > before else "down"
        if before is not None:
            yield "ramp_begin", seen.holds[i - 2][1], {"step": i, "target_bar": level}
        yield (
            "hold_begin",
            begin_s,
            {
                "step": i,
                "gas": "oxygen",
                "direction": direction,
                "nominal_po2_bar": round(level * FRACTION, 1),
                "oxygen_fraction": FRACTION,
                "target_bar": level,
            },
        )
        yield "hold_end", end_s, {"step": i, "stop_reason": "settled", "settled": settled}
        before = level
