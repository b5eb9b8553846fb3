"""Cells that were decompressed fast rest at ambient pressure before they are tested again.

Gas dissolved under pressure leaves them slowly, as bubbles: they rest for as long as they were under
pressure, and for at least ten minutes (judgement, no source).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from grading.measurement import SourceError
from grading.record.event_lines import Event
from grading.record.peek import Peek, peek

LEAST_REST_S = 600.0
_LONGEST_AGO = timedelta(hours=12)


def rest_s(under_pressure_s: float) -> float:
    """Return how long cells rest after so long under pressure, in seconds."""
    return max(LEAST_REST_S, under_pressure_s)


def still_resting(records: Path, serials: Iterable[str], now: datetime) -> dict[str, datetime]:
    """Return which of these cells still have to rest, and until when, by the newest records in a folder.

    Records that cannot be read, and damaged events, are skipped.
    """
    wanted, found = set(serials), dict[str, datetime]()
    if not records.is_dir():
        return found
    for folder in sorted((path for path in records.iterdir() if path.is_dir()), reverse=True):
        try:
            seen = peek(folder)
            if now - datetime.fromisoformat(seen.run.started_utc) > _LONGEST_AGO:
                break
            concerned = wanted & {cell.cell for cell in seen.run.cells}
            until = _rest_of(seen) if concerned else None
        except (OSError, SourceError):
            continue
        if until is not None and until > now:
            for serial in concerned:
                found[serial] = max(until, found.get(serial, until))
    return found


def _rest_of(seen: Peek) -> datetime | None:
    """When the cells of a record may be tested again; None where they need not wait.

    A run that never ended after gas was on left the pot to vent at full speed.
    """
    last, gas = None, False
    for event in seen.events("rest", "state"):
        last = event if event.kind == "rest" else last
        gas = gas or (event.kind == "state" and event.data["to"] == "STARTING")
    if last is not None:
        return _later(last, float(last.data["rest_s"]))
    if seen.end is not None or not gas:
        return None
    (newest,) = deque(seen.events(), maxlen=1)
    return _later(newest, LEAST_REST_S)


def _later(event: Event, seconds: float) -> datetime:
    return datetime.fromisoformat(event.utc).astimezone(UTC) + timedelta(seconds=seconds)
