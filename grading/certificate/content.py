"""What stands on the papers, as JSON data for the templates: every number worded, every gap told.

The list of contents follows ISO/IEC 17025:2017, 7.8.2 and 7.8.6, as read in a page that reproduces those
clauses. No accreditation is claimed.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Sequence
from datetime import UTC, date, datetime
from typing import Any, Final

from grading import cautions, figures, wording
from grading.certificate.identity import Identity, code_text
from grading.certificate.printable import printable
from grading.results import (
    CellResult,
    Figure,
    Grade,
    Grading,
    InstrumentLine,
    RunConditions,
    StepResult,
)

Json = dict[str, Any]

GRADES: Final[tuple[Grade, ...]] = ("pass", "watch", "reject", "ungraded")
_NOT_RECORDED: Final = "not recorded"
_ROLE: Final[dict[str, str]] = {
    "voltmeter": "output",
    "gauge": "pressure",
    "second_gauge": "pressure, second",
    "barometer": "ambient pressure",
    "thermometer": "temperature",
    "controller": "pressure, controlled",
    "valves": "(valves)",
}
_SHOWN_ERROR_BAR: Final = 1.6
_IN_TABLES: Final = re.compile(r"(?i)(all of this is for|shows \d|when it shows \d)")
"""Statements that the two small tables on displays already hold."""
_MINUS: Final = re.compile(r"(?<![\w.])-(?=\d)")


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
        "subtitle": "Galvanic oxygen cell: output, linearity and response under oxygen pressure",
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
        "cell": _cell_rows(cell, grading.conditions),
        **_displays(cell),
        "figures": [_figure_row(f) for f in shown_figures],
        "figures-note": _figures_note(shown_figures, grading),
        "plots": _plots(cell),
        "plots-note": "Filled circles: rising; open triangles: falling."
        + ("" if ungraded else " Bars: U at about 95 %. White: pass; light grey: watch; dark grey: reject."),
        "steps": [_step_row(s, graded=not ungraded) for s in cell.detail.steps],
        "steps-note": (
            "± at k = 2; that of the output is the part that differs from step to step."
            + (
                ""
                if ungraded
                else f" Shows: the display of a handset calibrated at {_calibration(cell)} bar."
            )
        ),
        "step-plot": _step_plot(cell),
        "step-note": "The lag is fitted to the PO2 as it was measured; T90 is for an ideal step in PO2.",
        "signature": ["Authorised by (name)", "Signature", "Date"],
        "footer": printable(
            f"No. {identity.number}  ·  cell {cell.info.cell}  ·  {wording.GRADE_WORD[cell.grade]}"
        ),
        "decision": _decision_rows(grading, ("Uncertainty", "Scope") if ungraded else _ALL_RULES),
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
            "error": f"Error at\n{_SHOWN_ERROR_BAR:.1f} bar, %",
        },
        "cells": [_summary_row(c, f"spark-{i}.svg") for i, c in enumerate(cells)],
        "cells-note": (
            "± is U at about 95 %. Response: output against PO2, over the line a handset assumes. "
            "A summary replaces no certificate."
        ),
        "footer": printable(f"No. {identity.number}  ·  run summary, {_count(len(cells), 'cell')}"),
        "decision": _decision_rows(grading, ("Specification", "Decision rule", "Uncertainty", "Scope")),
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
    tested = wording.moment(grading.conditions.started_utc)[:10]
    if tested:
        lines.append(f"tested {printable(tested)}")
    value, uncertainty = _short(cell, "oxygen_output_mv")
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
            ["Tested", wording.moment(conditions.started_utc)[:10] or _NOT_RECORDED],
            ["Issued", stamp.date().isoformat()],
        ],
        "timestamp": int(stamp.timestamp()),
        "stamp": list(stamp.timetuple()[:6]),
        "attachment": "The results behind this paper, as canonical JSON",
        "conditions": _condition_rows(grading),
        "instruments": [_instrument_row(line) for line in conditions.instruments],
        "evidence": _evidence(conditions),
        "digests": _digests(grading, identity),
    }


def _issue_time(conditions: RunConditions, issued: date | None) -> datetime:
    """Time of issue, also in the PDF itself: from the data, so that the same results make the same file.

    An archival PDF and a report both need one; where the source carries no date, it is today.
    """
    ended = wording.parse_moment(conditions.ended) or wording.parse_moment(conditions.started_utc)
    if issued is None and ended is not None:
        return ended
    day = issued or datetime.now(UTC).date()
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def sentence(text: str) -> str:
    """Text as a printed sentence: capital, full stop, true minus signs before numbers."""
    clean = printable(text)
    if not clean:
        return clean
    clean = _MINUS.sub(wording.MINUS, clean)
    clean = clean[0].upper() + clean[1:]
    return clean if clean[-1] in ".!?:" else clean + "."


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _warning(cell: CellResult) -> str:
    if cell.grade == "ungraded":
        return cautions.UNGRADED
    return cautions.REJECT_WASTE if cell.grade == "reject" else ""


def _cell_rows(cell: CellResult, conditions: RunConditions) -> list[list[str]]:
    info = cell.info
    socket = "" if info.socket is None else str(info.socket)
    rows = [
        ("Serial", info.cell),
        ("Maker", info.maker),
        ("Model", info.model),
        ("Date code", info.date_code),
        ("Lot", info.lot),
        ("Customer or job", info.customer),
        ("Condition on receipt", info.condition),
        ("Socket", socket),
        ("Record", conditions.record_id),
    ]
    return _known_rows(rows)


def _known_rows(rows: Iterable[tuple[str, str]]) -> list[list[str]]:
    """Label and value of what is known, and one row that names all the rest."""
    pairs = [(label, printable(value)) for label, value in rows]
    known = [[label, value] for label, value in pairs if value]
    unknown = [label.lower() for label, value in pairs if not value]
    return known + ([["Not recorded", ", ".join(unknown)]] if unknown else [])


def _calibration(cell: CellResult) -> str:
    po2 = cell.detail.calibration_po2_bar
    return "1.00" if po2 is None else wording.number(po2, 2)


def _displays(cell: CellResult) -> Json:
    """What a handset would show; nothing on a paper that grades nothing, where it could pass for a result."""
    if cell.grade == "ungraded":
        return {"statements": [], "shows": [], "mirror": []}
    return {
        "statements": _statements(cell),
        "shows": [
            [wording.number(step.nominal_po2_bar or step.po2_bar, 2), wording.number(step.shows_bar, 2)]
            for step in _told_steps(cell)
            if step.shows_bar is not None
        ],
        "mirror": [
            [wording.number(display, 2), wording.number(truth, 2)]
            for display, truth in cell.detail.true_po2_when_display_says
        ],
    }


def _told_steps(cell: CellResult) -> list[StepResult]:
    """Rising steps with an indication error; where the test has none, the falling ones."""
    for direction in ("up", "down"):
        steps = [
            s
            for s in cell.detail.steps
            if s.direction == direction and s.indication_error_percent is not None and s.shows_bar is not None
        ]
        if steps:
            return _thinned(steps)
    return []


_MOST_TOLD: Final = 7


def _thinned(steps: list[StepResult]) -> list[StepResult]:
    """The first step at each nominal PO2, and no more of them than a line holds: lowest and highest stay."""
    first = list({s.nominal_po2_bar or round(s.po2_bar, 2): s for s in reversed(steps)}.values())
    first.sort(key=lambda s: s.po2_bar)
    if len(first) <= _MOST_TOLD:
        return first
    last = len(first) - 1
    return [first[round(i * last / (_MOST_TOLD - 1))] for i in range(_MOST_TOLD)]


def _statements(cell: CellResult) -> list[str]:
    """The display at the step that matters most, in words, then what the two small tables do not tell."""
    steps = _told_steps(cell)
    said = []
    if steps:
        telling = min(steps, key=lambda s: abs((s.nominal_po2_bar or s.po2_bar) - _SHOWN_ERROR_BAR))
        said.append(
            f"Calibrated on this cell at PO2 {_calibration(cell)} bar, a handset shows "
            f"{wording.number(telling.shows_bar or 0.0, 2)} where the truth is "
            f"{wording.number(telling.nominal_po2_bar or telling.po2_bar, 2)} bar."
        )
    told = [s for s in cell.detail.statements if not steps or _IN_TABLES.match(s) is None]
    return said + [sentence(s) for s in told]


def _figure_row(figure: Figure) -> Json:
    tested = figure.value is not None or figure.at_least is not None
    value = wording.figure_value(figure)
    reason = printable(figure.reason or "")
    if not tested:
        value = f"{wording.NOT_TESTED}: {reason}" if reason else wording.NOT_TESTED
    graded = "no limit"
    if figure.grade is not None:
        graded = f"{wording.GRADE_MARK[figure.grade]} {figure.grade}"
    k = figure.coverage_factor
    return {
        "name": printable(wording.figure_name(figure)),
        "tested": tested,
        "value": value,
        "uncertainty": ("± " if _has_u(figure) else "") + wording.figure_uncertainty(figure),
        "unit": figure.unit,
        "k": "" if k is None or not _has_u(figure) else wording.number(k, 2),
        "pass": wording.pass_limits(figure),
        "reject": wording.reject_limits(figure),
        "grade": figure.grade or "",
        "graded": graded,
        "probability": wording.probability(figure.probability_of_conformity),
        "required": figure.required,
        "remark": reason if tested else "",
    }


def _has_u(figure: Figure) -> bool:
    return wording.figure_uncertainty(figure) not in {"", "undetermined"}


def _figures_note(shown: Sequence[Figure], grading: Grading) -> str:
    text = "Conforms: probability that the true value lies inside the pass limits."
    if any(f.required for f in shown):
        text += f" * required by the limits '{printable(grading.limits_name)}'."
    return text


def _plots(cell: CellResult) -> dict[figures.Kind, Json]:
    if not cell.detail.steps:
        return {}
    kinds: tuple[figures.Kind, ...] = ("response", "error")
    # An error between its limits looks like a verdict, which an ungraded paper must not give.
    shown = kinds[:1] if cell.grade == "ungraded" else kinds
    return {kind: {"file": f"{kind}.svg", "alt": printable(figures.alt_text(cell, kind))} for kind in shown}


def _step_plot(cell: CellResult) -> Json | None:
    if not any(len(r.t_s) > 1 for r in cell.detail.responses):
        return None
    return {"file": "step.svg", "alt": printable(figures.alt_text(cell, "step"))}


def _step_row(step: StepResult, *, graded: bool) -> list[str]:
    """One line of the table of steps; without a grade only what was read, not what it would mean."""
    nominal = "" if step.nominal_po2_bar is None else f"{step.nominal_po2_bar:.1f} "
    error = step.indication_error_percent if graded else None
    u_error = step.expanded_uncertainty_percent
    settled = {True: "yes", False: "NO", None: "not known"}[step.settled]
    return [
        str(step.step),
        f"{wording.gas_word(step.gas)} {nominal}{wording.direction_word(step.direction) if nominal else ''}",
        wording.number(step.pressure_bar, 4),
        "—" if step.temperature_c is None else wording.number(step.temperature_c, 1),
        f"{wording.number(step.po2_bar, 4)} ± {wording.number(2 * step.u_po2_bar, 4)}",
        f"{wording.number(step.output_mv, 3)} ± {wording.number(2 * step.u_output_mv, 3)}",
        "—" if step.shows_bar is None or not graded else wording.number(step.shows_bar, 3),
        "—" if error is None else wording.number(error, 2, signed=True),
        "—" if error is None else ("undetermined" if u_error is None else wording.number(u_error, 2)),
        settled,
    ]


def _condition_rows(grading: Grading) -> list[list[str]]:
    c = grading.conditions
    temperature = humidity = barometer = oxygen = pressure = ramp = ""
    if c.temperature_c is not None:
        low, high = (wording.number(t, 1) for t in c.temperature_c)
        temperature = f"{low} °C" if low == high else f"{low} to {high} °C"
    if c.relative_humidity is not None:
        humidity = f"{100 * c.relative_humidity:.0f} %"
    if c.barometer_bar is not None:
        barometer = f"{wording.number(c.barometer_bar, 4)} bar"
    if c.oxygen_fraction is not None:
        oxygen = f"{wording.number(100 * c.oxygen_fraction, 2)} %"
        if c.u_oxygen_fraction is not None:
            oxygen += f" ± {wording.number(200 * c.u_oxygen_fraction, 2)} % (k = 2)"
    if c.highest_pressure_bar is not None:
        pressure = f"{wording.number(c.highest_pressure_bar, 3)} bar absolute"
    if c.fastest_ramp_bar_per_min is not None:
        ramp = f"{wording.number(c.fastest_ramp_bar_per_min, 2)} bar/min"
    rows = [
        ("Procedure", c.procedure + (f", SHA-256 {c.procedure_sha256[:16]}…" if c.procedure_sha256 else "")),
        ("Start", wording.moment(c.started_utc)),
        ("End", wording.moment(c.ended)),
        ("Operator", c.operator),
        ("Place of work", c.place),
        ("Bench file", f"SHA-256 {c.bench_sha256[:16]}…" if c.bench_sha256 else ""),
        ("Barometer", barometer),
        ("Temperature", temperature),
        ("Relative humidity", humidity),
        ("Oxygen in the pot", oxygen),
        ("Purge", c.purge),
        ("Leak test", c.leak),
        ("Highest pressure", pressure),
        ("Fastest ramp", ramp),
    ]
    if grading.source_kind == "record" or c.missing_readings:
        rows.append(("Missing readings", str(c.missing_readings) if c.missing_readings else "none"))
    rows += [("Note", sentence(note)) for note in c.notes]
    return _known_rows(rows)


def _instrument_row(line: InstrumentLine) -> list[str]:
    measures = line.role != "valves"
    calibrated = line.calibrated or ("no evidence" if measures else "—")
    due = line.due or ("no date" if measures else "—")
    if line.overdue:
        due += " OVERDUE"
    role = _ROLE.get(line.role, line.role.replace("_", " "))
    cells = (
        line.name,
        role,
        line.identity or "—",
        line.serial or "—",
        calibrated,
        due,
        line.uncertainty or "—",
    )
    return [printable(text) for text in cells]


def _evidence(conditions: RunConditions) -> list[str]:
    """Plain sentences on what stands behind the instruments' calibration, or does not."""
    if not conditions.instruments:
        return [
            "The source names no instruments: there is no evidence of their calibration, and the uncertainty "
            "rests on assumed instruments."
        ]
    measuring = [line for line in conditions.instruments if line.role != "valves"]
    overdue = [line.name for line in measuring if line.overdue]
    bare = [line.name for line in measuring if not line.calibrated]
    said = []
    if overdue:
        said.append(f"Calibration overdue on the day of the test: {_names(overdue)}.")
    if bare:
        said.append(f"No evidence of calibration was given for: {_names(bare)}.")
    if said:
        said.append("Traceability of what hangs on them is not shown.")
    else:
        said.append("Every measuring instrument was within its calibration date, as the bench file states.")
    return said


