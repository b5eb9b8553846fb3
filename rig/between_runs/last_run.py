"""What the previous run on the same rig left: from the rig's memory, and from the folder of records."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path
from typing import Any

from grading.measurement import SourceError
from grading.record.peek import Peek, peek
from rig.between_runs.memory import Remembered
from rig.setup.bench_file import BenchFile, Limits

WATCHED = (
    ("limits", "working_pressure_bar"),
    ("limits", "relief_pressure_bar"),
    ("limits", "stop_pressure_bar"),
    ("limits", "trip_pressure_bar"),
    ("limits", "ramp_bar_per_min"),
    ("limits", "most_gas_l"),
    ("pot", "volume_l"),
    ("pot", "lid_diameter_mm"),
)
"""Keys of a bench file whose changes must be confirmed."""
INTERRUPTED = "INTERRUPTED"
NOT_VENTED = "NOT_VENTED"
_IN_DOUBT = frozenset({NOT_VENTED, "PRESSURE_RISES"})
"""Alarms after which a pot is not known to be safe."""
TRIPPED = "TRIPPED"
"""Code of a trip whose event can no longer be read."""


@dataclass(frozen=True, slots=True)
class Change:
    """One watched key that differs from the previous run, if that is `known`; None: it was not set."""

    key: str
    before: float | None
    now: float | None
    known: bool = True

    @property
    def text(self) -> str:
        """The change in words."""
        before = f"{value_word(self.before)} -> " if self.known else ""
        return f"{self.key} {before}{value_word(self.now)}"


def value_word(value: float | None) -> str:
    """Return a limit as a bench file writes it."""
    return "not set" if value is None else f"{value:g}"


def watched_limits(bench: BenchFile) -> dict[str, float | None]:
    """The watched limits of a bench, by their keys."""
    return {key: getattr(bench.limits if table == "limits" else bench.pot, key) for table, key in WATCHED}


def limit_changes(before: Mapping[str, float | None], now: Mapping[str, float | None]) -> tuple[Change, ...]:
    """What differs between the limits of two runs; a key that the older one lacks counts as not set."""
    return tuple(Change(key, before.get(key), now[key]) for _, key in WATCHED if before.get(key) != now[key])


def last_recorded(records: Path, bench: BenchFile) -> Remembered | None:
    """Return the newest readable record of this bench (by its name) in a folder, or None without one.

    A record of a virtual bench does not count for a real one of the same name, nor the other way round.
    """
    if not records.is_dir():
        return None
    folders = sorted((path for path in records.iterdir() if path.is_dir()), reverse=True)
    # A folder's name says the second of the start; of those begun in one second the records say more.
    for _, begun_together in groupby(folders, key=_second_of_start):
        found = [left for folder in begun_together if (left := _left_by(folder, bench)) is not None]
        if found:
            return max(found, key=lambda left: left.started_utc)
    return None


def _second_of_start(record: Path) -> str:
    return record.name.rpartition("-")[0]


def _left_by(folder: Path, bench: BenchFile) -> Remembered | None:
    """What the run of a record left, or None where it was on another bench or cannot be read."""
    try:
        seen = peek(folder)
        file = tomllib.loads(seen.run.bench.text)
        if seen.run.bench.name != bench.name or ("virtual" in file) is (bench.virtual is None):
            return None
        limits = _limits_of(file)
        code, text = _left(seen)
    except (OSError, SourceError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return Remembered(
        bench=bench.name,
        record=str(folder),
        started_utc=seen.run.started_utc,
        limits=limits,
        how="" if seen.end is None else seen.end.how,
        code=code,
        text=text,
        ended_utc="" if seen.end is None else seen.end.ended_utc,
    )


def latest(remembered: Iterable[Remembered | None]) -> Remembered | None:
    """Return the last run that any memory of a rig knows; of two for one run, the one still to be cleared."""
    known = [one for one in remembered if one is not None]
    return max(known, key=lambda one: (one.started_utc, _is_open(one)), default=None)


def _is_open(left: Remembered) -> bool:
    return not left.cleared and (not left.how or bool(left.code))


def newest(remembered: Remembered | None, recorded: Remembered | None) -> Remembered | None:
    """Return which of the two counts: the rig's memory, unless a recorded run began later."""
    if remembered is None or recorded is None:
        return remembered or recorded
    return recorded if recorded.started_utc > remembered.started_utc else remembered


def _limits_of(file: Mapping[str, Any]) -> dict[str, float | None]:
    """The watched limits in the text of a bench file, with defaults filled in as on reading it."""
    found: dict[str, float | None] = {}
    for table, key in WATCHED:
        default = Limits.model_fields[key].default if table == "limits" else None
        value = file[table].get(key, default)
        found[key] = float(value) if isinstance(value, int | float) else None
    return found


def _left(seen: Peek) -> tuple[str, str]:
    """The code to clear after a run, and what happened; both empty where there is neither."""
    if seen.end is None:
        return "", ""
    events = [
        (event.kind, event.data["code"], event.data.get("text", "")) for event in seen.events("trip", "alarm")
    ]
    doubts = [(code, text) for kind, code, text in events if kind == "alarm" and code in _IN_DOUBT]
    not_vented = [doubt for doubt in doubts if doubt[0] == NOT_VENTED]
    if seen.end.how != "tripped":
        # What never was shown to be vented counts more than a rise that was over.
        return (not_vented or doubts or [("", "")])[-1]
    trips = [(code, text) for kind, code, text in events if kind == "trip"]
    code, text = (trips or not_vented or doubts or [(TRIPPED, seen.end.why)])[0]
    if not_vented and code != NOT_VENTED:
        text = f"{text} At its end the pot was not shown to be vented: {not_vented[-1][1]}"
    return code, text
