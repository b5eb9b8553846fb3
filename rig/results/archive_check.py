"""Proving a folder of records: what is not as its run wrote it."""

from __future__ import annotations

from pathlib import Path

from grading.measurement import SourceError
from grading.record.format import RUN_FILE
from grading.record.reader import check_record
from grading.strict_toml import FileError


def check_archive(folder: Path) -> dict[Path, tuple[str, ...]]:
    """Return one entry a record, oldest name first, with a sentence for everything wrong with it.

    Args:
        folder: one record, or a folder of records at any depth.

    Raises:
        FileError: when there is no such folder or no record in it.
    """
    if not folder.is_dir():
        raise FileError(f"{folder}: no such folder")
    records = sorted(file.parent for file in folder.rglob(RUN_FILE))
    if not records:
        raise FileError(f"{folder}: holds no record (a folder with {RUN_FILE} in it)")
    return {record: _problems(record) for record in records}


def _problems(record: Path) -> tuple[str, ...]:
    try:
        return tuple(check_record(record))
    except SourceError as error:
        return (str(error),)
