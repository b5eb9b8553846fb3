"""Grading a source by the limits that apply to it."""

from __future__ import annotations

from pathlib import Path

from grading.measurement import Measurement
from grading.results import Grading
from rig_configs.files.checked_toml import FileError


def grade_source(
    source: Path,
    *,
    limits: str | None = None,
    bench: str | None = None,
    second_run: Path | None = None,
) -> Grading:
    """Grade a record, a readings table or a trace table.

    Args:
        source: folder of a record, or a CSV file.
        limits: name or path of a limits file; None takes the limits of the run for a record, and
            `general` for a table.
        bench: name or path of the bench file whose instruments took a table's readings.
        second_run: record of a second run of the same cells with another bottle.

    Raises:
        FileError: a file named here is wrong, a bench is named for a record, or the second run is no record
            of another bottle.
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
    measurement = load_source(source, errors)
    second = None if second_run is None else _second(measurement, second_run)
    return grade(measurement, chosen, second=second)


def _second(first: Measurement, path: Path) -> Measurement:
    """Read the second run of two.

    Raises:
        FileError: it is not a record of the same cells with another bottle, by what the records state.
    """
    from grading.record.reader import is_record
    from grading.sources.recorded import reduce_record

    if first.source_kind != "record" or not is_record(path):
        wrong = path if first.source_kind == "record" else first.source
        raise FileError(f"{wrong}: is no record; a second run is compared record with record")
    second = reduce_record(path)
    if second.conditions.record_id == first.conditions.record_id:
        raise FileError(f"{path}: is the same run; name the record of another one")
    if not first.bottle or not second.bottle:
        unnamed = first.source if not first.bottle else path
        raise FileError(
            f'{unnamed}: does not name its bottle; write bottle = "serial" under [gas] of the bench file '
            "before each run"
        )
    if first.bottle == second.bottle:
        raise FileError(f"{path}: has the same bottle, '{second.bottle}'; the second run needs another one")
    if not {cell.cell for cell in first.cells} & {cell.cell for cell in second.cells}:
        raise FileError(
            f"{path}: tests none of the cells of {first.source}; the second run needs the same ones"
        )
    return second


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
