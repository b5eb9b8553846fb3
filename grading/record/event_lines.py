"""One line of `events.ndjson`, read and checked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from pydantic import ValidationError

from grading.record.events import members_of
from grading.record.format import parse_event
from rig_configs.files.checked_toml import dotted, what_is_wrong

_HEAD: Final = ("n", "t_s", "utc", "kind")


@dataclass(frozen=True, slots=True)
class Event:
    """One event of a run; `data` holds the members that its kind carries, and any of a later version."""

    n: int
    t_s: float
    utc: str
    kind: str
    data: dict[str, Any]


class BadEvent(ValueError):
    """A line that cannot be trusted; the message says what is wrong, without file and line."""


def read_event(line: bytes) -> Event:
    """Return the event on one line, given without its newline.

    Raises:
        BadEvent: its CRC-32 does not match, or a member is missing or wrong.
    """
    found = parse_event(line)
    if found is None:
        raise BadEvent("its CRC-32 does not match")
    model = members_of(found)
    try:
        model.model_validate(found)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        kind = f"{found['kind']}: " if isinstance(found.get("kind"), str) else ""
        raise BadEvent(f"{kind}{dotted(first['loc'])}: {what_is_wrong(model, first)}") from None
    n, t_s, utc, kind = (found.pop(name) for name in _HEAD)
    return Event(n, float(t_s), utc, kind, found)
