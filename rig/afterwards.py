"""What follows a run: grading and certificates, in a child process.

A PDF drawn in a thread of the rig's own process costs it ticks; a child at low priority does not.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from grading.results import Grading
from grading.strict_toml import FileError

CERTIFICATES: Final = "certificates"
_PATIENCE_S: Final = 600.0
_NICENESS: Final = 5


class AfterwardsFailed(Exception):
    """The child ended without an answer; the record itself is untouched."""


@dataclass(frozen=True, slots=True)
class Finished:
    """What was made of a record.

    Attributes:
        papers: one certificate a cell, the summary and the labels; empty when none were wanted.
        results: the file that keeps the grading.
    """

    grading: Grading
    results: Path
    papers: tuple[Path, ...]


def finish_record(
    record: Path,
    *,
    limits: str | None = None,
    cells: tuple[str, ...] | None = None,
    certificates: bool = True,
) -> Finished:
    """Grade a record, keep the grading beside it and print its certificates, in a child process.

    Args:
        record: folder of the record.
        limits: limits to grade by; None takes the record's own.
        cells: serials to print certificates for; None prints all.
        certificates: False grades only.

    Raises:
        FileError: when a file is wrong, or a serial is not in the record.
        SourceError: when the record cannot be read.
        AfterwardsFailed: when the child ended without an answer.
    """
    from grading.document import from_json
    from grading.measurement import SourceError

    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(
        target=_child, args=(theirs, str(record), limits, cells, certificates), name="leadline-grading"
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
        raise AfterwardsFailed(f"{record}: could not be graded: {why}; the record is kept as it is")
    return Finished(
        grading=from_json(answer["grading"]),
        results=Path(answer["results"]),
        papers=tuple(Path(path) for path in answer["papers"]),
    )


def _child(
    pipe: Connection, record: str, limits: str | None, cells: tuple[str, ...] | None, certificates: bool
) -> None:
    """Do the work and send one answer of plain data."""
    from grading.measurement import SourceError

    # Ctrl-C reaches the whole group of processes; the parent takes it and ends this one.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_NICENESS)
    try:
        answer = _work(Path(record), limits, cells, certificates)
    except FileError as error:
        answer = {"file_error": error.problems}
    except SourceError as error:
        answer = {"source_error": str(error)}
    except Exception as error:
        answer = {"failure": f"{type(error).__name__}: {' '.join(str(error).split())}"}
    with contextlib.suppress(OSError):
        pipe.send(answer)
    pipe.close()


def _work(
    record: Path, limits: str | None, cells: tuple[str, ...] | None, certificates: bool
) -> dict[str, Any]:
    from grading.document import to_json, write_results
    from grading.strict_toml import suggestion
    from rig.regrade import grade_source

    grading = grade_source(record, limits=limits)
    serials = [cell.info.cell for cell in grading.cells]
    for cell in cells or ():
        if cell not in serials:
            raise FileError(f"{record}: has no cell '{cell}'; {suggestion(cell, serials)}")
    results = write_results(record, grading)
    papers: list[Path] = []
    if certificates:
        from grading.certificate import write_certificates, write_labels

        papers = write_certificates(record / CERTIFICATES, grading, cells)
        papers.append(write_labels(record / CERTIFICATES, grading, cells))
    return {
        "grading": to_json(grading),
        "results": str(results),
        "papers": [str(path) for path in papers],
    }
