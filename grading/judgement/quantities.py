"""The figures of every cell from its settled steps, with uncertainty; all cells of a source at once.

Everything that is a function of PO2 and output goes through one propagation (`StepErrors.propagate`), so that
errors common to two steps (a gauge's gain and zero, the bottle's purity) cancel where they really cancel.
Nothing is graded here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from grading.figure_kinds import FigureKey
from grading.gas import AIR_PO2_BAR
from grading.measurement import FloatArray, IntArray, Measurement, StepTable
from grading.response.curve import ResponseFits, fit_responses
from grading.response.indication import indication_error
from grading.results import Direction
from grading.uncertainty import Propagated, StepErrors, step_errors

OXYGEN_PO2_BAR: Final = 1.0
"""PO2 that outputs in oxygen are scaled to."""

CALIBRATION_RANGE_BAR: Final = (0.65, 1.15)
"""Where a handset may have been calibrated in oxygen at ambient pressure: high ground to sea level."""

LEAST_OUTPUT_MV: Final = 1.0
"""A cell below this in oxygen gives no output to compare other outputs with. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class CellSteps:
    """Which step of each cell has which purpose; -1 where the cell has none.

    Attributes:
        air: first step in ambient air, shape (N,).
        calibration: the oxygen step that a handset would be calibrated at: nearest to PO2 1.0, rising first.
        top: the highest oxygen step, rising first.
        nominal_po2_bar: nominal PO2 of every step to one decimal, shape (K,); NaN outside oxygen.
        error_at: nominal PO2 values with an indication error, rising, length E.
        error_step: the step that it is taken from (rising where there is one, else falling), shape (N, E).
        pairs: rising and falling step at equal nominal PO2, shape (N, P, 2).
    """

    air: IntArray
    calibration: IntArray
    top: IntArray
    nominal_po2_bar: FloatArray
    error_at: tuple[float, ...]
    error_step: IntArray
    pairs: IntArray


@dataclass(frozen=True, slots=True)
class Quantities:
    """Figures of N cells before any limit is applied.

    Attributes:
        errors: PO2 and outputs with their covariance.
        steps: which step has which purpose.
        figures: figures calculated from settled steps, side by side, shape (N, all of `columns`).
        columns: of `figures`, by key: one for a figure of a cell, K for one of each step, and P hysteresis
            values (falling against rising, signed).
        fits: fitted responses and how far each cell is linear.
    """

    measurement: Measurement
    errors: StepErrors
    steps: CellSteps
    figures: Propagated
    columns: Mapping[FigureKey, slice]
    expanded_uncertainty: FloatArray
    fits: ResponseFits

    def indication_error_percent(self, cell: int, step: int) -> tuple[float, float]:
        """Indication error of one step and its expanded uncertainty, in percent; NaN where there is none."""
        column = self.columns["indication_error_percent"].start + step
        return float(self.figures.value[cell, column]), float(self.expanded_uncertainty[cell, column])


def choose_steps(table: StepTable, errors: StepErrors) -> CellSteps:
    """Find the purpose of each step of each cell."""
    present = np.isfinite(errors.po2_bar)
    gas = np.array(table.gas)
    falling = np.array([direction == "down" for direction in table.direction])
    oxygen = gas == "oxygen"
    with np.errstate(invalid="ignore"):
        typical = np.array([_median(errors.po2_bar[:, k]) for k in range(gas.size)])
        nominal = np.where(np.isfinite(table.nominal_po2_bar), table.nominal_po2_bar, typical)
    nominal = np.where(oxygen, np.round(nominal, 1), np.nan)
    in_time = np.arange(gas.size)
    air = _first(present & (gas == "air"), in_time)
    low, high = CALIBRATION_RANGE_BAR
    with np.errstate(invalid="ignore"):
        may_calibrate = (
            oxygen & (errors.po2_bar > low) & (errors.po2_bar < high) & (errors.output_mv >= LEAST_OUTPUT_MV)
        )
        distance = np.round(np.abs(nominal - OXYGEN_PO2_BAR), 1)
    calibration = _first(may_calibrate, np.lexsort((falling, distance)))
    top = _first(present & oxygen, np.lexsort((falling, -nominal)))
    levels = np.unique(nominal[np.isfinite(nominal)]).tolist()
    calibrated_at = nominal[calibration]
    error_at: list[float] = []
    error_step: list[IntArray] = []
    pairs: list[NDArray[np.int64]] = []
    for level in levels:
        here = nominal == level
        rising = _first(present & here & ~falling, in_time)
        down = _first(present & here & falling, in_time)
        step = np.where(rising >= 0, rising, down)
        step = np.where((calibration >= 0) & (calibrated_at != level), step, -1)
        if np.any(step >= 0):
            error_at.append(level)
            error_step.append(step)
        # A pair is compared relative to its rising step, so that step must give an output.
        with np.errstate(invalid="ignore"):
            both = (down >= 0) & (_taken(errors.output_mv, rising) >= LEAST_OUTPUT_MV)
        if np.any(both):
            pairs.append(np.stack([np.where(both, rising, -1), np.where(both, down, -1)], axis=1))
    count = present.shape[0]
    return CellSteps(
        air=air,
        calibration=calibration,
        top=top,
        nominal_po2_bar=nominal,
        error_at=tuple(error_at),
        error_step=np.stack(error_step, axis=1) if error_step else np.empty((count, 0), dtype=np.int64),
        pairs=np.stack(pairs, axis=1) if pairs else np.empty((count, 0, 2), dtype=np.int64),
    )


