"""The `leadline` command: its tree of commands, and the one place where errors become a line and a code.

Only light modules are imported here and at the top of the command modules; instruments, numpy, scipy,
matplotlib and pydantic are imported when a command runs, so that `leadline --help` answers at once.
"""

from __future__ import annotations

import errno
import inspect
import os
import sys
import tempfile
import traceback
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, Final

import typer

from rig.cli import archive, bench, certify, demo, grade, plan, preflight, run_test
from rig.cli.options import ABNORMAL, BAD_INPUT, DONE, REFUSED
from rig.cli.streams import make_streams_safe

PROGRAM: Final = "leadline"
# In a file with hundreds of wrong lines a person corrects the first few and tries again.
_MOST_PROBLEMS: Final = 20
# The last is what a terminal that was closed answers.
_NOT_WRITTEN: Final = (errno.ENOSPC, errno.EFBIG, errno.EDQUOT, errno.EIO)

app = typer.Typer(
    name=PROGRAM,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Start with: leadline demo. Exit codes: 0 done, 1 ended abnormally (the record is kept), "
    "2 bad input, 3 refused for safety.",
)
app.command("demo")(demo.demo)
app.command("preflight")(preflight.preflight)
app.command("plan")(plan.plan)
app.command("run")(run_test.run_test)
app.command("grade")(grade.grade)
app.command("certify")(certify.certify)
app.add_typer(archive.app, name="archive")
app.add_typer(bench.app, name="bench")


def _let_help_flow(commands: typer.Typer) -> None:
    """Remove the source's line breaks from the help of every command, so that it fits any terminal."""
    for command in commands.registered_commands:
        text = inspect.getdoc(command.callback) or ""
        command.help = "\n\n".join(" ".join(part.split()) for part in text.split("\n\n"))
    for group in commands.registered_groups:
        if group.typer_instance is not None:
            _let_help_flow(group.typer_instance)


_let_help_flow(app)


def _show_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        print(f"{PROGRAM} {version(PROGRAM)}")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """Is this oxygen cell still on the line that a handset assumes? Tests, grades and certifies cells."""


def run() -> None:
    """Run the command line of this process and leave with its exit code."""
    make_streams_safe()
    code = main(sys.argv[1:])
    try:
        sys.stdout.flush()
    except (OSError, ValueError):
        _abandon_stdout()
    sys.exit(code)


def main(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code; errors become one line for each problem on stderr."""
    try:
        result = app(args=list(arguments), prog_name=PROGRAM, standalone_mode=False)
        return result if isinstance(result, int) else DONE
    except (KeyboardInterrupt, typer.Abort):
        return _report("stopped by the keyboard", ABNORMAL)
    except BrokenPipeError:
        _abandon_stdout()
        return ABNORMAL
    except Exception as error:
        return _report(*_explained(error))


def _explained(error: Exception) -> tuple[str, int]:
    """Return the message for the user, and the exit code."""
    from drivers.errors import DriverError
    from drivers.virtual_spec import VirtualBenchError
    from grading.measurement import SourceError
    from grading.papers import CertificateError
    from grading.pictures.plot_file import PlotError
    from rig.archive.finish import FinishFailed
    from rig.between_runs.lock import RigBusy
    from rig.setup.bench import BenchNotReady
    from rig_configs.files.checked_toml import FileError

    # Typer contains click or depends on it, by version: its errors are recognised by shape, not by class.
    usage = getattr(error, "format_message", None)
    if usage is not None:
        context = getattr(error, "ctx", None)
        path = context.command_path if context is not None else PROGRAM
        message = " ".join(str(usage()).split())
        return f"{message} Try: {path} --help" if message else f"Try: {path} --help", BAD_INPUT
    if isinstance(error, (FileError, SourceError, PlotError, CertificateError, VirtualBenchError)):
        return str(error), BAD_INPUT
    if isinstance(error, (BenchNotReady, RigBusy, DriverError)):
        return str(error), REFUSED
    if isinstance(error, FinishFailed):
        return str(error), ABNORMAL
    if isinstance(error, OSError) and error.filename is None and error.errno in _NOT_WRITTEN:
        return f"the output could not be written: {error.strerror}", ABNORMAL
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or error}", BAD_INPUT
    return _internal(error), ABNORMAL


def _internal(error: Exception) -> str:
    """Write the details for a developer to a file and return the line for the user."""
    head = f"internal error ({type(error).__name__}: {' '.join(str(error).split())[:200]})"
    text = "".join(traceback.format_exception(error))
    try:
        stamp = f"{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
        handle, name = tempfile.mkstemp(prefix=f"{PROGRAM}-error-{stamp}-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError:
        return f"{head}; please report it"
    return f"{head}; please report it with the file {name}"


def _report(message: str, code: int) -> int:
    try:
        lines = message.splitlines()
        more = len(lines) - _MOST_PROBLEMS
        if more > 1:
            lines[_MOST_PROBLEMS:] = [f"and {more} more"]
        for line in lines:
            print(f"{PROGRAM}: {line}", file=sys.stderr)
        sys.stderr.flush()
    except OSError:
        pass
    return code


def _abandon_stdout() -> None:
    """Point stdout at nothing, so that the interpreter's flush at exit does not fail."""
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.close(nothing)


if __name__ == "__main__":
    run()
