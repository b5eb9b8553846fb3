"""From a reduced source and a limits file to grades with reasons, the same for every source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from importlib.metadata import PackageNotFoundError, version
from typing import Final, TypeVar

import numpy as np

from grading import wording
from grading.figure_kinds import FIGURE_KINDS, FigureKind
from grading.judgement.cell_figures import cell_figures, missing_figure, why_no_calibration
from grading.judgement.common_cause import ALONE, Deviations, alone_and_explained, deviations
from grading.judgement.contacts import lead_fault
from grading.judgement.decision import decide, decide_lower_bound, worst
from grading.judgement.detail import cell_detail
from grading.judgement.diagnosis import diagnose, rig_findings
from grading.judgement.limits import Limits
from grading.judgement.quantities import Quantities, measure
from grading.judgement.reasons import Judged, reasons
from grading.judgement.suspicion import Suspicion, suspicion
from grading.measurement import Measurement, StepTable
from grading.results import CellDetail, CellInfo, CellResult, Figure, Grade, Grading

BLOCK: Final = 1000
"""Cells graded at a time; limits the memory, changes no result."""

NO_STEPS: Final = "The source has no settled step, so there is nothing to grade."
GAS_AS_STATED: Final = "No reading in air: the gas is as stated, and no cell has shown it."
_AIR_FIGURES: Final = ("air_output_mv", "air_slope_agreement_percent")

Item = TypeVar("Item")


def grade(
    measurement: Measurement,
    limits: Limits,
    *,
    with_curves: bool = True,
    second: Measurement | None = None,
) -> Grading:
    """Grade every cell of a source.

    Args:
        measurement: any source, reduced.
        limits: checked limits file.
        with_curves: also sample every fitted curve, for pictures; off for thousands of cells.
        second: a run of the same cells with another bottle. Cells that are off alike in both are graded.

    Returns:
        Cells in the order of the source.
    """
    cells: list[CellResult] = []
    judged_all: list[tuple[Judged, ...]] = []
    shown: list[Deviations] = []
    for start in range(0, len(measurement.cells), BLOCK):
        part = _rows(measurement, slice(start, start + BLOCK))
        if part.steps.step.size == 0:
            cells += [_without_steps(part, cell) for cell in range(len(part.cells))]
            continue
        quantities = measure(part, limits.reference_temperature_c)
        for cell in range(len(part.cells)):
            judged = judge(quantities, cell, limits)
            judged_all.append(judged)
            graded = _grade_cell(quantities, cell, judged, limits, with_curves)
            cells.append(graded)
            shown.append(deviations(quantities, cell, judged, counts=graded.grade != "ungraded"))
    # More cells than one block holds are no single run: nothing is common to them.
    doubt = (
        suspicion(measurement, shown, second, lambda run: _shown(run, limits))
        if len(cells) <= BLOCK
        else None
    )
    if doubt is not None and doubt.reasons:
        cells = [_suspended(measurement, cell, number, doubt) for number, cell in enumerate(cells)]
    alone = alone_and_explained(shown)
    cells = [_with_reason(cell, ALONE) if cell.info.cell == alone else cell for cell in cells]
    shared = rig_findings(judged_all)
    if doubt is not None:
        shared = (*doubt.notes, *shared)
    if measurement.source_kind != "record" and "air" not in measurement.steps.gas:
        shared = (*shared, GAS_AS_STATED)
    if measurement.air_barred:
        shared = (*shared, measurement.air_barred)
    conditions = measurement.conditions
    return Grading(
        source=measurement.source,
        source_kind=measurement.source_kind,
        limits_name=limits.name,
        limits_version=limits.version,
        limits_sha256=limits.sha256,
        software_version=software_version(),
        conditions=replace(
            conditions,
            notes=(*conditions.notes, *shared, *limits.loosened),
            uncertainty_source=conditions.uncertainty_source or measurement.errors.source,
        ),
        cells=tuple(cells),
        limits_not_graded=limits.ungraded,
        second_run="" if doubt is None else doubt.second_run,
    )


def _shown(measurement: Measurement, limits: Limits) -> list[Deviations]:
    """What a common cause could have moved in the cells of another run."""
    if not measurement.steps.step.size:
        return []
    quantities = measure(measurement, limits.reference_temperature_c)
    return [
        deviations(
            quantities,
            cell,
            judge(quantities, cell, limits),
            counts=not _of_cell(measurement.cell_ungraded, cell),
        )
        for cell in range(len(measurement.cells))
    ]


def _suspended(measurement: Measurement, cell: CellResult, number: int, doubt: Suspicion) -> CellResult:
    """A cell's result with no grade, since the run is in doubt."""
    barred = cell.reasons if cell.grade == "ungraded" else ()
    return replace(
        cell,
        grade="ungraded",
        reasons=(*barred, *doubt.reasons),
        diagnosis=cell.diagnosis if barred else _of_cell(measurement.cell_notes, number),
        figures=tuple(replace(figure, grade=None, probability_of_conformity=None) for figure in cell.figures),
    )