def measure(measurement: Measurement, reference_temperature_c: float) -> Quantities:
    """Calculate every figure that depends on the settled steps.

    Args:
        measurement: N cells, at least one step.
        reference_temperature_c: temperature that outputs of cells with a known coefficient are scaled to.
    """
    table = measurement.steps
    coefficient = np.array(
        [
            math.nan
            if cell.temperature_coefficient_percent_per_k is None
            else cell.temperature_coefficient_percent_per_k
            for cell in measurement.cells
        ]
    )
    errors = step_errors(table, measurement.errors, coefficient, reference_temperature_c)
    steps = choose_steps(table, errors)
    slope = _local_slope(errors, steps, table.direction)
    oxygen = np.isfinite(steps.nominal_po2_bar)
    beside_calibration = oxygen & (np.arange(oxygen.size) != steps.calibration[:, None])

    def by_key(po2: NDArray[Any], mv: NDArray[Any]) -> dict[FigureKey, NDArray[Any]]:
        air_po2, air_mv = _taken(po2, steps.air), _taken(mv, steps.air)
        at_po2, at_mv = _taken(po2, steps.calibration), _taken(mv, steps.calibration)
        safe_po2 = np.where(oxygen, po2, 1.0)
        error = 100.0 * indication_error(safe_po2, mv, at_po2[:, None], at_mv[:, None])
        error = np.where(beside_calibration, error, np.nan)
        hysteresis = np.empty(steps.pairs.shape[:2], dtype=mv.dtype)
        for pair in range(steps.pairs.shape[1]):
            up, down = steps.pairs[:, pair, 0], steps.pairs[:, pair, 1]
            # Both branches are compared at the PO2 of the rising step, along the cell's own slope there.
            moved = _taken(mv, down) + _taken(slope, up) * (_taken(po2, up) - _taken(po2, down))
            hysteresis[:, pair] = 100.0 * (moved / _taken(mv, up) - 1.0)
        agreement = np.asarray(100.0 * indication_error(air_po2, air_mv, at_po2, at_mv))
        return {
            "air_output_mv": (air_mv / air_po2 * AIR_PO2_BAR)[:, None],
            "oxygen_output_mv": (at_mv / at_po2 * OXYGEN_PO2_BAR)[:, None],
            "air_slope_agreement_percent": agreement[:, None],
            "indication_error_percent": error,
            "hysteresis_percent": hysteresis,
        }

    with np.errstate(divide="ignore", invalid="ignore"):
        columns = _side_by_side(by_key(errors.po2_bar, errors.output_mv))
        propagated = errors.propagate(lambda po2, mv: np.concatenate([*by_key(po2, mv).values()], axis=1))
    fits = fit_responses(errors, OXYGEN_PO2_BAR, steps.nominal_po2_bar)
    return Quantities(
        measurement=measurement,
        errors=errors,
        steps=steps,
        figures=propagated,
        columns=columns,
        expanded_uncertainty=propagated.expanded_uncertainty,
        fits=fits,
    )


def _side_by_side(parts: Mapping[FigureKey, NDArray[Any]]) -> dict[FigureKey, slice]:
    """Columns of each part when all are joined in their order; parts of shape (N, any)."""
    columns: dict[FigureKey, slice] = {}
    start = 0
    for key, part in parts.items():
        columns[key] = slice(start, start + part.shape[1])
        start += part.shape[1]
    return columns


def _median(values: FloatArray) -> float:
    present = values[np.isfinite(values)]
    return float(np.median(present)) if present.size else math.nan


def _first(allowed: NDArray[np.bool_], order: NDArray[np.intp]) -> IntArray:
    """Return the allowed step of each cell that comes first in `order`, -1 where none is allowed.

    Args:
        allowed: shape (N, K).
        order: indices of all K steps, the preferred one first.
    """
    found = order[np.argmax(allowed[:, order], axis=1)]
    return np.where(np.any(allowed, axis=1), found, -1).astype(np.int64)


def _taken(values: NDArray[Any], index: IntArray) -> NDArray[Any]:
    """One step of each cell, NaN where the index is -1; shapes (N, K) and (N,)."""
    taken = np.take_along_axis(values, np.maximum(index, 0)[:, None], axis=1)[:, 0]
    return np.where(index >= 0, taken, np.nan)


def _local_slope(errors: StepErrors, steps: CellSteps, direction: tuple[Direction, ...]) -> FloatArray:
    """Slope of each cell's own rising branch at each rising oxygen step, in mV/bar, shape (N, K).

    Taken from the neighbouring steps, so that it follows a ceiling; from a line through zero where a cell has
    no neighbour. NaN elsewhere.
    """
    rising = [
        k for k in range(len(direction)) if direction[k] == "up" and math.isfinite(steps.nominal_po2_bar[k])
    ]
    rising.sort(key=lambda k: float(steps.nominal_po2_bar[k]))
    slope = np.full(errors.po2_bar.shape, np.nan)
    if not rising:
        return slope
    po2, mv = errors.po2_bar[:, rising], errors.output_mv[:, rising]
    missing = np.full((po2.shape[0], 1), np.nan)

    def neighbour(values: FloatArray, ahead: bool) -> FloatArray:
        parts = [values[:, 1:], missing] if ahead else [missing, values[:, :-1]]
        return np.concatenate(parts, axis=1)

    po2_after, mv_after = neighbour(po2, True), neighbour(mv, True)
    po2_before, mv_before = neighbour(po2, False), neighbour(mv, False)
    has_after, has_before = np.isfinite(po2_after), np.isfinite(po2_before)
    run = np.where(has_after, po2_after, po2) - np.where(has_before, po2_before, po2)
    rise = np.where(has_after, mv_after, mv) - np.where(has_before, mv_before, mv)
    far_enough = run > 0.05
    with np.errstate(divide="ignore", invalid="ignore"):
        slope[:, rising] = np.where(far_enough, rise / np.where(far_enough, run, 1.0), mv / po2)
    return slope
