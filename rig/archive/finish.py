"""What follows a run: grading and certificates, in a child process.

A PDF made in a thread of the rig's process delays its ticks; a child process at low priority does not.
"""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import signal
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from grading.results import Grading
from rig_configs.files.checked_toml import FileError

CERTIFICATES: Final = "certificates"
_PATIENCE_S: Final = 600.0
_NICENESS: Final = 5


class FinishFailed(Exception):
    """The child ended without a result; the record is unchanged."""


@dataclass(frozen=True, slots=True)
class Finished:
    """What was made from a record.

    Attributes:
        papers: one certificate for each cell, the summary and the labels; empty when none were wanted.
        results: the file that keeps the grading.
        warnings: what could not be printed unchanged, one sentence each.
    """

    grading: Grading
    results: Path
    papers: tuple[Path, ...]
    warnings: tuple[str, ...]


def finish_record(
    record: Path,
    *,
    limits: str | None = None,
    cells: tuple[str, ...] | None = None,
    certificates: bool = True,
    font_folders: tuple[Path, ...] = (),
    second_run: Path | None = None,
) -> Finished:
    """Grade a record, keep the grading beside it and print its certificates, in a child process.

    Args:
        record: folder of the record.
        limits: limits to grade by; None takes the record's own.
        cells: serials to print certificates for; None prints all.
        certificates: False grades only.
        font_folders: fonts for scripts that the certificates' own fonts lack.
        second_run: record of a second run of the same cells with another bottle.

    Raises:
        FileError: a file is wrong, or a serial is not in the record.
        SourceError: the record cannot be read.
        FinishFailed: the child ended without a result.
    """
    from grading.document import from_json
    from grading.measurement import SourceError

    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(
        target=_child,
        args=(theirs, record, limits, cells, certificates, font_folders, second_run),
        name="leadline-grading",
    )
    child.start()
    theirs.close()
    try:
        answer: dict[str, Any] = ours.recv() if ours.poll(_PATIENCE_S) else {}
    except EOFError:
        answer = {}
    except BaseException:
        child.kill()
        raise
    finally:
        ours.close()
        child.join(timeout=10.0)
        if child.is_alive():
            child.kill()
            child.join()
    if "file_error" in answer:
        raise FileError(*answer["file_error"])
    if "source_error" in answer:
        raise SourceError(answer["source_error"])
    if "grading" not in answer:
        why = answer.get("failure") or f"the grading process ended with code {child.exitcode}"
        raise FinishFailed(f"{record}: could not be graded: {why}; the record is unchanged")
    return Finished(
        grading=from_json(answer["grading"]),
        results=Path(answer["results"]),
        papers=tuple(Path(path) for path in answer["papers"]),
        warnings=tuple(answer["warnings"]),
    )


class _Collected(logging.Handler):
    """Keeps warnings for the parent, since the child has no terminal."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep one line."""
        self.lines.append(record.getMessage())


def _child(
    pipe: Connection,
    record: Path,
    limits: str | None,
    cells: tuple[str, ...] | None,
    certificates: bool,
    font_folders: tuple[Path, ...],
    second_run: Path | None,
) -> None:
    """Do the work and send one result of plain data."""
    from grading.measurement import SourceError

    # Ctrl-C reaches the whole group of processes; the parent handles it and ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_NICENESS)
    warnings = _Collected()
    logging.getLogger("grading").addHandler(warnings)
    try:
        answer = _work(record, limits, cells, certificates, font_folders, second_run)
    except FileError as error:
        answer = {"file_error": error.problems}
    except SourceError as error:
        answer = {"source_error": str(error)}
    except Exception as error:
        answer = {"failure": f"{type(error).__name__}: {' '.join(str(error).split())}"}
    answer["warnings"] = warnings.lines
    with contextlib.suppress(OSError):
        pipe.send(answer)
    pipe.close()


def _work(
    record: Path,
    limits: str | None,
    cells: tuple[str, ...] | None,
    certificates: bool,
    font_folders: tuple[Path, ...],
    second_run: Path | None,
) -> dict[str, Any]:
    from grading.document import to_json, write_results
    from rig.archive.regrade import grade_source
    from rig_configs.files.suggestions import suggestion

    grading = grade_source(record, limits=limits, second_run=second_run)
    serials = [cell.info.cell for cell in grading.cells]
    for cell in cells or ():
        if cell not in serials:
            raise FileError(f"{record}: has no cell '{cell}'; {suggestion(cell, serials)}")
    results = write_results(record, grading)
    papers: list[Path] = []
    if certificates:
        from grading.papers import write_certificates, write_labels

        folder = record / CERTIFICATES
        papers = write_certificates(folder, grading, cells, font_folders=font_folders)
        papers.append(write_labels(folder, grading, cells, font_folders=font_folders))
    return {
        "grading": to_json(grading),
        "results": str(results),
        "papers": [str(path) for path in papers],
    }
