"""What the run before on the same bench left behind, read from the folder of records."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.setup.bench_file import BenchFile

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
"""Keys of a bench file that nobody may change in passing."""


@dataclass(frozen=True, slots=True)
class Change:
    """One watched key that is not what it was in the run before; None where it was not set."""

    key: str
    before: float | None
    now: float | None

    @property
    def text(self) -> str:
        """The change in words."""
        return f"{self.key} {_word(self.before)} -> {_word(self.now)}"


@dataclass(frozen=True, slots=True)
class LastRun:
    """The newest record of this bench in a folder.

    Attributes:
        record: its folder's name.
        interrupted: it never ended: what the pot holds is not known.
        first_out: code of the trip that ended it; empty when none did.
        changes: watched keys that have changed since.
    """

    record: str
    interrupted: bool
    first_out: str
    changes: tuple[Change, ...]


def last_run(records: Path, bench: BenchFile) -> LastRun | None:
    """Return what the newest readable record of this bench (by its name) says, or None without one."""
    if not records.is_dir():
        return None
    for folder in sorted((path for path in records.iterdir() if path.is_dir()), reverse=True):
        try:
            run: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
            if run["bench"]["name"] != bench.name:
                continue
            before = tomllib.loads(run["bench"]["text"])
        except (OSError, ValueError, KeyError, TypeError):
            continue
        return LastRun(
            record=folder.name,
            interrupted=not (folder / "end.json").is_file(),
            first_out=_first_out(folder),
            changes=_changes(before, tomllib.loads(bench.text)),
        )
    return None


def _first_out(folder: Path) -> str:
    """Code of the first trip of a run that a trip ended."""
    try:
        if json.loads((folder / "end.json").read_text(encoding="utf-8"))["how"] != "tripped":
            return ""
        for line in (folder / "events.ndjson").read_text(encoding="utf-8").splitlines():
            event = json.loads(line)
            if event["kind"] == "trip":
                return str(event["code"])
    except (OSError, ValueError, KeyError, TypeError):
        pass
    return ""


def _changes(before: dict[str, Any], now: dict[str, Any]) -> tuple[Change, ...]:
    found = []
    for table, key in WATCHED:
        old, new = before.get(table, {}).get(key), now.get(table, {}).get(key)
        if old != new:
            found.append(Change(key, old, new))
    return tuple(found)


def _word(value: float | None) -> str:
    return "not set" if value is None else f"{value:g}"
