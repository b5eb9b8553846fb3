"""The record of one run on disk, format version 1: names, columns, and how one line is written.

A record is a folder of plain files:

- `run.json`: the plan of the run and its equipment; written and synced before any pressure changes.
- `samples.csv`: one row for each reading set, appended as read.
- `events.ndjson`: one JSON object on each line, each ending in the CRC-32 of its own text.
- `end.json`: written last: how the run ended and the SHA-256 of the files above. Missing: interrupted.

At the start and once a minute a `checkpoint` event carries the number of rows so far and a SHA-256 over,
in this order, the SHA-256 of the checkpoint before (as hex text; that of `run.json` for the first), the
rows appended since, and the event lines appended since, the earlier checkpoint's own line among them.

When an append fails, the file is never appended to again. The rows continue in `samples.2.csv`
(`events.2.ndjson`), which begins with its own header row.
"""

from __future__ import annotations

import hashlib
import json
import platform
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from importlib import metadata
from typing import Any, NamedTuple

from grading.measurement import ErrorModel
from grading.results import CellInfo, InstrumentLine

RUN_SCHEMA = "leadline.record/1"
END_SCHEMA = "leadline.end/1"
RUN_FILE = "run.json"
SAMPLES_FILE = "samples.csv"
EVENTS_FILE = "events.ndjson"
END_FILE = "end.json"

OK = "ok"
STATUSES = ("ok", "over", "under", "no_value", "timeout", "bad_reply", "link_down")
ENDINGS = ("completed", "stopped", "tripped", "aborted")
CHECKPOINT_EVERY_S = 60.0
MOST_SEGMENTS = 9

HEAD_COLUMNS = (
    "t_s",
    "pressure_bar",
    "pressure_offset_s",
    "pressure_status",
    "pressure_b_bar",
    "pressure_b_offset_s",
    "pressure_b_status",
    "barometer_bar",
    "barometer_status",
    "temperature_c",
    "temperature_status",
    "state",
    "phase",
    "step",
)

_CRC_MARK = b',"crc32":"'
_LARGEST = 1e9


class Reading(NamedTuple):
    """One stamped value, or the word that says why there is none.

    Attributes:
        value: in the unit of the field that holds it; None when `status` is not "ok".
        status: a word of `STATUSES`.
        offset_s: the stamp is the row's `t_s` plus this, in seconds.
    """

    value: float | None
    status: str = OK
    offset_s: float = 0.0


class SampleRow(NamedTuple):
    """One reading set. None (or a socket left out) means: not scheduled in this row.

    Attributes:
        t_s: from the start of the run, in seconds; strictly growing.
        state: state of the machine, a plain word.
        phase: phase of the procedure, a plain word.
        step: number of the step, or None between steps.
        pressure_bar, pressure_b_bar: first and second gauge, absolute.
        barometer_bar, temperature_c: these two have no stamp in the file.
        output_mv: by socket number.
    """

    t_s: float
    state: str
    phase: str
    step: int | None
    pressure_bar: Reading | None
    pressure_b_bar: Reading | None
    barometer_bar: Reading | None
    temperature_c: Reading | None
    output_mv: Mapping[int, Reading]


@dataclass(frozen=True, slots=True)
class FileText:
    """A file that a person edits, kept whole in the record.

    Attributes:
        name: the name stated in it.
        file: where it was read from.
        text: its full text.
        version: the version stated in it, or empty.
    """

    name: str
    file: str
    text: str
    version: str = ""

    def as_dict(self) -> dict[str, str]:
        """Return the form used in `run.json`, with the SHA-256 of the text."""
        sha256 = hashlib.sha256(self.text.encode()).hexdigest()
        return {
            "name": self.name,
            "version": self.version,
            "file": self.file,
            "sha256": sha256,
            "text": self.text,
        }


def this_software() -> dict[str, str]:
    """Name and version of the program that writes, and of the Python it runs on."""
    return {"name": "leadline", "version": metadata.version("leadline"), "python": platform.python_version()}


@dataclass(frozen=True, slots=True)
class RunHeader:
    """Content of `run.json`: everything that grading needs besides the readings and the events.

    Attributes:
        clock: "system", "lockstep" or "direct"; `clock_note` says what that means in words.
        sockets: socket numbers in the order of the columns of `samples.csv`.
        oxygen_fraction, u_oxygen_fraction: of the bottle, dry.
        relative_humidity, u_relative_humidity: of the room, 0 to 1.
        typed_pressure: pressures are read off a dial and typed in by a person.
    """

    operator: str
    place: str
    purpose: str
    clock: str
    clock_note: str
    bench: FileText
    procedure: FileText
    limits: FileText
    cells: tuple[CellInfo, ...]
    sockets: tuple[int, ...]
    instruments: tuple[InstrumentLine, ...]
    error_model: ErrorModel
    oxygen_fraction: float
    u_oxygen_fraction: float
    relative_humidity: float
    u_relative_humidity: float
    pot_volume_l: float
    working_pressure_bar: float
    typed_pressure: bool = False
    software: Mapping[str, str] = field(default_factory=this_software)

    def as_dict(self) -> dict[str, Any]:
        """Return the form used in `run.json`, without schema, record id and start."""
        return {
            "software": dict(self.software),
            "time_base": {"clock": self.clock, "note": self.clock_note},
            "operator": self.operator,
            "place": self.place,
            "purpose": self.purpose,
            "typed_pressure": self.typed_pressure,
            "bench": self.bench.as_dict(),
            "procedure": self.procedure.as_dict(),
            "limits": self.limits.as_dict(),
            "cells": [asdict(cell) for cell in self.cells],
            "sockets": list(self.sockets),
            "gas": {"oxygen_fraction": self.oxygen_fraction, "u_oxygen_fraction": self.u_oxygen_fraction},
            "ambient": {
                "relative_humidity": self.relative_humidity,
                "u_relative_humidity": self.u_relative_humidity,
            },
            "pot": {
                "volume_l": self.pot_volume_l,
                "working_pressure_bar": self.working_pressure_bar,
                "sockets": len(self.sockets),
            },
            "instruments": [asdict(line) for line in self.instruments],
            "error_model": asdict(self.error_model),
        }


