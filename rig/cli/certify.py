"""`leadline certify`: the papers of a record."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import (
    JsonOption,
    LimitsOption,
    SecondRunOption,
    check_folder,
    check_writable,
    output_console,
    written_path,
)
from rig.terminal.json_text import print_json


def certify(
    record: Annotated[
        Path, typer.Argument(metavar="RECORD", parser=written_path, help="Folder of a record.")
    ],
    cell: Annotated[
        list[str] | None,
        typer.Option("--cell", metavar="SERIAL", help="Only this cell; may be repeated."),
    ] = None,
    limits: LimitsOption = None,
    second_run: SecondRunOption = None,
    font_dir: Annotated[
        list[Path] | None,
        typer.Option(
            "--font-dir",
            metavar="DIR",
            parser=written_path,
            help="Folder of fonts for scripts that the built-in ones lack; may be repeated.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Grade a record again from its raw readings and print certificates, summary page and labels.

    The grading is kept as results.json beside the readings, and the papers in certificates/.

    Example: leadline certify records/2026-03-02T101500Z-a1b2 --cell TB-0417
    """
    from rig.archive.finish import finish_record
    from rig_configs.files.checked_toml import FileError

    if not (record / "run.json").is_file():
        raise FileError(f"{record}: holds no record (a folder with run.json in it)")
    for folder in font_dir or ():
        check_folder(folder)
    check_writable(record)
    done = finish_record(
        record,
        limits=limits,
        cells=tuple(cell) if cell else None,
        font_folders=tuple(font_dir or ()),
        second_run=second_run,
    )
    for warning in done.warnings:
        print(f"leadline: {warning}", file=sys.stderr)
    if as_json:
        print_json({"record": str(record), "papers": [str(path) for path in done.papers]})
        return
    console = output_console()
    for path in done.papers:
        console.print(str(path), soft_wrap=True)
