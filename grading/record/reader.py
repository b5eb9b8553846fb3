"""Reads the record of a run, whole or torn, and says what is wrong with it.

A line that cannot be trusted is left out and named; nothing is repaired, filled in or guessed.
"""

from __future__ import annotations

import hashlib
import json
from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from grading.measurement import FloatArray, IntArray, SourceError
from grading.record.event_lines import BadEvent, Event, read_event
from grading.record.format import (
    END_FILE,
    EVENTS_FILE,
    MOST_SEGMENTS,
    OK,
    RUN_FILE,
    SAMPLES_FILE,
    STATUSES,
    columns,
    end_text,
    segment_name,
)
from grading.record.run_file import BadEnd, EndFile, RunFile, parse_end, parse_run

WordArray = NDArray[np.str_]

_NUMBER_BYTES = b"0123456789.-"


@dataclass(frozen=True, slots=True)
class Column:
    """One measured quantity over the rows of a record, shape (R,) or (R, S) for the sockets.

    Attributes:
        value: NaN where missing.
        stamp_s: when each value was taken, on the clock of `t_s`; NaN where nothing was scheduled.
        status: the status word; empty where nothing was scheduled.
    """

    value: FloatArray
    stamp_s: FloatArray
    status: WordArray

    @property
    def missing(self) -> int:
        """How many readings were due and failed."""
        return int(np.count_nonzero((self.status != "") & (self.status != OK)))


@dataclass(frozen=True, slots=True)
class Record:
    """A record as read: R trusted rows, S sockets.

    Attributes:
        run: `run.json`.
        t_s: from the start of the run, shape (R,), strictly growing.
        pressure_bar, pressure_b_bar, barometer_bar, temperature_c: shape (R,).
        output_mv: shape (R, S), sockets in the order of `sockets`.
        state, phase: shape (R,).
        step: shape (R,); -1 between steps.
        events: those whose CRC-32 matches, in order.
        end: `end.json`, or None for an interrupted run.
        refused_rows: rows of `samples.csv` that could not be trusted, the torn last one among them.
        problems: one sentence for each, with file and line.
        damaged: True when something in the record is not as the run wrote it. A torn last line is what an
            interruption leaves, and is not damage.
    """

    path: Path
    run: RunFile
    sockets: tuple[int, ...]
    t_s: FloatArray
    pressure_bar: Column
    pressure_b_bar: Column
    barometer_bar: Column
    temperature_c: Column
    output_mv: Column
    state: WordArray
    phase: WordArray
    step: IntArray
    events: tuple[Event, ...]
    end: EndFile | None
    refused_rows: int
    problems: tuple[str, ...]
    damaged: bool
    sha256: str

    def of_kind(self, *kinds: str) -> tuple[Event, ...]:
        """Return the events of these kinds, in order."""
        return tuple(event for event in self.events if event.kind in kinds)


def is_record(path: Path) -> bool:
    """Whether `path` is a record's folder, by its `run.json`."""
    return (path / RUN_FILE).is_file()


def check_record(path: Path) -> list[str]:
    """Return one sentence for each thing in a record that is not as the run wrote it; empty when sound.

    Raises:
        SourceError: the folder holds no record that this program can read.
    """
    record = read_record(path)
    found = list(record.problems)
    if record.end is None:
        if not (path / END_FILE).is_file():
            found.append(f"{END_FILE}: missing, the run was interrupted")
        behind = len(record.t_s) - max((e.data["rows"] for e in record.of_kind("checkpoint")), default=0)
        if behind > 0:
            found.append(f"{SAMPLES_FILE}: the last {behind} rows are covered by no checkpoint")
    return found


def read_record(path: Path) -> Record:
    """Read a record, whole or interrupted, of any format version.

    Raises:
        SourceError: there is no `run.json`, it cannot be read, it is of a version from the future, or a
            member of it is missing or wrong.
    """
    problems: list[str] = []
    run_bytes = _read(path / RUN_FILE)
    run = parse_run(path / RUN_FILE, run_bytes)
    sockets = run.sockets
    samples = _lines(path, SAMPLES_FILE)
    events_lines = _lines(path, EVENTS_FILE)
    for segments in (samples, events_lines):
        problems.extend(
            f"{part.name}: the last line is not finished and was left out" for part in segments if part.torn
        )
    torn = sum(part.torn for part in samples)
    soft = len(problems)
    table = _Table(columns(sockets))
    for part in samples:
        table.take(part)
    table.drop_backward_rows()
    problems.extend(table.problems)
    located = _events(events_lines, problems)
    events = [event for _, event in located]
    problems.extend(_chain_problems(run_bytes, samples, events_lines, located))
    end = _end(path, problems)
    if end is not None:
        problems.extend(_end_problems(path, end, samples, events_lines, events))
    return Record(
        path=path,
        run=run,
        sockets=sockets,
        t_s=table.numbers("t_s"),
        pressure_bar=table.column("pressure", "bar"),
        pressure_b_bar=table.column("pressure_b", "bar"),
        barometer_bar=table.column("barometer", "bar"),
        temperature_c=table.column("temperature", "c"),
        output_mv=table.socket_columns(sockets),
        state=table.words("state"),
        phase=table.words("phase"),
        step=table.steps(),
        events=tuple(events),
        end=end,
        refused_rows=table.refused + torn,
        problems=tuple(problems),
        damaged=len(problems) > soft,
        sha256=_sha256_of(path),
    )


