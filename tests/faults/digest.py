"""A short digest of what a simulated run did, so that two versions of the program can be compared.

What was done counts: every row's readings, every event's kind, time, numbers and code words, how the run
ended and the true pot at the end. Sentences do not count: a text can be corrected without changing a digest.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from grading.record.format import SampleRow


class RunDigest:
    """Takes in rows and events as they come."""

    def __init__(self) -> None:
        self._hash = hashlib.blake2b(digest_size=8)

    def row(self, row: SampleRow) -> None:
        """Take in one row."""
        pressures = (row.pressure_bar, row.pressure_b_bar, row.barometer_bar, row.temperature_c)
        outputs = sorted(row.output_mv.items())
        self.add(row.t_s, row.state, row.phase, row.step, [*map(_reading, pressures)])
        self.add([(socket, _reading(reading)) for socket, reading in outputs])

    def event(self, kind: str, t_s: float, data: Mapping[str, Any]) -> None:
        """Take in one event."""
        self.add(kind, t_s, without_sentences(data))

    def add(self, *facts: Any) -> None:
        """Take in anything whose `repr` is the same whenever it is the same."""
        self._hash.update(repr(facts).encode())

    def hex(self) -> str:
        """Return the digest of all that was taken in."""
        return self._hash.hexdigest()


def without_sentences(data: Any) -> Any:
    """Return plain data with every text of more than one word left out, members in order of name."""
    if isinstance(data, str):
        return "" if " " in data else data
    if isinstance(data, Mapping):
        return [(str(key), without_sentences(value)) for key, value in sorted(data.items(), key=_name)]
    if isinstance(data, (list, tuple)):
        return [without_sentences(value) for value in data]
    return data


def _name(item: tuple[Any, Any]) -> str:
    return str(item[0])


def _reading(reading: Any) -> Any:
    return None if reading is None else tuple(reading)
