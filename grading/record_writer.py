"""Writes the record of a run as it happens, so that whatever breaks, what was read is on disk."""

from __future__ import annotations

import hashlib
import json
import os
import secrets
import time
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from grading.record_format import (
    CHECKPOINT_EVERY_S,
    END_FILE,
    END_SCHEMA,
    ENDINGS,
    EVENTS_FILE,
    MOST_SEGMENTS,
    RUN_FILE,
    RUN_SCHEMA,
    SAMPLES_FILE,
    RunHeader,
    SampleRow,
    columns,
    end_text,
    event_line,
    row_line,
    segment_name,
    utc_text,
)

SYNC_EVERY_S = 1.0
SHARED_SYNC_S = 0.05
SHARING_KINDS = frozenset({"valve"})


class RecordWriteError(OSError):
    """Nothing more can be written into the record; the run must be made safe and ended."""


class RecordWriter:
    """The one writer of one record. Not for use from several threads.

    Every line reaches the operating system before the call returns, so that a killed process loses
    nothing; a sync to the disk follows at once for an event (those of `SHARING_KINDS` that come within
    `SHARED_SYNC_S` of real time share one) and at least once a second of real time for samples.

    Attributes:
        path: the record's folder.
        record_id: the folder's name.
        longest_sync_s: the longest that one sync has taken so far, in seconds.
    """

    def __init__(
        self, path: Path, sockets: tuple[int, ...], started: datetime, run_json: bytes, sync: bool
    ) -> None:
        self.path = path
        self.record_id = path.name
        self.longest_sync_s = 0.0
        self._sync = sync
        self._sockets = sockets
        self._started = started
        self._chain = hashlib.sha256(run_json).hexdigest()
        self._rows_since = hashlib.sha256(self._chain.encode())
        self._events_since: list[bytes] = []
        self._next_checkpoint_s = CHECKPOINT_EVERY_S
        self._last_t_s = 0.0
        self._rows = 0
        self._events = 0
        self._event_waits = False
        self._last_sync = time.monotonic()
        header = (",".join(columns(sockets)) + "\n").encode("ascii")
        self._samples = _Segments(path, SAMPLES_FILE, header)
        self._events_file = _Segments(path, EVENTS_FILE, b"")

    @classmethod
    def create(
        cls,
        root: Path,
        header: RunHeader | Mapping[str, Any],
        started: datetime,
        *,
        suffix: str | None = None,
        sync: bool = True,
    ) -> RecordWriter:
        """Make the record's folder under `root` and put `run.json` in it, synced with its folders.

        Args:
            root: folder of records; made when it is not there.
            header: what `run.json` says; as a mapping, the same members as `RunHeader.as_dict`.
            started: timezone-aware start of the run; names the folder.
            suffix: four hex digits that end the folder's name; drawn at random when None.
            sync: False only for simulated runs by the thousand whose files are read and thrown away.

        Raises:
            OSError: the folder or the file cannot be made.
        """
        data = header.as_dict() if isinstance(header, RunHeader) else dict(header)
        moment = started.astimezone(UTC)
        record_id = f"{moment:%Y-%m-%dT%H%M%SZ}-{suffix or secrets.token_hex(2)}"
        run = {"schema": RUN_SCHEMA, "record_id": record_id, "started_utc": utc_text(started), **data}
        text = json.dumps(run, ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"
        sockets = tuple(int(n) for n in data["sockets"])
        root.mkdir(parents=True, exist_ok=True)
        path = root / record_id
        path.mkdir()
        _write_whole(path / RUN_FILE, text, sync)
        writer = cls(path, sockets, started, text, sync)
        writer._checkpoint(0.0, started)
        writer.sync()
        if sync:
            for folder in (path, root, root.parent):
                _sync_folder(folder)
        return writer

    def sample(self, row: SampleRow) -> None:
        """Append one reading set.

        Raises:
            RecordWriteError: neither the file nor a new segment takes it.
            ValueError: the row is not one that the format can hold.
        """
        line = row_line(row, self._sockets)
        self._append_samples(line)
        self._rows += 1
        self._last_t_s = row.t_s
        if row.t_s >= self._next_checkpoint_s:
            self._next_checkpoint_s = CHECKPOINT_EVERY_S * (row.t_s // CHECKPOINT_EVERY_S + 1)
            self._checkpoint(row.t_s, self._utc_at(row.t_s))
        self._sync_when_due()

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        """Append one event; `data` is anything that JSON can hold.

        Raises:
            RecordWriteError: neither the file nor a new segment takes it.
            ValueError: `data` holds a member that the format keeps for itself, or NaN.
        """
        self._last_t_s = t_s
        self._append_event(kind, t_s, utc, data)
        if kind in SHARING_KINDS:
            self._sync_when_due()
        else:
            self.sync()

    def sync(self) -> None:
        """Put everything written so far on the disk now."""
        if self._sync:
            begun = time.monotonic()
            try:
                self._events_file.sync()
                self._samples.sync()
            except OSError as error:
                raise RecordWriteError(error.errno, f"{self.path}: {error.strerror}") from error
            self._last_sync = time.monotonic()
            self.longest_sync_s = max(self.longest_sync_s, self._last_sync - begun)
        self._event_waits = False

    def end(self, how: str, why: str, utc: datetime, t_s: float | None = None) -> None:
        """Write the last checkpoint, the end event and `end.json`, sync all of it and close.

        Args:
            how: one of `ENDINGS`.
            why: one sentence.
            utc: when it ended.
            t_s: the same on the run's own clock; that of the last line when None.
        """
        if how not in ENDINGS:
            raise ValueError(f"a run ends {', '.join(ENDINGS)}; not {how!r}")
        t_s = self._last_t_s if t_s is None else t_s
        self._checkpoint(t_s, utc)
        self._append_event("end", t_s, utc, {"how": how, "why": why})
        self.sync()
        self.close()
        names = [RUN_FILE, *self._samples.names, *self._events_file.names]
        end = {
            "schema": END_SCHEMA,
            "how": how,
            "why": why,
            "ended_utc": utc_text(utc),
            "files": {name: hashlib.sha256((self.path / name).read_bytes()).hexdigest() for name in names},
            "rows": self._rows,
            "events": self._events,
        }
        waiting = self.path / (END_FILE + ".part")
        _write_whole(waiting, end_text(end), self._sync)
        waiting.replace(self.path / END_FILE)
        if self._sync:
            _sync_folder(self.path)

    def close(self) -> None:
        """Let go of the files without ending the record; what is on disk reads as interrupted."""
        self._samples.close()
        self._events_file.close()

    def _sync_when_due(self) -> None:
        allowed_s = SHARED_SYNC_S if self._event_waits else SYNC_EVERY_S
        if time.monotonic() - self._last_sync >= allowed_s:
            self.sync()

    def _utc_at(self, t_s: float) -> datetime:
        return self._started + timedelta(seconds=t_s)

    def _append_samples(self, line: bytes) -> None:
        moved = self._samples.append(line)
        self._rows_since.update(line)
        if moved is not None:
            self._append_event("segment", self._last_t_s, self._utc_at(self._last_t_s), moved)

    def _append_event(self, kind: str, t_s: float, utc: datetime, data: Mapping[str, Any]) -> None:
        self._events += 1
        line = event_line(self._events, kind, t_s, utc, data)
        moved = self._events_file.append(line)
        self._events_since.append(line)
        self._event_waits = True
        if moved is not None:
            self._append_event("segment", t_s, utc, moved)

    def _checkpoint(self, t_s: float, utc: datetime) -> None:
        previous = self._chain
        for line in self._events_since:
            self._rows_since.update(line)
        self._chain = self._rows_since.hexdigest()
        self._rows_since = hashlib.sha256(self._chain.encode())
        self._events_since = []
        data = {"rows": self._rows, "sha256": self._chain, "previous": previous}
        self._append_event("checkpoint", t_s, utc, data)


class _Segments:
    """One file of lines, going on in a new file after an append that failed."""

    def __init__(self, folder: Path, file: str, header: bytes) -> None:
        self._folder = folder
        self._file = file
        self._header = header
        self._fd = -1
        self.names: list[str] = []
        self._open_next()

    def append(self, line: bytes) -> dict[str, str] | None:
        """Write one line; return what to say of it when it went into a new segment."""
        if self._fd < 0:
            raise RecordWriteError(f"{self._folder / self._file} is closed")
        try:
            _write_all(self._fd, line)
        except OSError as error:
            os.close(self._fd)
            self._fd = -1
            return self._go_on(line, error)
        return None

    def sync(self) -> None:
        if self._fd >= 0:
            os.fsync(self._fd)

    def close(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def _go_on(self, line: bytes, error: OSError) -> dict[str, str]:
        left = self.names[-1]
        try:
            if len(self.names) >= MOST_SEGMENTS:
                raise error
            self._open_next()
            _write_all(self._fd, line)
        except OSError as again:
            self.close()
            where = self._folder / self.names[-1]
            raise RecordWriteError(again.errno, f"{where}: {again.strerror}") from again
        return {"file": self.names[-1], "after": left, "why": error.strerror or str(error)}

    def _open_next(self) -> None:
        name = segment_name(self._file, len(self.names) + 1)
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL
        self._fd = os.open(self._folder / name, flags, 0o644)
        self.names.append(name)
        if self._header:
            _write_all(self._fd, self._header)


def _write_all(fd: int, data: bytes) -> None:
    written = os.write(fd, data)
    while written < len(data):
        written += os.write(fd, data[written:])


def _write_whole(path: Path, data: bytes, sync: bool) -> None:
    fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
    try:
        _write_all(fd, data)
        if sync:
            os.fsync(fd)
    finally:
        os.close(fd)


def _sync_folder(folder: Path) -> None:
    if os.name == "posix":
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