@dataclass(frozen=True, slots=True)
class _Part:
    """One segment of a file of lines; `lines` are the finished ones, without their newline."""

    name: str
    lines: list[bytes]
    torn: bool


class _Table:
    """Collects the rows of all segments of `samples.csv` and turns them into columns."""

    def __init__(self, names: tuple[str, ...]) -> None:
        self._names = names
        self._index = {name: i for i, name in enumerate(names)}
        self._rows: list[list[bytes]] = []
        self._places: list[tuple[str, int]] = []
        self._refused: list[tuple[str, int, str]] = []
        self._by_column: list[tuple[bytes, ...]] | None = None
        self.problems: list[str] = []

    @property
    def refused(self) -> int:
        return len(self._refused)

    def take(self, part: _Part) -> None:
        """Take the rows of one segment; rows that the format does not allow are refused."""
        if not part.lines:
            return
        if part.lines[0] != ",".join(self._names).encode("ascii"):
            self.problems.append(f"{part.name} line 1: the header does not fit this record's sockets")
        rows: list[list[bytes]] = []
        places: list[tuple[str, int]] = []
        for number, line in enumerate(part.lines[1:], start=2):
            fields = line.split(b",")
            if len(fields) != len(self._names) or b"\0" in line:
                self._refused.append((part.name, number, self._shape_fault(line, fields)))
            else:
                rows.append(fields)
                places.append((part.name, number))
        if rows and not self._all_sound(rows):
            faults = [self._row_fault(fields) for fields in rows]
            self._refused.extend(
                (*place, fault) for place, fault in zip(places, faults, strict=True) if fault is not None
            )
            sound = [i for i, fault in enumerate(faults) if fault is None]
            rows, places = [rows[i] for i in sound], [places[i] for i in sound]
        self._rows.extend(rows)
        self._places.extend(places)

    def drop_backward_rows(self) -> None:
        """Refuse the fewest rows so that time increases, and word all refusals."""
        time_at = self._index["t_s"]
        t_s = [float(fields[time_at]) for fields in self._rows]
        if any(b <= a for a, b in pairwise(t_s)):
            kept = _longest_growing(t_s)
            dropped = sorted(set(range(len(t_s))) - set(kept))
            self._refused.extend((*self._places[i], "time runs backwards here") for i in dropped)
            self._rows = [self._rows[i] for i in kept]
            self._places = [self._places[i] for i in kept]
        self.problems.extend(_in_words(sorted(self._refused)))
        self._by_column = list(zip(*self._rows, strict=True)) or [()] * len(self._names)

    def words(self, name: str) -> WordArray:
        """One column as text, shape (R,)."""
        return np.array([field.decode("ascii") for field in self._fields(name)], dtype=np.str_)

    def numbers(self, name: str) -> FloatArray:
        """One column as numbers, shape (R,); NaN where it is blank."""
        fields = self._fields(name)
        return np.array([float(field) if field else np.nan for field in fields], dtype=np.float64)

    def steps(self) -> IntArray:
        """The step column, shape (R,); -1 where it is blank."""
        return np.array([int(field) if field else -1 for field in self._fields("step")], dtype=np.int64)

    def column(self, stem: str, unit: str) -> Column:
        """A quantity with its status and, where it has one, its stamp; shapes (R,)."""
        t_s, status = self.numbers("t_s"), self.words(f"{stem}_status")
        offset = f"{stem}_offset_s"
        stamp_s = t_s + self.numbers(offset) if offset in self._index else np.where(status == "", np.nan, t_s)
        return Column(self.numbers(f"{stem}_{unit}"), stamp_s, status)

    def socket_columns(self, sockets: tuple[int, ...]) -> Column:
        """The outputs of all sockets side by side; shapes (R, S)."""
        if not sockets:
            empty = np.empty((len(self._rows), 0))
            return Column(empty, empty, empty.astype(np.str_))
        each = [self.column(f"socket{n}", "mv") for n in sockets]
        return Column(
            np.column_stack([c.value for c in each]),
            np.column_stack([c.stamp_s for c in each]),
            np.column_stack([c.status for c in each]),
        )

    def _fields(self, name: str) -> tuple[bytes, ...]:
        if self._by_column is None:
            raise RuntimeError("the columns are requested before all rows are taken")
        return self._by_column[self._index[name]]

    def _shape_fault(self, line: bytes, fields: list[bytes]) -> str:
        if b"\0" in line:
            return "NUL bytes instead of a row"
        return f"{len(fields)} fields instead of {len(self._names)}"

    def _all_sound(self, rows: list[list[bytes]]) -> bool:
        """Whether every row is allowed; checked by whole columns, for speed."""
        by_column = dict(zip(self._names, zip(*rows, strict=True), strict=True))
        for name, fields in by_column.items():
            if name.endswith("_status"):
                stem = name.removesuffix("_status")
                value = by_column[next(n for n in self._value_names(stem) if n in by_column)]
                offset = by_column.get(f"{stem}_offset_s")
                if not {field.decode("latin-1") for field in set(fields)} <= {"", *STATUSES}:
                    return False
                if [field == b"ok" for field in fields] != [bool(field) for field in value]:
                    return False
                if offset and [bool(field) for field in fields] != [bool(field) for field in offset]:
                    return False
            elif name in ("state", "phase"):
                if not all(field.isascii() for field in set(fields)):
                    return False
            elif not _all_numbers(fields, whole=name == "step") or (name == "t_s" and b"" in fields):
                return False
        return True

    def _row_fault(self, fields: list[bytes]) -> str | None:
        """What is wrong with one row of the right length, or None."""
        row = dict(zip(self._names, fields, strict=True))
        for name, field in row.items():
            shown = field.decode("latin-1")
            if name.endswith("_status"):
                stem = name.removesuffix("_status")
                value = next(row[n] for n in self._value_names(stem) if n in row)
                if shown not in ("", *STATUSES):
                    return f"{name} {shown!r} is not a status"
                if (shown == OK) != bool(value) or bool(shown) != bool(row.get(f"{stem}_offset_s", shown)):
                    return f"{name} {shown!r} does not fit its value"
            elif name in ("state", "phase"):
                if not field.isascii():
                    return f"{name} {shown!r} is not a plain word"
            elif not _all_numbers((field,), whole=name == "step") or (name == "t_s" and not field):
                return f"{name} {shown!r} is not a number"
        return None

    @staticmethod
    def _value_names(stem: str) -> tuple[str, str, str]:
        return f"{stem}_bar", f"{stem}_mv", f"{stem}_c"


