"""Gradings for people: one line for each cell, then every figure with uncertainty, limits and reasons."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from typing import TYPE_CHECKING, Final

from rich import box
from rich.console import Console, Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from grading.document import compare
from grading.figure_kinds import FIGURE_KINDS, FigureKey
from grading.results import CellResult, Figure, Grade, Grading
from grading.wording import (
    GRADE_MARK,
    GRADE_WORD,
    figure_name,
    figure_quantity,
    grade_text,
    not_graded,
    number,
    pass_limits,
    plain,
    probability,
    reject_limits,
)
from rig.terminal.fitting import FittingTable, add_serials
from rig.terminal.formats import counted

if TYPE_CHECKING:
    from drivers.virtual_spec import CellTruth

_STYLE: Final[dict[Grade, str]] = {
    "pass": "bold green",
    "watch": "bold yellow",
    "reject": "bold red",
    "ungraded": "bold",
}
_ORDER: Final[tuple[Grade, ...]] = ("pass", "watch", "reject", "ungraded")
_MOST_IN_FULL: Final = 8
_WIDE: Final = 106
_LIKELY: Final = 80
_USUAL: Final = 74
_NARROW: Final = 60
_AS_GOOD_AS_INFINITE: Final = 10_000.0
_SUMMARY_PO2_BAR: Final = 1.6
_SUMMARY_FIGURES: Final[dict[str, tuple[FigureKey, float | None]]] = {
    "mV at 1.0": ("oxygen_output_mv", None),
    "error at 1.6": ("indication_error_percent", _SUMMARY_PO2_BAR),
    "linear up to": ("linear_to_bar", None),
    "T90": ("t90_s", None),
    "drop": ("fade_percent_per_min", None),
}
"""The figures of most interest, by title; where the title begins with the unit, the rows leave it out."""
_SUMMARY: Final = ("socket", "cell", "grade", *_SUMMARY_FIGURES)
_SUMMARY_GIVES_WAY: Final = ("drop", "socket", "T90", "mV at 1.0", "error at 1.6", "linear up to")
_FREEDOM: Final = "degrees\nof freedom"
_TRUTH_GIVES_WAY: Final = ("T90", "linear up to")


def show_summary(console: Console, grading: Grading) -> None:
    """Print one line for each cell, why a cell does not pass, and the number of cells by grade."""
    console.print(summary_table(grading))
    left_out = not_graded(grading.limits_not_graded)
    shared = tuple(line for line in _shared_by_all(grading) if line != left_out)
    if shared:
        console.print(_why(Text("All cells", style="bold"), (), shared))
    for result in grading.cells:
        head = Text(f"{result.info.cell}  ", style="bold")
        head.append(grade_text(result.grade), style=_STYLE[result.grade])
        diagnosis = tuple(line for line in result.diagnosis if line not in shared)
        reasons = tuple(line for line in result.reasons if line not in (*shared, left_out))
        if result.grade != "pass" and (diagnosis or reasons):
            console.print(_why(head, diagnosis, reasons))
    console.print(_counts(grading))
    if left_out:
        console.print(Text(left_out))


def show_grading(
    console: Console,
    grading: Grading,
    *,
    cell: str | None = None,
    budget: bool = False,
    earlier: Grading | None = None,
) -> None:
    """Print a grading.

    Args:
        console: where to print.
        grading: the run to print.
        cell: serial of the one cell wanted; None prints all.
        budget: whether to print the uncertainty budget of each figure.
        earlier: the grading kept with the record; what changed against it is listed.
    """
    chosen = [result for result in grading.cells if cell in (None, result.info.cell)]
    console.print(Text(grading.source, style="bold"), soft_wrap=True)
    if len(chosen) > _MOST_IN_FULL:
        show_summary(console, grading)
        console.print(f"Figures of one cell: add --cell SERIAL (or --json for all {len(chosen)})")
    else:
        if cell is None:
            console.print(summary_table(grading))
            console.print(_counts(grading))
        for result in chosen:
            console.print(cell_report(result, budget=budget, width=console.width))
        if grading.limits_not_graded:
            console.print(Text(f"\n{not_graded(grading.limits_not_graded)}"))
    console.print(_origin(grading))
    if earlier is not None:
        _show_changes(console, earlier, grading)


def summary_table(grading: Grading) -> RenderableType:
    """Return one line for each cell: the grade, and the figures of most interest.

    Serials, grades and numbers are never cut; where there is no room, the least important figures are left
    out.
    """

    def without(left_out: Collection[str]) -> Table:
        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
        shown = [title for title in _SUMMARY if title not in left_out]
        for title in shown:
            if title == "cell":
                add_serials(table, title, _serials(grading))
            else:
                table.add_column(title, justify="left" if title == "grade" else "right", no_wrap=True)
        for result in grading.cells:
            row = _summary_row(result)
            table.add_row(*(row[title] for title in shown))
        return table

    return FittingTable(without, _SUMMARY_GIVES_WAY)


def _summary_row(result: CellResult) -> dict[str, RenderableType]:
    return {
        "socket": "" if result.info.socket is None else str(result.info.socket),
        "cell": result.info.cell,
        "grade": Text(grade_text(result.grade), style=_STYLE[result.grade]),
        **{title: _short(result, title) for title in _SUMMARY_FIGURES},
    }


def _serials(grading: Grading) -> list[str]:
    return [result.info.cell for result in grading.cells]


def truth_table(grading: Grading, truth: Mapping[str, CellTruth]) -> RenderableType:
    """Return the measured figures beside the true ones of the virtual bench's cells."""

    def without(left_out: Collection[str]) -> Table:
        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
        add_serials(table, "cell", _serials(grading))
        table.add_column("true kind", overflow="fold")
        table.add_column("grade", no_wrap=True)
        shown = [figure for figure in _TRUTH_GIVES_WAY if figure not in left_out][::-1]
        for figure in shown:
            for title in (f"{figure},\ntrue", "measured"):
                table.add_column(title, justify="right", no_wrap=True)
        for result in grading.cells:
            known = truth.get(result.info.cell)
            if known is None:
                continue
            linear_to = "> 6 bar" if known.linear_to_bar is None else f"{known.linear_to_bar:.2f} bar"
            pairs = {
                "linear up to": (linear_to, _short(result, "linear up to")),
                "T90": (f"{known.t90_s:.1f} s", _short(result, "T90")),
            }
            grade = Text(GRADE_WORD[result.grade], style=_STYLE[result.grade])
            figures = [text for figure in shown for text in pairs[figure]]
            table.add_row(known.serial, known.kind, grade, *figures)
        return table

    head = Text("\nThe true figures of the virtual bench's cells:", style="bold")
    return Group(head, FittingTable(without, _TRUTH_GIVES_WAY))


