"""The data behind a cell's figures: its steps, its curve, and what a handset would have shown."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from grading.judgement.cell_figures import cell_responses
from grading.judgement.quantities import Quantities
from grading.measurement import FloatArray
from grading.response.indication import display_bar
from grading.results import CellDetail, ResponseCurve, StepResult

DISPLAYS_BAR: Final = (1.2, 1.3, 1.4, 1.5, 1.6)
"""Displays whose true PO2 is calculated."""

STATED_AT_BAR: Final = 1.6
"""The step whose display is stated in words."""

SET_POINT_BAR: Final = 1.3
"""The display that a statement is made about: a common set point. Common practice, no source."""


def cell_detail(quantities: Quantities, cell: int, *, with_curve: bool = True) -> CellDetail:
    """Return steps, curve, responses and display statements of one cell.

    Args:
        quantities: all cells of the source.
        cell: which one.
        with_curve: also sample the fitted curve and its band, for pictures.
    """
    calibration = int(quantities.steps.calibration[cell])
    at = float(quantities.errors.po2_bar[cell, calibration]) if calibration >= 0 else None
    mirror = true_po2_when_display_says(quantities, cell)
    return CellDetail(
        steps=_step_results(quantities, cell),
        curve=_curve(quantities, cell) if with_curve else None,
        responses=cell_responses(quantities, cell),
        calibration_po2_bar=at,
        statements=_statements(quantities, cell, mirror),
        true_po2_when_display_says=mirror,
    )


def true_po2_when_display_says(quantities: Quantities, cell: int) -> tuple[tuple[float, float], ...]:
    """Return pairs of display and true PO2 in bar, the inverse of the indication error.

    Interpolated between the rising steps (the falling ones where none is rising). A display that the
    cell never reaches within the test has no pair. Where it passes a value twice, the higher PO2 counts.
    """
    po2, display = _display_branch(quantities, cell)
    pairs = []
    for shown in DISPLAYS_BAR:
        truth = _highest_crossing(po2, display, shown)
        if truth is not None:
            pairs.append((shown, truth))
    return tuple(pairs)


def _display_branch(quantities: Quantities, cell: int) -> tuple[FloatArray, FloatArray]:
    """True PO2 and display of the calibration step and of each indication error's step, rising."""
    calibration = int(quantities.steps.calibration[cell])
    if calibration < 0:
        return np.empty(0), np.empty(0)
    steps = [calibration, *(int(step) for step in quantities.steps.error_step[cell] if step >= 0)]
    po2 = quantities.errors.po2_bar[cell, steps]
    mv = quantities.errors.output_mv[cell, steps]
    order = np.argsort(po2, kind="stable")
    shown = np.asarray(display_bar(mv, float(mv[0]), float(po2[0])), dtype=np.float64)
    return po2[order], shown[order]


def _highest_crossing(po2: FloatArray, display: FloatArray, shown: float) -> float | None:
    for right in range(len(po2) - 1, 0, -1):
        low, high = float(display[right - 1]), float(display[right])
        if low <= shown <= high and high > low:
            share = (shown - low) / (high - low)
            return float(po2[right - 1] + share * (po2[right] - po2[right - 1]))
    return None


