"""One cell's figures, as `grading.results.Figure`, from the arrays of all cells. Nothing is graded here."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Final

import numpy as np

from grading.figure_kinds import FIGURE_KINDS, FigureKey
from grading.judgement.quantities import LEAST_OUTPUT_MV, Quantities
from grading.results import Contribution, Figure, StepResponse
from grading.uncertainty import Propagated, coverage_factor

NO_STEP_IN_AIR: Final = "no step in ambient air"
_NO_HOLD: Final = "no trace of a hold in oxygen"
_NO_LEVEL: Final = f"the output in oxygen is below {LEAST_OUTPUT_MV:g} mV: too little for a percentage"


def cell_figures(quantities: Quantities, cell: int) -> tuple[Figure, ...]:
    """Return every figure of one cell in the order of `FIGURE_KINDS`; a missing one says why.

    A kind that `FIGURE_OF` does not name is taken from its column of `Quantities.figures`.
    """
    found: list[Figure] = []
    for kind in FIGURE_KINDS.values():
        make = FIGURE_OF.get(kind.key)
        made = make(quantities, cell) if make else _from_steps(quantities, cell, kind.key)
        found += [made] if isinstance(made, Figure) else made
    return tuple(found)


def missing_figure(key: FigureKey, reason: str, nominal_po2_bar: float | None = None) -> Figure:
    """Return a figure without a value, with the reason."""
    return Figure(key, FIGURE_KINDS[key].unit, None, None, nominal_po2_bar=nominal_po2_bar, reason=reason)


def _from_propagated(
    key: FigureKey, propagated: Propagated, cell: int, column: int, nominal_po2_bar: float | None = None
) -> Figure:
    dof = float(propagated.degrees_of_freedom[cell, column])
    factor = float(coverage_factor(dof))
    uncertainty = factor * math.sqrt(max(float(propagated.covariance[cell, column, column]), 0.0))
    known = math.isfinite(uncertainty)
    return Figure(
        key,
        FIGURE_KINDS[key].unit,
        float(propagated.value[cell, column]),
        uncertainty if known else None,
        nominal_po2_bar=nominal_po2_bar,
        coverage_factor=factor if known else None,
        degrees_of_freedom=dof if known else None,
        budget=propagated.budget(cell, column),
    )


def _from_steps(quantities: Quantities, cell: int, key: FigureKey, why_missing: str = "") -> Figure:
    column = quantities.columns[key].start
    if not math.isfinite(quantities.figures.value[cell, column]):
        why = why_missing or why_no_calibration(quantities, cell)
        return missing_figure(key, why or "a step that it needs was not held")
    return _from_propagated(key, quantities.figures, cell, column)


def _air_output(quantities: Quantities, cell: int) -> Figure:
    return _from_steps(quantities, cell, "air_output_mv", NO_STEP_IN_AIR)


def _slope_agreement(quantities: Quantities, cell: int) -> Figure:
    no_air = NO_STEP_IN_AIR if quantities.steps.air[cell] < 0 else ""
    return _from_steps(quantities, cell, "air_slope_agreement_percent", no_air)


def _single(key: FigureKey, value: float, u: float | None, dof: float, source: str) -> Figure:
    """Return a figure whose uncertainty comes from one evaluation; `u` None or NaN means undetermined."""
    factor = float(coverage_factor(dof)) if u is not None and math.isfinite(u) else math.nan
    if u is None or not math.isfinite(factor):
        return Figure(key, FIGURE_KINDS[key].unit, value, None)
    return Figure(
        key,
        FIGURE_KINDS[key].unit,
        value,
        factor * u,
        coverage_factor=factor,
        degrees_of_freedom=dof,
        budget=(Contribution(source, u, dof, 1.0),),
    )


def why_no_calibration(quantities: Quantities, cell: int) -> str:
    """Return why a cell has no step that a handset could be calibrated at; empty when it has one."""
    if quantities.steps.calibration[cell] >= 0:
        return ""
    oxygen = np.isfinite(quantities.steps.nominal_po2_bar) & np.isfinite(quantities.errors.po2_bar[cell])
    if not np.any(oxygen):
        return "no step in oxygen"
    highest = float(np.max(quantities.errors.output_mv[cell, oxygen]))
    if highest <= -LEAST_OUTPUT_MV:
        return f"the output in oxygen is negative ({highest:.2f} mV at most)"
    if highest < LEAST_OUTPUT_MV:
        return f"the cell gives no output in oxygen ({highest:.2f} mV at most)"
    return "no step in oxygen near PO2 1.0 bar"


def _indication_errors(quantities: Quantities, cell: int) -> list[Figure]:
    key: FigureKey = "indication_error_percent"
    first = quantities.columns[key].start
    figures = quantities.figures
    return [
        _from_propagated(key, figures, cell, first + step, nominal_po2_bar=nominal)
        for nominal, step in zip(
            quantities.steps.error_at, quantities.steps.error_step[cell].tolist(), strict=True
        )
        if step >= 0 and math.isfinite(figures.value[cell, first + step])
    ]


def _linear_to(quantities: Quantities, cell: int) -> Figure:
    fits = quantities.fits
    at_least = float(fits.linear_to_at_least_bar[cell])
    key: FigureKey = "linear_to_bar"
    if math.isfinite(at_least):
        return Figure(key, FIGURE_KINDS[key].unit, None, None, at_least=at_least)
    if not math.isfinite(fits.linear_to_bar[cell]):
        return missing_figure(key, fits.reason[cell] or "not enough steps above PO2 1.0 bar")
    value = float(fits.linear_to_bar[cell])
    # The profile-likelihood interval is asymmetric; a single U must cover its longer side.
    half_widths = (fits.linear_to_upper_bar[cell] - value, value - fits.linear_to_lower_bar[cell])
    uncertainty = float(np.max(half_widths))
    dof = float(fits.linear_to_dof[cell])
    if not math.isfinite(uncertainty):
        return Figure(key, FIGURE_KINDS[key].unit, value, None)
    return Figure(
        key,
        FIGURE_KINDS[key].unit,
        value,
        uncertainty,
        coverage_factor=uncertainty / float(fits.u_linear_to_bar[cell]),
        degrees_of_freedom=dof,
        budget=fits.linear_to_budget(cell, quantities.errors),
    )


def _t90(quantities: Quantities, cell: int) -> Figure:
    key: FigureKey = "t90_s"
    responses = cell_responses(quantities, cell)
    timed = [(response.t90_s, response) for response in responses if response.t90_s is not None]
    if not timed:
        why = next((response.reason for response in responses if response.reason), None)
        return missing_figure(key, why or "no response to a pressure change was recorded")
    t90_s, slowest = max(timed, key=lambda pair: pair[0])
    dof = math.inf if slowest.degrees_of_freedom is None else slowest.degrees_of_freedom
    return _single(key, t90_s, slowest.u_t90_s, dof, "fit of the response")


def cell_responses(quantities: Quantities, cell: int) -> tuple[StepResponse, ...]:
    """Return the lags found for one cell; none for a source that has no trace."""
    responses = quantities.measurement.responses
    return responses[cell] if responses else ()


def _hysteresis(quantities: Quantities, cell: int) -> Figure:
    key: FigureKey = "hysteresis_percent"
    columns = quantities.columns[key]
    values = quantities.figures.value[cell, columns]
    if not np.any(np.isfinite(values)):
        return missing_figure(key, "no PO2 was held both rising and falling")
    pair = int(np.nanargmax(np.abs(values)))
    figure = _from_propagated(key, quantities.figures, cell, columns.start + pair)
    return Figure(
        key,
        figure.unit,
        abs(float(values[pair])),
        figure.expanded_uncertainty,
        coverage_factor=figure.coverage_factor,
        degrees_of_freedom=figure.degrees_of_freedom,
        budget=figure.budget,
    )


def _fade(quantities: Quantities, cell: int) -> Figure:
    key: FigureKey = "fade_percent_per_min"
    top = int(quantities.steps.top[cell])
    table = quantities.measurement.steps
    if top >= 0 and not quantities.errors.output_mv[cell, top] >= LEAST_OUTPUT_MV:
        return missing_figure(key, _NO_LEVEL)
    if top < 0 or not math.isfinite(table.fade_percent_per_min[cell, top]):
        return missing_figure(key, "no trace of the top hold that is long enough")
    u = float(table.u_fade_percent_per_min[cell, top])
    return _single(key, float(table.fade_percent_per_min[cell, top]), u, math.inf, "scatter over the hold")


def _noise(quantities: Quantities, cell: int) -> Figure:
    key: FigureKey = "noise_percent"
    table = quantities.measurement.steps
    oxygen = np.isfinite(quantities.steps.nominal_po2_bar)
    output_mv = quantities.errors.output_mv[cell]
    with np.errstate(invalid="ignore"):
        has_level = oxygen & (output_mv >= LEAST_OUTPUT_MV)
    noise = np.where(has_level, table.noise_percent[cell], np.nan)
    if not np.any(np.isfinite(noise)):
        held = np.any(np.isfinite(output_mv[oxygen]))
        return missing_figure(key, _NO_LEVEL if held and not np.any(has_level) else _NO_HOLD)
    step = int(np.nanargmax(noise))
    value, dof = float(noise[step]), float(table.output_dof[cell, step])
    # The relative standard uncertainty of a standard deviation with nu degrees of freedom, JCGM 100 E.4.3.
    known = math.isfinite(dof) and dof >= 1.0
    u = value / math.sqrt(2.0 * dof) if known else None
    return _single(key, value, u, dof if known else math.nan, "number of readings in the hold")


FIGURE_OF: Final[dict[FigureKey, Callable[[Quantities, int], Figure | Iterable[Figure]]]] = {
    "air_output_mv": _air_output,
    "indication_error_percent": _indication_errors,
    "linear_to_bar": _linear_to,
    "air_slope_agreement_percent": _slope_agreement,
    "t90_s": _t90,
    "hysteresis_percent": _hysteresis,
    "fade_percent_per_min": _fade,
    "noise_percent": _noise,
}
"""Functions for the figures that are more than a column of settled steps."""