def _names(names: Iterable[str]) -> str:
    return ", ".join(printable(name) for name in names)


_ALL_RULES: Final = ("Specification", "Decision rule", "Its risk", "Uncertainty", "Scope")


def _decision_rows(grading: Grading, wanted: Collection[str]) -> list[list[str]]:
    limits = f"Limits file '{grading.limits_name}', version {grading.limits_version}"
    rows = [
        ("Specification", f"{printable(limits)}, SHA-256 {grading.limits_sha256[:16]}…"),
        (
            "Decision rule",
            "Pass: the whole interval value ± U lies inside the pass limits (guarded acceptance, JCGM 106). "
            "Reject: the interval reaches beyond a reject limit. Watch: anything between. Where U is larger "
            "than the room between the two limits, a figure cannot be decided and is watch at best. A cell's "
            "grade is the worst of its figures.",
        ),
        (
            "Its risk",
            "A cell exactly at a pass limit still passes in about 1 test of 40; one exactly at a reject "
            "limit escapes rejection as often. A sound cell near a limit may be watched or rejected.",
        ),
        (
            "Uncertainty",
            "U is the expanded uncertainty at about 95 %, its factor k taken from the effective degrees of "
            "freedom, evaluated after JCGM 100 with the errors that all steps share taken as shared. "
            f"Budget from: {printable(grading.conditions.uncertainty_source or _NOT_RECORDED)}.",
        ),
        (
            "Scope",
            "The results relate only to the items tested, as received, at the time of the test. Not to be "
            "reproduced except in full. No accreditation is claimed.",
        ),
    ]
    return [list(row) for row in rows if row[0] in wanted]


