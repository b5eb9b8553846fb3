"""Grading a source by the limits that apply to it."""

from __future__ import annotations

from pathlib import Path

from grading.results import Grading
from rig_configs.files.checked_toml import FileError


def grade_source(source: Path, *, limits: str | None = None, bench: str | None = None) -> Grading:
    """Grade a record, a readings table or a trace table.

    Args:
        source: folder of a record, or a CSV file.
        limits: name or path of a limits file; None takes the limits of the run for a record, and
            `general` for a table.
        bench: name or path of the bench file whose instruments took a table's readings.

    Raises:
        FileError: a file named here is wrong, or a bench is named for a record.
        SourceError: the source cannot be read as it is.
    """
    from grading.judgement.grade import grade
    from grading.judgement.limits import load_limits, parse_limits
    from grading.record.reader import is_record
    from grading.sources.any_source import load_source

    errors = None
    record = is_record(source)
    if bench is not None:
        if record:
            raise FileError(f"{source}: a record keeps the bench it was run on; leave --bench out")
        from rig.setup.bench_file import error_model, load_bench

        errors = error_model(load_bench(bench))
    if limits is not None:
        chosen = load_limits(limits)
    elif record:
        chosen = parse_limits(*_limits_of_record(source), check_loosening=False)
    else:
        chosen = load_limits()
    return grade(load_source(source, errors), chosen)


def earlier_grading(source: Path) -> Grading | None:
    """Return the grading kept with a record, or None when it is missing or cannot be read."""
    from grading.document import RESULTS_NAME, read_results

    file = source / RESULTS_NAME
    if not file.is_file():
        return None
    try:
        return read_results(file)
    except FileError:
        return None


def _limits_of_record(record: Path) -> tuple[str, str]:
    """Return text and file name of the limits that a record was run under."""
    from grading.record.format import RUN_FILE
    from grading.record.peek import peek

    limits = peek(record).run.limits
    if limits is None or not limits.text:
        raise FileError(f"{record / RUN_FILE}: does not name the limits of the run; name them with --limits")
    return limits.text, limits.file
