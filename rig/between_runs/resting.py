"""Cells that were decompressed fast rest at ambient pressure before they are tested again.

What dissolved under pressure leaves them as bubbles, and slowly: they rest for as long as they were under
pressure, and for ten minutes at least (judgement, no source).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

LEAST_REST_S = 600.0
_LONGEST_AGO = timedelta(hours=12)


def rest_s(under_pressure_s: float) -> float:
    """Return how long cells rest that were under pressure for so long, in seconds."""
    return max(LEAST_REST_S, under_pressure_s)


def still_resting(records: Path, serials: Iterable[str], now: datetime) -> dict[str, datetime]:
    """Return which of these cells still have to rest, and until when, by the newest records in a folder.

    Records that cannot be read, and rests without a sound time, are passed over.
    """
    wanted, found = set(serials), dict[str, datetime]()
    if not records.is_dir():
        return found
    for folder in sorted((path for path in records.iterdir() if path.is_dir()), reverse=True):
        try:
            run = json.loads((folder / "run.json").read_text(encoding="utf-8"))
            if now - datetime.fromisoformat(run["started_utc"]) > _LONGEST_AGO:
                break
            concerned = wanted & {str(cell["cell"]) for cell in run["cells"]}
            until = _rest_of(folder) if concerned else None
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if until is not None and until > now:
            for serial in concerned:
                found[serial] = max(until, found.get(serial, until))
    return found


def _rest_of(folder: Path) -> datetime | None:
    """When the cells of a record may be tested again; None where they need not wait.

    A run that never ended, once gas was on, has left the pot to vent as fast as it could.
    """
    lines = (folder / "events.ndjson").read_text(encoding="utf-8").splitlines()
    for line in reversed(lines):
        if '"kind":"rest"' in line:
            told = json.loads(line)
            return _later(told, float(told["rest_s"]))
    if (folder / "end.json").exists() or not any('"to":"STARTING"' in line for line in lines):
        return None
    return _later(json.loads(lines[-2] if len(lines) > 1 else lines[-1]), LEAST_REST_S)


def _later(event: dict[str, Any], seconds: float) -> datetime:
    return datetime.fromisoformat(event["utc"]).astimezone(UTC) + timedelta(seconds=seconds)