def _shared_by_all(grading: Grading) -> tuple[str, ...]:
    """Return what is the same for all of several cells, as after a run that was stopped."""
    if len(grading.cells) < 2:
        return ()
    said = [(*cell.reasons, *cell.diagnosis) if cell.grade != "pass" else () for cell in grading.cells]
    return tuple(line for line in said[0] if all(line in lines for lines in said))


def _why(head: Text, diagnosis: tuple[str, ...], reasons: tuple[str, ...]) -> RenderableType:
    """Return the line of a cell, then each reason for its grade."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True)
    grid.add_column()
    for line in diagnosis:
        grid.add_row("", line)
    for line in reasons:
        grid.add_row("•", line)
    return Group(head, Padding(grid, (0, 0, 0, 2)))


def cell_report(result: CellResult, *, budget: bool = False, width: int = _WIDE) -> RenderableType:
    """Return one cell in full: figures with uncertainty, limits and grades, statements, reasons, diagnosis.

    Args:
        result: the cell.
        budget: whether to list the contributions to each uncertainty.
        width: columns of the terminal; limits and probabilities are left out before values and grades.
    """
    info = result.info
    head = Text(f"\n{info.cell}  ", style="bold")
    head.append(grade_text(result.grade), style=_STYLE[result.grade])
    origin = "  ".join(part for part in (info.maker, info.model, info.date_code, info.condition) if part)
    head.append(f"  {origin}", style="dim")
    parts: list[RenderableType] = [head]
    if any(figure.value is not None or figure.at_least is not None for figure in result.figures):
        parts.append(_figures_table(result, width=width))
    remarks = tuple(f"{figure_name(figure)}: {figure.reason}" for figure in result.figures if figure.reason)
    for title, lines in (
        ("Why", result.reasons),
        ("Diagnosis", result.diagnosis),
        ("In plain words", result.detail.statements),
        ("Remarks", remarks if len(parts) > 1 else ()),
    ):
        if lines:
            parts.append(_listed(title, lines))
    if budget:
        parts.extend(_budget(figure) for figure in result.figures if figure.budget)
    return Group(*parts)


def _budget(figure: Figure) -> RenderableType:
    """Return the contributions to the uncertainty of one figure, largest first."""
    dof = figure.degrees_of_freedom
    about = ("" if figure.coverage_factor is None else f", k = {number(figure.coverage_factor, 2)}") + (
        "" if dof is None else f", {_freedom(dof)} degrees of freedom"
    )
    head = Text(f"\nBudget of {figure_name(figure)}: {figure_quantity(figure)}{about}")

    def without(left_out: Collection[str]) -> Table:
        table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
        table.add_column("contribution", overflow="fold")
        freedom = _FREEDOM not in left_out
        for title in (f"u, {figure.unit}", *((_FREEDOM,) if freedom else ()), "share of\nvariance"):
            table.add_column(title, justify="right", no_wrap=True)
        for line in figure.budget:
            table.add_row(
                line.name,
                f"{line.standard_uncertainty:.2g}",
                *((_freedom(line.degrees_of_freedom),) if freedom else ()),
                f"{number(100.0 * line.share, 1)} %",
            )
        return table

    return Group(head, FittingTable(without, (_FREEDOM,)))


def _freedom(degrees: float) -> str:
    return number(degrees, 0) if math.isfinite(degrees) and degrees < _AS_GOOD_AS_INFINITE else "∞"


def _figures_table(result: CellResult, *, width: int) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1))
    wide, likely, usual, narrow = width >= _WIDE, width >= _LIKELY, width >= _USUAL, width < _NARROW
    if narrow:
        table.add_column("figure, value ± U", overflow="fold")
    else:
        table.add_column("figure", min_width=16)
        table.add_column("value ± U", justify="right", no_wrap=True)
    if usual:
        table.add_column("pass", no_wrap=True)
    if wide:
        table.add_column("reject", no_wrap=True)
    if likely:
        table.add_column("conforms", justify="right", no_wrap=True)
    table.add_column("grade", no_wrap=True)
    for figure in result.figures:
        grade = figure.grade
        word = Text("–" if grade is None else f"{GRADE_MARK[grade]} {GRADE_WORD[grade].lower()}")
        if grade is not None:
            word.stylize(_STYLE[grade])
        name, quantity = figure_name(figure) + (" *" if figure.required else ""), figure_quantity(figure)
        table.add_row(
            *((f"{name}\n  {quantity}",) if narrow else (name, quantity)),
            *((pass_limits(figure),) if usual else ()),
            *((reject_limits(figure),) if wide else ()),
            *((probability(figure.probability_of_conformity),) if likely else ()),
            word,
        )
    if any(figure.required for figure in result.figures):
        table.caption = "* required by the limits file"
        table.caption_justify = "left"
    return table


def _figure(result: CellResult, key: str, nominal_po2_bar: float | None = None) -> Figure | None:
    for figure in result.figures:
        if figure.key == key and (
            nominal_po2_bar is None
            or (figure.nominal_po2_bar is not None and abs(figure.nominal_po2_bar - nominal_po2_bar) < 0.05)
        ):
            return figure
    return None


def _short(result: CellResult, title: str) -> str:
    """Return the figure of one of `_SUMMARY_FIGURES`, without its uncertainty.

    As on the summary's page, an ungraded cell shows none: beside graded ones it would be taken for a result.
    """
    if result.grade == "ungraded":
        return "–"
    key, nominal_po2_bar = _SUMMARY_FIGURES[title]
    figure, kind = _figure(result, key, nominal_po2_bar), FIGURE_KINDS[key]
    if figure is None:
        return "–"
    unit = "" if title.split()[0] == kind.unit else f" {kind.unit}"
    if figure.at_least is not None:
        return f"≥ {plain(round(figure.at_least, 2))}{unit}"
    if figure.value is None:
        return "–"
    return f"{number(figure.value, kind.short_decimals, signed=kind.signed)}{unit}"


def _counts(grading: Grading) -> Text:
    line = Text(f"{counted(len(grading.cells), 'cell')}: ")
    for position, grade in enumerate(_ORDER):
        count = sum(result.grade == grade for result in grading.cells)
        line.append(", " if position else "")
        line.append(f"{count} {GRADE_WORD[grade].lower()}", style=_STYLE[grade] if count else "dim")
    return line


def _origin(grading: Grading) -> RenderableType:
    conditions = grading.conditions
    lines = [
        f"Limits: {grading.limits_name} {grading.limits_version}, sha256 {grading.limits_sha256[:12]}",
        f"Uncertainty from: {conditions.uncertainty_source or 'not stated'}; ± is U at about 95 %",
        *conditions.notes,
    ]
    return Group(Text(""), *(Text(line, style="dim") for line in lines))


def _listed(title: str, lines: tuple[str, ...]) -> RenderableType:
    grid = Table.grid(padding=(0, 1))
    grid.add_column(style="dim", no_wrap=True, min_width=16)
    grid.add_column()
    for position, line in enumerate(lines):
        grid.add_row(title if position == 0 else "", line)
    return Padding(grid, (0, 0, 0, 2))


def _show_changes(console: Console, earlier: Grading, grading: Grading) -> None:
    changes = compare(earlier, grading)
    same_limits = earlier.limits_sha256 == grading.limits_sha256
    against = f"the grading kept with the record (limits {earlier.limits_name} {earlier.limits_version})"
    if not changes:
        if not same_limits:
            console.print(f"No grade changes against {against}.")
        return
    console.print(Text(f"\nWhat changed against {against}", style="bold"))
    table = Table(box=box.SIMPLE_HEAD)
    add_serials(table, "cell", [change.cell for change in changes])
    for column in ("what", "before", "now"):
        table.add_column(column, overflow="fold")
    ungraded = {result.info.cell for result in grading.cells if result.grade == "ungraded"}
    for change in changes:
        # An ungraded cell has no graded figures, so they are not listed.
        if change.cell in ungraded and change.what != "grade":
            continue
        table.add_row(change.cell, change.what, change.before, change.after)
    console.print(table)
