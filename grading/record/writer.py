"""Writes the record of a run as it happens, so that the readings are on disk whatever fails later."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import secrets
import threading
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from grading.record.format import (
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
from rig_configs.files.whole_file import sync_folder, write_whole

SYNC_EVERY_S = 1.0
SHARED_SYNC_S = 0.05
SHARING_KINDS = frozenset({"valve"})
EVENT_WAIT_S = 0.1


class RecordWriteError(OSError):
    """Nothing more can be written into the record; the run must be made safe and ended."""


class RecordWriter:
    """The one writer of one record. Not for use from several threads.

    What can be lost after a call has returned:

    | call | a killed process loses | a power loss loses |
    |---|---|---|
    | `create`, `sync`, `end` | nothing | nothing |
    | `event` | nothing | nothing, but see below |
    | `event` of `SHARING_KINDS` | nothing | the last `SHARED_SYNC_S` and one sync, real time |
    | `sample` | nothing | the last `SYNC_EVERY_S` and one sync, real time |

    Every line reaches the operating system before the call returns. A separate thread syncs to the disk,
    because a slow disk must not delay the rig, which has to read the pressure. An event waits for its sync,
    but no longer than `EVENT_WAIT_S`. After a wait without success nothing waits until the disk has caught
    up. Valve shots never wait: there are thousands in a run, several a second, and rows show their effect.
    A failed sync is raised by the call that waits for it, otherwise by the next call of any kind. After that
    nothing more is accepted.

    Attributes:
        path: the record's folder.
    """

    def __init__(
        self, path: Path, sockets: tuple[int, ...], started: datetime, run_json: bytes, sync: bool
    ) -> None:
        self.path = path
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
        header = (",".join(columns(sockets)) + "\n").encode("ascii")
        self._samples = _Segments(path, SAMPLES_FILE, header)
        self._events_file = _Segments(path, EVENTS_FILE, b"")
        self._syncer = _Syncer((self._events_file, self._samples)) if sync else None

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
            root: folder of records; made when missing.
            header: content of `run.json`; as a mapping, the same members as `RunHeader.as_dict`.
            started: timezone-aware start of the run; names the folder.
            suffix: four hex digits that end the folder's name; drawn at random when None.
            sync: False only for thousands of simulated runs whose files are read and deleted.

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
        write_whole(path / RUN_FILE, text, sync=sync)
        writer = cls(path, sockets, started, text, sync)
        writer._checkpoint(0.0, started)
        writer.sync()
        if sync:
            for folder in (path, root, root.parent):
                sync_folder(folder)
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

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        """Append one event; `data` is anything that JSON can hold.

        Raises:
            RecordWriteError: neither the file nor a new segment takes it.
            ValueError: `data` holds a member name reserved by the format, or NaN.
        """
        self._last_t_s = t_s
        self._append_event(kind, t_s, utc, data)
        if self._syncer is None:
            return
        if kind in SHARING_KINDS:
            self._syncer.ask(at_once=False)
        else:
            self._syncer.wait(EVENT_WAIT_S)

    def sync(self) -> None:
        """Put everything written so far on the disk, and return when it is there."""
        if self._syncer is not None:
            self._syncer.wait()

    def end(self, how: str, why: str, utc: datetime, t_s: float | None = None) -> None:
        """Write the last checkpoint, the end event and `end.json`, sync all of it and close.

        Args:
            how: one of `ENDINGS`.
            why: one sentence.
            utc: when it ended.
            t_s: the same on the run's clock; that of the last line when None.
        """
        if how not in ENDINGS:
            raise ValueError(f"a run ends as one of {', '.join(ENDINGS)}; not {how!r}")
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
        write_whole(self.path / END_FILE, end_text(end), sync=self._sync)

    def close(self) -> None:
        """Close the files without ending the record; it then reads as interrupted."""
        if self._syncer is not None:
            self._syncer.stop()
        self._samples.close()
        self._events_file.close()

    def _utc_at(self, t_s: float) -> datetime:
        return self._started + timedelta(seconds=t_s)

    def _append_samples(self, line: bytes) -> None:
        if self._syncer is not None:
            self._syncer.raise_failure()
        moved = self._samples.append(line)
        if self._syncer is not None:
            self._syncer.note()
        self._rows_since.update(line)
        if moved is not None:
            self._append_event("segment", self._last_t_s, self._utc_at(self._last_t_s), moved)

    def _append_event(self, kind: str, t_s: float, utc: datetime, data: Mapping[str, Any]) -> None:
        self._events += 1
        line = event_line(self._events, kind, t_s, utc, data)
        if self._syncer is not None:
            self._syncer.raise_failure()
        moved = self._events_file.append(line)
        self._events_since.append(line)
        if self._syncer is not None:
            self._syncer.note()
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


class _Syncer:
    """A thread that syncs the files of a record, so that only a call that asks for it waits for the disk."""

    def __init__(self, files: tuple[_Segments, ...]) -> None:
        self._files = files
        self._changed = threading.Condition()
        self._written = 0
        self._synced = 0
        self._waited_in_vain_for = 0
        self._asked = False
        self._at_once = False
        self._stopping = False
        self._error: OSError | None = None
        self._thread = threading.Thread(target=self._run, name="record sync", daemon=True)
        self._thread.start()

    def note(self) -> None:
        """Note that something was written; called afterwards, so that a sync under way does not count."""
        self._written += 1

    def raise_failure(self) -> None:
        """Raise what the last sync failed with, if it did."""
        if self._error is not None:
            raise RecordWriteError(self._error.errno, f"the record cannot be synced: {self._error.strerror}")

    def ask(self, *, at_once: bool) -> None:
        """Request a sync soon, or at once, without waiting for it."""
        with self._changed:
            self._asked = True
            self._at_once = self._at_once or at_once
            self._changed.notify_all()

    def wait(self, most_s: float | None = None) -> None:
        """Return when everything noted so far is on the disk, or after `most_s`.

        With `most_s` it does not wait at all while the disk has not caught up with an earlier wait.
        """
        self.raise_failure()
        target = self._written
        self.ask(at_once=True)
        if most_s is not None and self._synced < self._waited_in_vain_for:
            return
        with self._changed:
            done = self._changed.wait_for(
                lambda: self._synced >= target or not self._thread.is_alive(), most_s
            )
        if not done:
            self._waited_in_vain_for = target
        self.raise_failure()

    def stop(self) -> None:
        """Sync once more and end the thread."""
        with self._changed:
            self._stopping = True
            self._changed.notify_all()
        self._thread.join()

    def _run(self) -> None:
        stopping = False
        while not stopping:
            with self._changed:
                self._changed.wait_for(lambda: self._asked or self._stopping, SYNC_EVERY_S)
                if self._asked:
                    self._changed.wait_for(lambda: self._at_once or self._stopping, SHARED_SYNC_S)
                self._asked = self._at_once = False
                stopping, target = self._stopping, self._written
            if target != self._synced:
                self._sync_files()
            with self._changed:
                self._synced = target
                self._changed.notify_all()

    def _sync_files(self) -> None:
        try:
            for file in self._files:
                file.sync()
        except OSError as error:
            self._error = error


class _Segments:
    """One file of lines, continued in a new file after a failed append."""

    def __init__(self, folder: Path, file: str, header: bytes) -> None:
        self._folder = folder
        self._file = file
        self._header = header
        self._fd = -1
        self._held = threading.Lock()
        self._folder_synced = True
        self.names: list[str] = []
        self._open_next()

    def append(self, line: bytes) -> dict[str, str] | None:
        """Write one line; return the text of a note when it went into a new segment."""
        if self._fd < 0:
            raise RecordWriteError(f"{self._folder / self._file} is closed")
        try:
            _write_all(self._fd, line)
        except OSError as error:
            with contextlib.suppress(OSError):
                self.sync()
            self.close()
            return self._go_on(line, error)
        return None

    def sync(self) -> None:
        with self._held:
            if self._fd >= 0:
                os.fsync(self._fd)
                if not self._folder_synced:
                    sync_folder(self._folder)
                    self._folder_synced = True

    def close(self) -> None:
        with self._held:
            if self._fd >= 0:
                os.close(self._fd)
                self._fd = -1

    def _go_on(self, line: bytes, error: OSError) -> dict[str, str]:
        left = self.names[-1]
        try:
            if len(self.names) >= MOST_SEGMENTS:
                raise error
            self._open_next()
            self._folder_synced = False
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