def _with_reason(cell: CellResult, reason: str) -> CellResult:
    return cell if cell.grade in ("pass", "ungraded") else replace(cell, reasons=(*cell.reasons, reason))


def software_version() -> str:
    """Return the version of this program, or "unknown" where it is not installed."""
    try:
        return version("leadline")
    except PackageNotFoundError:
        return "unknown"


def judge(quantities: Quantities, cell: int, limits: Limits) -> tuple[Judged, ...]:
    """Apply the decision rule to every figure of one cell."""
    figures = list(cell_figures(quantities, cell))
    for key, held_to in limits.by_step.items():
        required_from = held_to.required_from_po2_bar
        has_it = any(figure.key == key and _is_required_step(figure, limits) for figure in figures)
        if required_from is not None and not has_it:
            why = why_no_calibration(quantities, cell) or (
                f"no step held at {wording.plain(required_from)} bar or above beside the calibration step"
            )
            figures.append(missing_figure(key, why, required_from))
    order = list(FIGURE_KINDS)
    figures.sort(key=lambda figure: order.index(figure.key))
    measurement = quantities.measurement
    typed = measurement.typed_pressure
    tested_to = float(np.nan_to_num(quantities.fits.tested_to_bar[cell]))
    judged = (_judge_figure(figure, limits, typed, tested_to) for figure in figures)
    if measurement.air_barred:
        return tuple(_not_judged(one, measurement.air_barred, _AIR_FIGURES) for one in judged)
    return tuple(judged)


def _not_judged(judged: Judged, why: str, keys: Sequence[str]) -> Judged:
    """The figure without its decision, where it is one of `keys`."""
    figure = judged.figure
    if figure.key not in keys:
        return judged
    return Judged(
        replace(figure, grade=None, probability_of_conformity=None, reason=figure.reason or why), None
    )


def _is_required_step(figure: Figure, limits: Limits) -> bool:
    """Whether a figure belongs to a step at or above the one that the limits require."""
    held_to = limits.by_step.get(FIGURE_KINDS[figure.key].key)
    required_from = held_to.required_from_po2_bar if held_to else None
    nominal = figure.nominal_po2_bar
    return required_from is not None and nominal is not None and nominal >= required_from


def _judge_figure(figure: Figure, limits: Limits, typed_pressure: bool, tested_to: float) -> Judged:
    kind = FIGURE_KINDS[figure.key]
    held_to = limits.find(kind.key, figure.nominal_po2_bar)
    required = _is_required_step(figure, limits) or (held_to is not None and held_to.required)
    if held_to is None:
        why = _why_no_limit(kind, limits) if figure.reason is None else figure.reason
        return Judged(replace(figure, required=required, reason=why), None)
    typed = typed_pressure and kind.depends_on_pressure
    pair, outer = held_to.pass_limits, held_to.reject_limits
    decision = None
    reason = figure.reason
    if figure.at_least is not None:
        decision = decide_lower_bound(figure.at_least, pair, outer, tested_to=tested_to, typed_pressure=typed)
        reason = None if decision else f"not tested above {wording.number(tested_to, 2)} bar"
    elif figure.value is not None:
        decision = decide(
            figure.value,
            figure.expanded_uncertainty,
            pair,
            outer,
            coverage_factor=2.0 if figure.coverage_factor is None else figure.coverage_factor,
            degrees_of_freedom=math.inf if figure.degrees_of_freedom is None else figure.degrees_of_freedom,
            typed_pressure=typed,
        )
    graded = replace(
        figure,
        grade=decision.grade if decision else None,
        probability_of_conformity=decision.probability_of_conformity if decision else None,
        pass_limits=pair,
        reject_limits=outer,
        required=required,
        reason=reason,
    )
    return Judged(graded, decision)


