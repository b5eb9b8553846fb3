"""`leadline archive`: checks of all records in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import ABNORMAL, DONE, JsonOption, output_console, written_path
from rig.terminal.json_text import print_json

app = typer.Typer(no_args_is_help=True)


@app.callback()
def _archive() -> None:
    """Check a folder of records.

    Example: leadline archive check records
    """


@app.command("check")
def check(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", parser=written_path, help="A record, or a folder of records.")
    ] = Path("records"),
    limits: Annotated[
        str | None,
        typer.Option(
            "--limits",
            metavar="FILE",
            help="Limits file of gradings made under limits that neither the record nor leadline holds.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Check every record: hashes, checksums, checkpoints, endings; and that its grading follows from it.

    A grading kept as results.json is made once more from the readings and compared with the file, which
    takes a few seconds for each record. Papers are not checked: leadline certify prints them again. Nothing
    is changed. Ends with code 1 when a record is interrupted or not as its run wrote it, or when its grading
    does not follow from it.

    Example: leadline archive check records
    """
    from rig.archive.check import check_archive
    from rig.terminal.tables import archive_table

    found = check_archive(folder, limits=limits)
    if as_json:
        print_json(
            {"folder": str(folder), "records": {str(path): list(text) for path, text in found.items()}}
        )
    else:
        output_console().print(archive_table(folder, found))
    raise typer.Exit(ABNORMAL if any(found.values()) else DONE)