def _statements(
    quantities: Quantities, cell: int, mirror: tuple[tuple[float, float], ...]
) -> tuple[str, ...]:
    po2, display = _display_branch(quantities, cell)
    if po2.size == 0:
        return ()
    sentences = []
    shown = _shown_by_nominal(quantities, cell)
    if shown:
        calibration = float(quantities.errors.po2_bar[cell, int(quantities.steps.calibration[cell])])
        stated = min(shown, key=lambda nominal: abs(nominal - STATED_AT_BAR))
        sentence = (
            f"Calibrated on this cell at PO2 {calibration:.2f} bar, a handset shows {shown[stated]:.2f} "
            f"where the truth is {stated:.2f} bar"
        )
        top = max(shown)
        if top > stated:
            sentence += f", and {shown[top]:.2f} where it is {top:.2f} bar"
        sentences.append(sentence + ".")
    truth = dict(mirror).get(SET_POINT_BAR)
    if truth is not None:
        sentences.append(f"When it shows {SET_POINT_BAR:.2f}, the truth is {truth:.2f} bar.")
    elif po2[-1] >= SET_POINT_BAR:
        sentences.append(
            f"It never shows {SET_POINT_BAR:.2f}: the most it shows is {display.max():.2f}, "
            f"up to a true {po2[-1]:.2f} bar."
        )
    if _ceiling_is_stated(quantities, cell):
        curve = quantities.fits.statement(cell)
        sentences.append(curve[0].upper() + curve[1:] + ("" if curve.endswith(".") else "."))
    return tuple(sentences)


def _ceiling_is_stated(quantities: Quantities, cell: int) -> bool:
    """Whether the fit's sentence on the ceiling helps a reader.

    Outputs that were still falling say nothing about a ceiling. Where a bend was measured whose shape the
    family does not describe, "no ceiling is stated" would contradict the bend.
    """
    fits = quantities.fits
    if not fits.statement(cell) or not _settled_throughout(quantities, cell):
        return False
    return bool(fits.described[cell]) or not np.isfinite(fits.linear_to_bar[cell])


def _settled_throughout(quantities: Quantities, cell: int) -> bool:
    return not bool(np.any(quantities.measurement.steps.settled[cell] == 0))


def _curve(quantities: Quantities, cell: int) -> ResponseCurve | None:
    """The fitted curve; without the value of its ceiling where outputs had not settled."""
    curve = quantities.fits.curve(cell)
    return (
        curve if curve is None or _settled_throughout(quantities, cell) else replace(curve, ceiling_mv=None)
    )


def _shown_by_nominal(quantities: Quantities, cell: int) -> dict[float, float]:
    """What the display shows at each nominal PO2 that has an indication error."""
    shown = {}
    for nominal, step in zip(quantities.steps.error_at, quantities.steps.error_step[cell], strict=True):
        error = quantities.indication_error_percent(cell, int(step))[0] if step >= 0 else math.nan
        if math.isfinite(error):
            shown[nominal] = nominal * (1.0 + error / 100.0)
    return shown


def _step_results(quantities: Quantities, cell: int) -> tuple[StepResult, ...]:
    table, errors = quantities.measurement.steps, quantities.errors
    k = errors.po2_bar.shape[1]
    u_po2 = errors.u_po2_bar[cell]
    u_output = np.sqrt(np.sum(errors.independent[cell, :, k:] ** 2, axis=0))
    found = []
    for step in np.flatnonzero(np.isfinite(errors.po2_bar[cell])).tolist():
        error, uncertainty = quantities.indication_error_percent(cell, step)
        known = math.isfinite(error)
        po2 = float(errors.po2_bar[cell, step])
        nominal = float(table.nominal_po2_bar[step])
        temperature = float(table.temperature_c[cell, step])
        settled = int(table.settled[cell, step])
        found.append(
            StepResult(
                step=int(table.step[step]),
                gas=table.gas[step],
                direction=table.direction[step],
                nominal_po2_bar=nominal if math.isfinite(nominal) else None,
                pressure_bar=float(table.pressure_bar[cell, step]),
                temperature_c=temperature if math.isfinite(temperature) else None,
                po2_bar=po2,
                u_po2_bar=float(u_po2[step]),
                output_mv=float(errors.output_mv[cell, step]),
                u_output_mv=float(u_output[step]),
                indication_error_percent=error if known else None,
                expanded_uncertainty_percent=uncertainty if known and math.isfinite(uncertainty) else None,
                shows_bar=po2 * (1.0 + error / 100.0) if known else None,
                settled=None if settled < 0 else bool(settled),
            )
        )
    return tuple(found)