def _all_numbers(fields: tuple[bytes, ...], *, whole: bool) -> bool:
    allowed = b"0123456789" if whole else _NUMBER_BYTES
    if b"".join(fields).translate(None, allowed):
        return False
    try:
        for field in fields:
            if field:
                float(field)
    except ValueError:
        return False
    return True


def _longest_growing(values: list[float]) -> list[int]:
    """Indices of a longest strictly growing run of values (patience sorting, O(n log n))."""
    tails: list[float] = []
    tail_at: list[int] = []
    before: list[int] = []
    for i, value in enumerate(values):
        place = bisect_left(tails, value)
        before.append(tail_at[place - 1] if place else -1)
        if place == len(tails):
            tails.append(value)
            tail_at.append(i)
        else:
            tails[place] = value
            tail_at[place] = i
    kept: list[int] = []
    at = tail_at[-1] if tail_at else -1
    while at >= 0:
        kept.append(at)
        at = before[at]
    return kept[::-1]


def _in_words(refused: list[tuple[str, int, str]]) -> list[str]:
    """One sentence for each stretch of neighbouring lines refused for the same reason."""
    sentences: list[str] = []
    at = 0
    while at < len(refused):
        name, first, why = refused[at]
        last = first
        while at + 1 < len(refused) and refused[at + 1] == (name, last + 1, why):
            last += 1
            at += 1
        where = f"line {first}" if first == last else f"lines {first} to {last}"
        sentences.append(f"{name} {where}: {why}; left out")
        at += 1
    return sentences


def _read(path: Path) -> bytes:
    try:
        # A pipe would wait for ever, and a device never ends.
        if path.exists() and not path.is_file():
            raise SourceError(f"{path}: is not a file that a run writes")
        return path.read_bytes()
    except OSError as error:
        raise SourceError(f"{path}: {error.strerror}; a record's folder holds {path.name}") from error


