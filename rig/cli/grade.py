"""`leadline grade`: figures, grades and reasons from a record, a readings table or a trace table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from rig.cli.options import JsonOption, LimitsOption, SecondRunOption, output_console, written_path
from rig.terminal.json_text import print_json

if TYPE_CHECKING:
    from grading.results import Grading


def grade(
    source: Annotated[
        Path,
        typer.Argument(
            metavar="SOURCE",
            parser=written_path,
            help="Record folder, readings table (CSV) or trace table (CSV).",
        ),
    ],
    limits: LimitsOption = None,
    bench: Annotated[
        str | None,
        typer.Option(
            "--bench",
            metavar="BENCH",
            help="Bench whose instruments took a table's readings; its uncertainties are used.",
        ),
    ] = None,
    second_run: SecondRunOption = None,
    cell: Annotated[str | None, typer.Option("--cell", metavar="SERIAL", help="Show one cell only.")] = None,
    budget: Annotated[
        bool, typer.Option("--budget", help="Print the uncertainty budget of each figure.")
    ] = False,
    plot: Annotated[
        Path | None,
        typer.Option(
            "--plot",
            metavar="FILE",
            parser=written_path,
            help="Draw the pictures to FILE.svg, FILE.png or FILE.pdf.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Grade the cells of a record or a table, and say why.

    A record is graded by the limits of its run unless --limits names others. Changes against the grading kept
    with the record are then listed. Only the pictures of --plot are written; leadline certify makes
    certificates.

    Example: leadline grade records/2026-03-02T101500Z-a1b2 --budget
    """
    from rig.archive.regrade import earlier_grading, grade_source

    grading = grade_source(source, limits=limits, bench=bench, second_run=second_run)
    _one_cell_or_all(grading, cell)
    if plot is not None:
        from grading.pictures.plot_file import save_plot

        save_plot(grading, plot, cell)
    if as_json:
        from grading.document import public_json

        print_json(public_json(grading))
        return
    from rig.terminal.grades import show_grading

    console = output_console()
    show_grading(console, grading, cell=cell, budget=budget, earlier=earlier_grading(source))
    if plot is not None:
        console.print(f"Pictures: {plot}")


def _one_cell_or_all(grading: Grading, cell: str | None) -> None:
    from rig_configs.files.checked_toml import FileError
    from rig_configs.files.suggestions import suggestion

    serials = [result.info.cell for result in grading.cells]
    if cell is not None and cell not in serials:
        raise FileError(f"{grading.source}: has no cell '{cell}'; {suggestion(cell, serials)}")