def _digests(grading: Grading, identity: Identity) -> list[list[str]]:
    rows = [
        (
            printable(f"Record {grading.conditions.record_id}, SHA-256"),
            grading.conditions.record_sha256,
        ),
        ("Limits file, SHA-256", grading.limits_sha256),
        ("Attached results, SHA-256", identity.sha256),
        ("Software", f"leadline {grading.software_version}"),
    ]
    return [list(row) for row in rows if row[1]]


def _summary_row(cell: CellResult, spark: str) -> Json:
    info = cell.info
    has_steps = any(s.gas == "oxygen" for s in cell.detail.steps)
    return {
        "socket": "—" if info.socket is None else str(info.socket),
        "serial": printable(info.cell),
        "maker": printable(" ".join(part for part in (info.maker, info.model) if part)),
        "grade": cell.grade,
        "graded": wording.grade_text(cell.grade),
        "spark": {"file": spark, "alt": printable(figures.alt_text(cell, "response"))} if has_steps else None,
        "output": _short(cell, "oxygen_output_mv"),
        "error": _short(cell, "indication_error_percent", _SHOWN_ERROR_BAR),
        "linear": _short(cell, "linear_to_bar"),
        "t90": _short(cell, "t90_s"),
        "reason": sentence(cell.reasons[0]) if cell.reasons else "",
    }


def _short(cell: CellResult, key: str, nominal: float | None = None) -> list[str]:
    """Value and uncertainty of a figure, the second empty where there is none to print."""
    for figure in cell.figures:
        if figure.key == key and figure.nominal_po2_bar == nominal:
            return [
                wording.figure_value(figure),
                f"± {wording.figure_uncertainty(figure)}" if _has_u(figure) else "",
            ]
    return [wording.NOT_TESTED, ""]
