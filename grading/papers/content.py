"""The content of the papers, as JSON data for the templates: every number worded, every gap named.

The list of contents follows ISO/IEC 17025:2017, 7.8.2 and 7.8.6, as read in a page that reproduces those
clauses. No accreditation is claimed.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any, Final

from grading import cautions, wording
from grading.papers.displays import STATED_AT_BAR, calibration_text, displays
from grading.papers.identity import Identity, code_text
from grading.papers.printable import printable
from grading.papers.rows import (
    ALL_RULES,
    NOT_RECORDED,
    cell_rows,
    condition_rows,
    decision_rows,
    digests,
    evidence,
    figure_row,
    instrument_row,
    sentence,
    short,
    step_row,
)
from grading.pictures.cell import Kind, alt_text
from grading.results import (
    CellResult,
    Figure,
    Grade,
    Grading,
    RunConditions,
)

Json = dict[str, Any]

GRADES: Final[tuple[Grade, ...]] = ("pass", "watch", "reject", "ungraded")


def certificate_content(grading: Grading, cell: CellResult, identity: Identity, issued: date | None) -> Json:
    """Everything on one cell's certificate.

    Args:
        grading: the run.
        cell: one of its cells.
        identity: of this paper.
        issued: day of issue; None for the day on which the run ended, or today where that is not known.
    """
    ungraded = cell.grade == "ungraded"
    tested = [f for f in cell.figures if f.value is not None or f.at_least is not None]
    shown_figures = cell.figures if tested else ()
    text = code_text(identity, cell.info.cell, cell.grade)
    content = _common(grading, identity, issued)
    content |= {
        "title": "Test report: not graded" if ungraded else "Test certificate",
        "subtitle": "Galvanic oxygen cell (oxygen sensor) tested under oxygen pressure",
        "description": f"Cell {printable(cell.info.cell)}: {wording.GRADE_WORD[cell.grade]}",
        "code": text,
        "grade": cell.grade,
        "mark": wording.GRADE_MARK[cell.grade],
        "word": wording.GRADE_WORD[cell.grade],
        "meaning": wording.GRADE_MEANING[cell.grade],
        "graded": not ungraded,
        "warning": _warning(cell),
        "reasons": [sentence(r) for r in cell.reasons] or ["No reason was given."],
        "next": [sentence(r) for r in cell.diagnosis],
        "cell": cell_rows(cell),
        **displays(cell),
        "figures": [figure_row(f) for f in shown_figures],
        "figures-title": "What was measured, not graded" if ungraded else "Figures",
        "figures-note": _figures_note(shown_figures, grading, graded=not ungraded),
        "plots": _plots(cell),
        "plots-note": "Filled circles: rising; open triangles: falling."
        + ("" if ungraded else " Bars: U at about 95 %. White: pass; light grey: watch; dark grey: reject."),
        "steps": [step_row(s, graded=not ungraded) for s in cell.detail.steps],
        "steps-note": (
            "± at k = 2; for the output, only the part that differs from step to step."
            + (
                ""
                if ungraded
                else f" Shows: the display of a handset calibrated at {calibration_text(cell)} bar."
            )
        ),
        "step-plot": _step_plot(cell),
        "step-note": "The lag is fitted to the measured PO2; T90 is for an ideal step in PO2.",
        "signature": ["Authorised by (name)", "Signature", "Date"],
        "footer": printable(
            f"No. {identity.number}  ·  cell {cell.info.cell}  ·  {wording.GRADE_WORD[cell.grade]}"
        ),
        "decision": decision_rows(grading, ("Uncertainty", "Scope") if ungraded else ALL_RULES),
        "cautions": list(cautions.PAPER),
        "end": "End of report" if ungraded else "End of certificate",
    }
    return content


def summary_content(
    grading: Grading, cells: Sequence[CellResult], identity: Identity, issued: date | None
) -> Json:
    """Everything on the summary of a run."""
    counts = {grade: sum(c.grade == grade for c in cells) for grade in GRADES}
    ungraded = counts["ungraded"]
    content = _common(grading, identity, issued)
    content |= {
        "title": "Run summary",
        "subtitle": f"{_count(len(cells), 'galvanic oxygen cell')} tested together under oxygen pressure",
        "description": f"Grades of {_count(len(cells), 'cell')}",
        "code": "",
        "counts": [
            {
                "grade": grade,
                "mark": wording.GRADE_MARK[grade],
                "word": wording.GRADE_WORD[grade],
                "count": str(counts[grade]),
            }
            for grade in GRADES
        ],
        "warning": cautions.UNGRADED if ungraded == len(cells) and ungraded else "",
        "heads": {
            "output": "Output at\n1.0 bar, mV",
            "error": f"Error at\n{STATED_AT_BAR:.1f} bar, %",
        },
        "cells": [_summary_row(c, f"spark-{i}.svg") for i, c in enumerate(cells)],
        "cells-note": (
            "± is U at about 95 %. Response: output against PO2, with the line that a handset (the unit's "
            "PO2 display) assumes. A summary replaces no certificate."
        ),
        "footer": printable(f"No. {identity.number}  ·  run summary, {_count(len(cells), 'cell')}"),
        "decision": decision_rows(grading, ("Specification", "Decision rule", "Uncertainty", "Scope")),
        "cautions": [*cautions.PAPER, *([cautions.REJECT_WASTE_LOT] if counts["reject"] else [])],
        "end": "End of summary",
    }
    return content


def labels_content(
    grading: Grading, cells: Sequence[tuple[CellResult, Identity]], issued: date | None
) -> Json:
    """Everything on the stickers of these cells, in their order."""
    stamp = _issue_time(grading.conditions, issued)
    return {
        "title": "Labels",
        "description": f"Labels of {_count(len(cells), 'cell')}",
        "number": "labels",
        "timestamp": int(stamp.timestamp()),
        "stamp": list(stamp.timetuple()[:6]),
        "labels": [
            {
                "code": code_text(identity, cell.info.cell, cell.grade),
                "code-file": f"code-{index}.svg",
                "grade": cell.grade,
                "graded": wording.grade_text(cell.grade),
                "serial": printable(cell.info.cell),
                "lines": _label_lines(grading, cell, identity),
            }
            for index, (cell, identity) in enumerate(cells)
        ],
    }


def _label_lines(grading: Grading, cell: CellResult, identity: Identity) -> list[str]:
    lines = [f"No. {identity.number}"]
    if grading.conditions.simulated:
        lines.insert(0, "Virtual bench: no real cell")
    tested = wording.moment(grading.conditions.started_utc)[:10]
    if tested:
        lines.append(f"tested {printable(tested)}")
    value, uncertainty = short(cell, "oxygen_output_mv")
    if cell.grade != "ungraded" and value != wording.NOT_TESTED:
        lines.append(f"{value} {uncertainty} mV at PO2 1.0")
    return lines


def _common(grading: Grading, identity: Identity, issued: date | None) -> Json:
    conditions = grading.conditions
    stamp = _issue_time(conditions, issued)
    return {
        "number": identity.number,
        "place": printable(conditions.place or "Place of work not stated"),
        "bench": printable(conditions.bench),
        "marks": [
            ["Number", identity.number],
            ["Tested", wording.moment(conditions.started_utc)[:10] or NOT_RECORDED],
            ["Issued", stamp.date().isoformat()],
        ],
        "timestamp": int(stamp.timestamp()),
        "stamp": list(stamp.timetuple()[:6]),
        "attachment": "The results behind this paper, as canonical JSON",
        "conditions": condition_rows(grading),
        "instruments": [instrument_row(line) for line in conditions.instruments],
        "evidence": evidence(conditions),
        "digests": digests(grading, identity),
        "simulated": cautions.SIMULATED if conditions.simulated else "",
    }


def _issue_time(conditions: RunConditions, issued: date | None) -> datetime:
    """Time of issue, also in the PDF itself: from the data, so that the same results make the same file.

    An archival PDF and a report both need one. Where the source has no date, it is today.
    """
    ended = wording.parse_moment(conditions.ended) or wording.parse_moment(conditions.started_utc)
    if issued is None and ended is not None:
        return ended
    day = issued or datetime.now(UTC).date()
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _warning(cell: CellResult) -> str:
    if cell.grade == "ungraded":
        return cautions.UNGRADED
    return cautions.REJECT_WASTE if cell.grade == "reject" else ""


def _figures_note(shown: Sequence[Figure], grading: Grading, *, graded: bool) -> str:
    sentences = []
    if graded:
        sentences.append("Conforms: probability that the true value lies inside the pass limits.")
    if any(f.required for f in shown):
        sentences.append(f"* required by the limits '{printable(grading.limits_name)}'.")
    return " ".join(sentences)


def _plots(cell: CellResult) -> dict[Kind, Json]:
    if not cell.detail.steps:
        return {}
    kinds: tuple[Kind, ...] = ("response", "error")
    # An error drawn between its limits looks like a grade, which an ungraded paper must not give.
    shown = kinds[:1] if cell.grade == "ungraded" else kinds
    return {kind: {"file": f"{kind}.svg", "alt": printable(alt_text(cell, kind))} for kind in shown}


def _step_plot(cell: CellResult) -> Json | None:
    if not any(len(r.t_s) > 1 for r in cell.detail.responses):
        return None
    return {"file": "step.svg", "alt": printable(alt_text(cell, "step"))}


def _summary_row(cell: CellResult, spark: str) -> Json:
    info = cell.info
    has_steps = any(s.gas == "oxygen" for s in cell.detail.steps)
    return {
        "socket": "—" if info.socket is None else str(info.socket),
        "serial": printable(info.cell),
        "maker": printable(" ".join(part for part in (info.maker, info.model) if part)),
        "grade": cell.grade,
        "graded": wording.grade_text(cell.grade),
        "spark": {"file": spark, "alt": printable(alt_text(cell, "response"))} if has_steps else None,
        "output": short(cell, "oxygen_output_mv"),
        "error": short(cell, "indication_error_percent", STATED_AT_BAR),
        "linear": short(cell, "linear_to_bar"),
        "t90": short(cell, "t90_s"),
        "reason": sentence(cell.reasons[0]) if cell.reasons else "",
    }
