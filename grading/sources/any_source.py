"""Reads any source for grading: a record's folder, a readings table or a trace table, by its content."""

from __future__ import annotations

from pathlib import Path

from grading.measurement import ErrorModel, Measurement, SourceError
from grading.record.format import RUN_FILE
from grading.sources.recorded import reduce_record
from grading.sources.sheet import read_sheet
from grading.sources.tables import is_readings, load_readings
from grading.sources.traces import is_trace, load_trace


def load_source(path: Path, errors: ErrorModel | None = None) -> Measurement:
    """Read a source and reduce it to settled outputs of N cells at K steps.

    Args:
        path: a record's folder, or a CSV file.
        errors: uncertainties of the instruments. A record has its own and these replace them; a table has
            none, and the stated default set is used when this is None.

    Raises:
        SourceError: what is wrong with the source, one line for each fault, naming file, line and column.
    """
    if not path.exists():
        raise SourceError(f"{path}: not found; a source is a record's folder or a CSV table")
    if path.is_dir():
        if not (path / RUN_FILE).exists() and (record := next(path.glob(f"*/{RUN_FILE}"), None)) is not None:
            raise SourceError(
                f"{path}: a folder of records, not one record; name one, such as {record.parent}"
            )
        return reduce_record(path, errors)
    sheet = read_sheet(path)
    if is_readings(sheet):
        return load_readings(sheet, path, errors)
    if is_trace(sheet):
        return load_trace(sheet, path, errors)
    if {"cell", "step", "gas"} <= set(sheet.names):
        raise SourceError(f"{sheet.file} line 1: looks like a readings table, but column mv is missing")
    if {"temperature_c", "oxygen_fraction"} <= set(sheet.names) and "cell" not in sheet.names:
        raise SourceError(f"{sheet.file} line 1: looks like a trace table, but column t_s is missing")
    raise SourceError(
        f"{sheet.file} line 1: neither a readings table (cell, step, gas, direction, pressure_bar, "
        "oxygen_fraction, temperature_c, mv) nor a trace table (t_s, pressure_bar, temperature_c, "
        "oxygen_fraction and a column for every cell)"
    )