def _why_no_limit(kind: FigureKind, limits: Limits) -> str:
    if kind.key in limits.not_graded:
        return f"not graded, since the limits file '{limits.name}' has no table for it"
    if limits.is_used(kind.key):
        return "no limit at this step"
    return f"switched off in the limits file '{limits.name}'"


def _grade_cell(
    quantities: Quantities, cell: int, judged: tuple[Judged, ...], limits: Limits, with_curves: bool
) -> CellResult:
    measurement = quantities.measurement
    detail = cell_detail(quantities, cell, with_curve=with_curves)
    findings = _of_cell(measurement.cell_findings, cell)
    notes = _of_cell(measurement.cell_notes, cell)
    barred = [*measurement.ungraded, *_of_cell(measurement.cell_ungraded, cell)]
    fault = lead_fault(quantities, cell)
    if fault is not None and not barred:
        barred.append(fault.reason)
        findings = (*findings, fault.finding)
    info = measurement.cells[cell]
    if barred:
        figures = tuple(replace(one.figure, grade=None, probability_of_conformity=None) for one in judged)
        undecided = [Judged(figure, None) for figure in figures]
        sentences = diagnose(quantities, cell, undecided, findings, notes) if findings else notes
        return CellResult(info, "ungraded", tuple(barred), tuple(sentences), figures, detail)
    diagnosis = diagnose(quantities, cell, judged, findings, notes)
    figures = tuple(one.figure for one in judged)
    missing = _missing_required(judged, limits)
    if missing:
        return CellResult(info, "ungraded", tuple(missing), diagnosis, figures, detail)
    verdict: Grade = worst(*(one.decision.grade for one in judged if one.decision is not None))
    return CellResult(info, verdict, reasons(judged, limits.ungraded), diagnosis, figures, detail)


def _missing_required(judged: Sequence[Judged], limits: Limits) -> list[str]:
    """Say which required figures are missing; for the indication error one step is enough."""
    sentences = []
    for one in judged:
        figure = one.figure
        if figure.required and figure.value is None and (figure.at_least is None or one.decision is None):
            sentences.append(
                f"{wording.figure_name(figure)} is missing, which the limits file '{limits.name}' requires"
                f"{f': {figure.reason}' if figure.reason else ''}."
            )
    return sentences


def _without_steps(measurement: Measurement, cell: int) -> CellResult:
    barred = (*measurement.ungraded, *_of_cell(measurement.cell_ungraded, cell)) or (NO_STEPS,)
    info: CellInfo = measurement.cells[cell]
    return CellResult(info, "ungraded", barred, _of_cell(measurement.cell_notes, cell), (), CellDetail())


def _of_cell(texts: tuple[tuple[str, ...], ...], cell: int) -> tuple[str, ...]:
    return texts[cell] if texts else ()


def _rows(measurement: Measurement, rows: slice) -> Measurement:
    """Return the measurement of some of the cells."""
    if len(measurement.cells) <= BLOCK:
        return measurement
    steps = measurement.steps
    n = len(measurement.cells)
    cut = {
        name: getattr(steps, name)[rows] if np.ndim(getattr(steps, name)) == 2 else getattr(steps, name)
        for name in StepTable.__slots__
    }

    def part(items: tuple[Item, ...]) -> tuple[Item, ...]:
        return items[rows] if len(items) == n else items

    return replace(
        measurement,
        cells=measurement.cells[rows],
        steps=StepTable(**cut),
        responses=part(measurement.responses),
        cell_ungraded=part(measurement.cell_ungraded),
        cell_notes=part(measurement.cell_notes),
        cell_findings=part(measurement.cell_findings),
    )