def columns(sockets: tuple[int, ...]) -> tuple[str, ...]:
    """Column names of `samples.csv` for these sockets, in order."""
    return HEAD_COLUMNS + tuple(
        name for n in sockets for name in (f"socket{n}_mv", f"socket{n}_offset_s", f"socket{n}_status")
    )


def segment_name(file: str, segment: int) -> str:
    """Name of a segment of `samples.csv` or `events.ndjson`; segment 1 is the file itself."""
    if segment == 1:
        return file
    stem, _, suffix = file.rpartition(".")
    return f"{stem}.{segment}.{suffix}"


def utc_text(moment: datetime) -> str:
    """ISO text of a timezone-aware moment in UTC, to the millisecond, ending in Z."""
    if moment.tzinfo is None:
        raise ValueError("a time of day without its time zone cannot be recorded")
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def row_line(row: SampleRow, sockets: tuple[int, ...]) -> bytes:
    """Return one line of `samples.csv`, newline included.

    Raises:
        ValueError: a value without "ok" or "ok" without a finite value, a status that is not a known
            word, or a state or phase that is not a plain word.
    """
    if not (_plain(row.state) and _plain(row.phase)):
        raise ValueError(f"state {row.state!r} and phase {row.phase!r} must be plain words")
    parts = [
        f"{row.t_s:.3f}",
        _stamped(row.pressure_bar, 6),
        _stamped(row.pressure_b_bar, 6),
        _unstamped(row.barometer_bar, 6),
        _unstamped(row.temperature_c, 3),
        row.state,
        row.phase,
        "" if row.step is None else str(row.step),
    ]
    output_mv = row.output_mv
    parts.extend(_stamped(output_mv.get(n), 5) for n in sockets)
    return (",".join(parts) + "\n").encode("ascii")


def _plain(word: str) -> bool:
    return word.isascii() and (word.replace("_", "").replace("-", "").replace(" ", "").isalnum() or not word)


def _stamped(reading: Reading | None, decimals: int) -> str:
    if reading is None:
        return ",,"
    value, status, offset_s = reading
    if status == OK and value is not None and -_LARGEST < value < _LARGEST:
        return f"{value:.{decimals}f},{offset_s:.3f},ok"
    return f",{offset_s:.3f},{_failed(reading)}"


def _unstamped(reading: Reading | None, decimals: int) -> str:
    if reading is None:
        return ","
    if reading.status == OK and reading.value is not None and -_LARGEST < reading.value < _LARGEST:
        return f"{reading.value:.{decimals}f},ok"
    return f",{_failed(reading)}"


def _failed(reading: Reading) -> str:
    if reading.status == OK or reading.value is not None or reading.status not in STATUSES:
        raise ValueError(f"not a reading: value {reading.value!r} with status {reading.status!r}")
    return str(reading.status)


def event_line(n: int, kind: str, t_s: float, utc: datetime, data: Mapping[str, Any]) -> bytes:
    """Return one line of `events.ndjson`, newline included.

    The last member is the CRC-32 (the zip polynomial) of all the bytes of the line before its comma, as
    eight lower-case hex digits.
    """
    head = {"n": n, "t_s": round(t_s, 3), "utc": utc_text(utc), "kind": kind}
    clash = head.keys() & data.keys()
    if clash or "crc32" in data:
        raise ValueError(f"an event cannot carry a member named {sorted(clash) or 'crc32'}")
    text = json.dumps({**head, **data}, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    body = text.encode()[:-1]
    return body + _CRC_MARK + f'{zlib.crc32(body):08x}"}}\n'.encode()


def parse_event(line: bytes) -> dict[str, Any] | None:
    """Return the event on one line (without its newline), or None when its CRC-32 does not match."""
    body, mark, tail = line.rpartition(_CRC_MARK)
    if not mark or tail != f'{zlib.crc32(body):08x}"}}'.encode():
        return None
    try:
        event = json.loads(body + b"}")
    except (ValueError, RecursionError):
        return None
    return event if isinstance(event, dict) else None


def end_text(end: Mapping[str, Any]) -> bytes:
    """Return the bytes of `end.json`."""
    return json.dumps(end, ensure_ascii=False, indent=1).encode() + b"\n"
