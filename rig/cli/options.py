"""What several commands share: exit codes, options, and checks of folders."""

from __future__ import annotations

import os
import stat
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

if TYPE_CHECKING:
    from rich.console import Console

DONE: Final = 0
ABNORMAL: Final = 1
BAD_INPUT: Final = 2
REFUSED: Final = 3

_WIDTH_OF_A_PIPE: Final = 130


def written_path(given: str | Path) -> Path:
    """Return the path that an option gives. An unset variable in a script gives an empty one.

    Raises:
        typer.BadParameter: the path is empty, which `Path` would take for the current folder.
    """
    if given == "":
        raise typer.BadParameter("is empty; write a path ('.' is this folder)")
    return Path(given)


BenchArgument = Annotated[
    str, typer.Argument(metavar="BENCH", help="Name of a shipped bench, or path of a bench file.")
]
BenchOption = Annotated[
    str, typer.Option("--bench", metavar="BENCH", help="Name of a shipped bench, or path of a bench file.")
]
ProcedureOption = Annotated[
    str,
    typer.Option(
        "--procedure", "-p", metavar="P", help="Name of a shipped procedure, or path of a procedure file."
    ),
]
CellsOption = Annotated[
    str,
    typer.Option("--cells", "-c", metavar="CELLS", help="Cells file (CSV): which cell is in which socket."),
]
LimitsOption = Annotated[
    str | None,
    typer.Option(
        "--limits",
        metavar="FILE",
        help="Limits to grade by: a shipped name, or a path. Default: the record's own, else 'general'.",
    ),
]
OutOption = Annotated[
    Path,
    typer.Option(
        "--out",
        "-o",
        metavar="DIR",
        parser=written_path,
        help="Folder that the record's folder is made in.",
    ),
]
JsonOption = Annotated[
    bool, typer.Option("--json", help="Print JSON alone on stdout; messages go to stderr.")
]
SeedOption = Annotated[
    int | None, typer.Option("--seed", min=0, metavar="N", help="Seed of the virtual bench's noise.")
]
OperatorOption = Annotated[
    str | None, typer.Option("--operator", metavar="NAME", help="Printed on certificates.")
]
InjectOption = Annotated[
    list[str] | None,
    typer.Option(
        "--inject",
        metavar="FAULT@SECONDS",
        help="Inject a fault on a virtual bench, for training; may be repeated. "
        "Faults: leadline bench faults.",
    ),
]
ClearOption = Annotated[
    list[str] | None,
    typer.Option(
        "--clear",
        metavar="CODE",
        help="Clear what the last run on this rig left: the code of its trip or of changed limits, as "
        "shown in the refusal; may be repeated.",
    ),
]
SecondRunOption = Annotated[
    Path | None,
    typer.Option(
        "--second-run",
        metavar="RECORD",
        parser=written_path,
        help="Record of a second run of the same cells with another bottle: cells that are off alike in both "
        "are graded.",
    ),
]
AiredOption = Annotated[
    bool,
    typer.Option("--aired", help="State that the pot was aired just before, so that nobody is asked to."),
]
RealTimeOption = Annotated[bool, typer.Option("--real-time", help="Run a virtual bench in real time.")]
MyHandsOption = Annotated[
    bool, typer.Option("--my-hands", help="Turn the valves of a virtual hand pot yourself, in real time.")
]
NoCertificatesOption = Annotated[
    bool, typer.Option("--no-certificates", help="Grade, but print no certificates.")
]


def output_console(*, to_stderr: bool = False) -> Console:
    """Return the console for people: stdout, or stderr when stdout is kept for JSON."""
    from rich.console import Console

    # Without markup and emoji: a file name or a reason is printed unchanged.
    console = Console(stderr=to_stderr, highlight=False, markup=False, emoji=False)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = _WIDTH_OF_A_PIPE
    return console


def check_folder(folder: Path) -> None:
    """Check that a folder to read from is there.

    Raises:
        FileError: with the folder and the obstacle.
    """
    from rig_configs.files.checked_toml import FileError

    try:
        if not stat.S_ISDIR(folder.stat().st_mode):
            raise FileError(f"{folder}: is a file, not a folder")
    except OSError as error:
        raise FileError(f"{folder}: no folder to read from ({error.strerror})") from None
    if not os.access(folder, os.R_OK | os.X_OK):
        raise FileError(f"{folder}: no permission to read it; choose another folder")


def check_file_writable(file: Path) -> None:
    """Check that a new file can be made at `file`, without making it.

    Raises:
        FileError: with the file and the obstacle.
    """
    from rig_configs.files.checked_toml import FileError

    folder = file.absolute().parent
    if file.is_dir():
        raise FileError(f"{file}: is a folder, not a file; write FOLDER/NAME.toml")
    if not folder.is_dir():
        raise FileError(f"{file}: there is no folder {folder}; make it first")
    _try_out(folder, f"{file}: cannot be written", "choose another place")


def check_writable(folder: Path) -> None:
    """Check that `folder` can be written to, or made, without making it.

    Raises:
        FileError: with the folder and the obstacle.
    """
    from rig_configs.files.checked_toml import FileError

    there = folder.absolute()
    while not there.exists() and there != there.parent:
        if there.is_symlink():
            raise FileError(f"{folder}: {there} is a link to nothing; choose another --out")
        there = there.parent
    if not there.is_dir():
        raise FileError(f"{folder}: {there} is a file, not a folder; choose another --out")
    _try_out(there, f"{folder}: cannot be written to", "choose another --out")


def _try_out(folder: Path, trouble: str, mend: str) -> None:
    from rig_configs.files.checked_toml import FileError

    try:
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as error:
        raise FileError(f"{trouble} ({error.strerror}); {mend}") from None