def _lines(path: Path, file: str) -> list[_Part]:
    parts: list[_Part] = []
    for segment in range(1, MOST_SEGMENTS + 1):
        name = segment_name(file, segment)
        if not (path / name).is_file():
            break
        *lines, rest = _read(path / name).split(b"\n")
        parts.append(_Part(name, lines, bool(rest)))
    return parts


def _events(parts: list[_Part], problems: list[str]) -> list[tuple[int, Event]]:
    """The trusted events, each with the number of its line among those of all segments."""
    located: list[tuple[int, Event]] = []
    before = 0
    for part in parts:
        for number, line in enumerate(part.lines, start=1):
            try:
                event = read_event(line)
            except BadEvent as error:
                problems.append(f"{part.name} line {number}: {error}; left out")
                continue
            expected = located[-1][1].n + 1 if located else 1
            if event.n != expected:
                problems.append(f"{part.name} line {number}: event {event.n} where {expected} is expected")
            located.append((before + number - 1, event))
        before += len(part.lines)
    return located


def _chain_problems(
    run_bytes: bytes, samples: list[_Part], event_parts: list[_Part], located: list[tuple[int, Event]]
) -> list[str]:
    """Check every checkpoint against the rows and events that it covers."""
    problems: list[str] = []
    row_lines = [line for part in samples for line in part.lines[1:]]
    event_lines = [line for part in event_parts for line in part.lines]
    chain = hashlib.sha256(run_bytes).hexdigest()
    rows, since = 0, 0
    for at, event in located:
        if event.kind != "checkpoint":
            continue
        data = event.data
        if data["previous"] != chain:
            problems.append(
                f"{RUN_FILE} is not the file that the run wrote"
                if since == 0
                else f"{EVENTS_FILE}: the checkpoint at {event.t_s:g} s does not follow the one before it"
            )
        digest = hashlib.sha256(data["previous"].encode())
        for part in (row_lines[rows : data["rows"]], event_lines[since:at]):
            for covered in part:
                digest.update(covered + b"\n")
        if digest.hexdigest() != data["sha256"] or len(row_lines) < data["rows"]:
            problems.append(
                f"{SAMPLES_FILE} rows {rows + 1} to {data['rows']} or the events beside them are not what "
                f"the run wrote: the checkpoint at {event.t_s:g} s does not match"
            )
        chain, rows, since = data["sha256"], data["rows"], at
    return problems


def _end(path: Path, problems: list[str]) -> EndFile | None:
    file = path / END_FILE
    if not file.is_file():
        return None
    try:
        return parse_end(_read(file))
    except BadEnd as error:
        problems.append(f"{END_FILE}: {error}; the run counts as interrupted")
        return None


def _end_problems(
    path: Path, end: EndFile, samples: list[_Part], event_parts: list[_Part], events: list[Event]
) -> list[str]:
    """Check `end.json` against the files it lists and against the run's last event."""
    problems: list[str] = []
    for name, sha256 in end.files.items():
        file = path / str(name)
        if not file.is_file():
            problems.append(f"{name}: missing, and {END_FILE} lists it")
        elif hashlib.sha256(file.read_bytes()).hexdigest() != sha256:
            problems.append(
                f"{name} is not the file that the run closed: its SHA-256 differs from {END_FILE}"
            )
    listed = {RUN_FILE, *(part.name for part in (*samples, *event_parts))}
    if listed != set(end.files):
        problems.append(f"{END_FILE}: it lists {sorted(end.files)}, and the folder holds {sorted(listed)}")
    last = events[-1] if events else None
    said = (last.kind, last.data.get("how"), last.data.get("why"), last.utc) if last else ()
    counts = (sum(len(p.lines[1:]) for p in samples), sum(len(p.lines) for p in event_parts))
    if said != ("end", end.how, end.why, end.ended_utc) or counts != (end.rows, end.events):
        problems.append(f"{END_FILE}: it does not agree with the last event on how the run ended")
    written = _read(path / END_FILE)
    if end_text(json.loads(written)) != written:
        problems.append(f"{END_FILE}: not as a run writes it")
    return problems


def _sha256_of(path: Path) -> str:
    """SHA-256 for the whole record: of `end.json`, which covers the other files, or of all files."""
    if (path / END_FILE).is_file():
        return hashlib.sha256(_read(path / END_FILE)).hexdigest()
    digest = hashlib.sha256()
    for file in (RUN_FILE, SAMPLES_FILE, EVENTS_FILE):
        for segment in range(1, MOST_SEGMENTS + 1):
            piece = path / segment_name(file, segment)
            if piece.is_file() and (segment == 1 or file != RUN_FILE):
                digest.update(_read(piece))
    return digest.hexdigest()
