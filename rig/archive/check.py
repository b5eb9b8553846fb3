"""Checks a folder of records: whether each is as its run wrote it, and whether its grading follows from it.

A grading kept as `results.json` is derived, and made after the record is closed, so no hash of the record
covers it. It is checked by grading the record once more, under the limits that it names.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from math import isclose
from pathlib import Path
from typing import Any, Final

from grading.measurement import SourceError
from grading.record.format import RUN_FILE
from grading.record.reader import check_record
from grading.results import Grading
from rig_configs.files.checked_toml import FileError

RELATIVE_TOLERANCE: Final = 1e-4
ABSOLUTE_TOLERANCE: Final = 1e-6
"""Numbers this close are the same: the arithmetic of another computer differs in the last bits, and a fit
spreads them. No grade and no printed digit depends on less."""

_WORDS: Final = frozenset({"software_version", "reasons", "diagnosis", "statements", "notes", "reason"})
"""Members that another version of the program may word differently."""


def check_archive(folder: Path, *, limits: str | None = None) -> dict[Path, tuple[str, ...]]:
    """Return one entry for each record, oldest name first, with a sentence for each thing wrong with it.

    Args:
        folder: one record, or a folder of records at any depth.
        limits: name or path of a limits file, for gradings made under limits that neither the record nor
            this program holds.

    Raises:
        FileError: there is no such folder or no record in it, or the limits file is wrong.
    """
    if not folder.is_dir():
        there = "a file; give the folder of a record, or of many"
        what = there if folder.exists() else "no such folder"
        raise FileError(f"{folder}: {what}")
    if limits is not None:
        from grading.judgement.limits import load_limits

        load_limits(limits)
    records = sorted(file.parent for file in folder.rglob(RUN_FILE))
    if not records:
        raise FileError(f"{folder}: holds no record (a folder with {RUN_FILE} in it)")
    return {record: _problems(record, limits) for record in records}


def _problems(record: Path, limits: str | None) -> tuple[str, ...]:
    try:
        found = check_record(record)
    except SourceError as error:
        return (str(error),)
    return (*found, *_grading_problems(record, limits))


def _grading_problems(record: Path, limits: str | None) -> Iterator[str]:
    """Compare the grading kept with a record, if there is one, with a new grading of the record."""
    from grading.document import RESULTS_NAME, from_json

    file = record / RESULTS_NAME
    if not file.exists():
        return
    if not (file.is_file() or file.is_dir()):
        yield f"{RESULTS_NAME}: is not a file that grading writes; {_again(record)}"
        return
    try:
        data = json.loads(file.read_bytes())
        kept = from_json(data, RESULTS_NAME)
    except FileError as error:
        yield f"{error}; {_again(record)}"
        return
    except OSError as error:
        yield f"{RESULTS_NAME}: cannot be read ({error.strerror})"
        return
    except (ValueError, RecursionError) as error:
        yield f"{RESULTS_NAME}: not readable as JSON ({error}); {_again(record)}"
        return
    try:
        fresh = _graded_as(record, kept, limits)
    except (FileError, SourceError) as error:
        yield f"{RESULTS_NAME}: cannot be compared: {error}"
        return
    if fresh is None:
        yield (
            f"{RESULTS_NAME}: graded under limits '{kept.limits_name}' (sha256 {kept.limits_sha256[:12]}), "
            "which neither the record nor this program holds; name their file with --limits"
        )
        return
    difference = _difference(data, kept, fresh)
    if difference:
        yield f"{RESULTS_NAME}: does not follow from the record: {difference}; {_again(record)}"


def _again(record: Path) -> str:
    return f"leadline certify {record} makes it again"


def _graded_as(record: Path, kept: Grading, limits: str | None) -> Grading | None:
    """Grade a record under the limits of a grading; None when they are not found."""
    from rig.archive.regrade import grade_source

    second = record.parent / kept.second_run if kept.second_run else None
    fresh = grade_source(record, second_run=second)
    if fresh.limits_sha256 == kept.limits_sha256:
        return fresh
    for name in (limits, kept.limits_name):
        if name and _limits_sha256(name) == kept.limits_sha256:
            return grade_source(record, limits=name, second_run=second)
    return None


def _limits_sha256(name: str) -> str:
    from grading.judgement.limits import load_limits

    try:
        return load_limits(name).sha256
    except FileError:
        return ""


def _difference(data: dict[str, Any], kept: Grading, fresh: Grading) -> str:
    """The first difference, grades first, and the number of others; empty without one."""
    from grading.document import compare, dumps, to_json

    same_version = kept.software_version == fresh.software_version
    # The name of the source is the path it was read from, which may have changed.
    expected = json.loads(dumps(to_json(fresh))) | {"source": data.get("source")}
    differences = [
        f"{change.cell}: {change.what} is {change.before} in it, {change.after} when graded again"
        for change in compare(kept, fresh)
    ]
    differences += [
        f"{place} is {_short(found)} in it, {_short(value)} when graded again"
        for place, found, value in _differences(data, expected, "", same_version)
    ]
    if not differences:
        return ""
    more = f" (and {len(differences) - 1} more)" if len(differences) > 1 else ""
    if same_version:
        return differences[0] + more
    versions = f"leadline {kept.software_version} made it, and this is {fresh.software_version}"
    return f"{differences[0]}{more}; {versions}"


def _differences(found: Any, expected: Any, place: str, same_version: bool) -> Iterator[tuple[str, Any, Any]]:
    """Compare two JSON documents; for another version, only members that both have, and no wording."""
    if isinstance(found, dict) and isinstance(expected, dict):
        keys = [*expected, *(key for key in found if key not in expected)]
        if not same_version:
            keys = [key for key in keys if key in found and key in expected and key not in _WORDS]
        for key in keys:
            yield from _differences(
                found.get(key, _ABSENT), expected.get(key, _ABSENT), _joined(place, key), same_version
            )
    elif isinstance(found, list) and isinstance(expected, list) and len(found) == len(expected):
        for number, (one, value) in enumerate(zip(found, expected, strict=True)):
            name = value["cell"] if isinstance(value, dict) and "cell" in value else str(number + 1)
            yield from _differences(one, value, _joined(place, name), same_version)
    elif not _same(found, expected):
        yield place, found, expected


_ABSENT: Final = object()


def _joined(place: str, name: str) -> str:
    return f"{place}.{name}" if place else name


def _same(found: Any, expected: Any) -> bool:
    numbers = [type(value) in (int, float) for value in (found, expected)]
    if all(numbers):
        return isclose(found, expected, rel_tol=RELATIVE_TOLERANCE, abs_tol=ABSOLUTE_TOLERANCE)
    return type(found) is type(expected) and bool(found == expected)


def _short(value: Any) -> str:
    text = "nothing" if value is _ABSENT else json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else f"{text[:57]}..."
