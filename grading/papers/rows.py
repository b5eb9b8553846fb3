"""Lines of the tables on the papers: every number worded, every gap named."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from typing import Any, Final

from grading import wording
from grading.papers.identity import Identity
from grading.papers.printable import printable
from grading.results import (
    CellResult,
    Figure,
    Grading,
    InstrumentLine,
    RunConditions,
    StepResult,
)
from rig_configs.roles import kind_of

Json = dict[str, Any]

NOT_RECORDED: Final = "not recorded"
_MINUS: Final = re.compile(r"(?<![\w.])-(?=\d)")


def sentence(text: str) -> str:
    """Text as a printed sentence: capital, full stop, true minus signs before numbers."""
    clean = _true_minus(printable(text))
    if not clean:
        return clean
    # A file or an instrument keeps its name: "samples.csv: ..." gets no capital.
    if re.match(r"\w*[._/\d]\w", clean) is None:
        clean = clean[0].upper() + clean[1:]
    return clean if clean[-1] in ".!?:" else clean + "."


def _true_minus(text: str) -> str:
    return _MINUS.sub(wording.MINUS, text)


def cell_rows(cell: CellResult) -> list[list[str]]:
    """The data of a cell as booked in: label and value."""
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
    ]
    return _known_rows(rows)


def _known_rows(rows: Iterable[tuple[str, str]]) -> list[list[str]]:
    """Label and value of what is known, and one row that names the rest."""
    pairs = [(label, printable(value)) for label, value in rows]
    known = [[label, value] for label, value in pairs if value]
    unknown = [label.lower() for label, value in pairs if not value]
    return known + ([["Not recorded", ", ".join(unknown)]] if unknown else [])


def figure_row(figure: Figure) -> Json:
    """One figure in words; one that was not tested with its reason."""
    tested = figure.value is not None or figure.at_least is not None
    value = wording.figure_value(figure)
    reason = printable(figure.reason or "")
    if not tested:
        value = f"{wording.NOT_TESTED}: {reason}" if reason else wording.NOT_TESTED
    graded = "—" if reason else "no limit"
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


def step_row(step: StepResult, *, graded: bool) -> list[str]:
    """One line of the table of steps; without a grade, readings only."""
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


def condition_rows(grading: Grading) -> list[list[str]]:
    """Method and conditions of the run: label and value; notes last, then what was not recorded."""
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
        ("Purge", _true_minus(c.purge)),
        ("Leak test", _true_minus(c.leak)),
        ("Highest pressure", pressure),
        ("Fastest ramp", ramp),
    ]
    if grading.source_kind == "record" or c.missing_readings:
        rows.append(("Missing readings", str(c.missing_readings) if c.missing_readings else "none"))
    rows += [("Note", sentence(note)) for note in c.notes]
    return _known_rows(rows)


def instrument_row(line: InstrumentLine) -> Json:
    """One instrument, and what is known of its calibration."""
    measures = _measures(line)
    return {
        "name": printable(line.name),
        "measures": printable(measures or f"({line.role})"),
        "serial": printable(line.serial) or "—",
        "identity": printable(line.identity),
        "calibrated": printable(line.calibrated) or ("no evidence" if measures else "—"),
        "due": printable(line.due) or ("no date" if measures else "—"),
        "overdue": line.overdue,
        "uncertainty": printable(line.uncertainty) or "—",
    }


def evidence(conditions: RunConditions) -> list[str]:
    """Plain sentences on the evidence of the instruments' calibration."""
    if not conditions.instruments:
        return [
            "The source names no instruments: there is no evidence of their calibration, and the uncertainty "
            "is that of assumed instruments."
        ]
    measuring = [line for line in conditions.instruments if _measures(line)]
    overdue = [line for line in measuring if line.overdue]
    bare = [line for line in measuring if not line.calibrated]
    untraced = [line for line in measuring if line in (*overdue, *bare) and _figures_depend(line)]
    said = []
    if overdue:
        said.append(f"Calibration overdue on the day of the test: {_names(overdue)}.")
    if bare:
        said.append(f"No evidence of calibration was given for: {_names(bare)}.")
    if untraced:
        said.append(f"Traceability of the figures that depend on {_names(untraced)} is not shown.")
    else:
        which = "instrument that a figure depends on" if said else "measuring instrument"
        said.append(f"Every {which} was within its calibration date, as the bench file states.")
    return said


def _measures(line: InstrumentLine) -> str:
    """Return what an instrument measures; empty for one that only acts."""
    kind = kind_of(line.role)
    return line.role.replace("_", " ") if kind is None else kind.measures


def _figures_depend(line: InstrumentLine) -> bool:
    """Return whether a figure depends on an instrument; True for one in an unknown role."""
    kind = kind_of(line.role)
    return kind is None or kind.figures_depend


def _names(lines: Iterable[InstrumentLine]) -> str:
    return ", ".join(printable(line.name) for line in lines)


ALL_RULES: Final = ("Specification", "Decision rule", "Its risk", "Uncertainty", "Scope")


def decision_rows(grading: Grading, wanted: Collection[str]) -> list[list[str]]:
    """How grades are decided: label and text of the wanted ones of `ALL_RULES`."""
    limits = f"Limits file '{grading.limits_name}', version {grading.limits_version}"
    specification = f"{printable(limits)}, SHA-256 {grading.limits_sha256[:16]}…"
    if grading.limits_not_graded:
        specification += f" {printable(wording.not_graded(grading.limits_not_graded))}"
    rows = [
        ("Specification", specification),
        (
            "Decision rule",
            "Pass: the whole interval value ± U lies inside the pass limits (guarded acceptance, JCGM 106). "
            "Reject: the interval reaches beyond a reject limit. Watch: anything between. Where U is larger "
            "than the distance between the two limits, a figure cannot be decided and is watch at best. A "
            "cell's grade is the worst of its figures.",
        ),
        (
            "Its risk",
            "A cell exactly at a pass limit still passes in about 1 test of 40; one exactly at a reject "
            "limit is not rejected as often. A sound cell near a limit may be graded watch or reject.",
        ),
        (
            "Uncertainty",
            "U is the expanded uncertainty at about 95 %, with its factor k from the effective degrees of "
            "freedom. It is evaluated after JCGM 100; errors common to all steps are treated as common. "
            f"Budget from: {printable(grading.conditions.uncertainty_source or NOT_RECORDED)}.",
        ),
        (
            "Scope",
            "The results relate only to the items tested, as received, at the time of the test. Not to be "
            "reproduced except in full. No accreditation is claimed.",
        ),
    ]
    return [list(row) for row in rows if row[0] in wanted]


def digests(grading: Grading, identity: Identity) -> list[list[str]]:
    """Digests of a paper's files: label and SHA-256, and the program that made it."""
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


def short(cell: CellResult, key: str, nominal: float | None = None) -> list[str]:
    """Value and uncertainty of a figure, the second empty where there is none to print.

    Both are empty for an ungraded cell: a number in a row of graded ones would be taken for a result.
    """
    if cell.grade == "ungraded":
        return ["—", ""]
    for figure in cell.figures:
        if figure.key == key and figure.nominal_po2_bar == nominal:
            return [
                wording.figure_value(figure),
                f"± {wording.figure_uncertainty(figure)}" if _has_u(figure) else "",
            ]
    return [wording.NOT_TESTED, ""]
