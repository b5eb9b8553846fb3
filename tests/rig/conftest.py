"""Small records for tests of what one run leaves for the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from grading.record import writer as record_writer
from grading.record.writer import RecordWriter

Told = tuple[str, datetime, Mapping[str, Any]]
HEADER: Mapping[str, Any] = {
    "sockets": [1],
    "error_model": {},
    "gas": {"oxygen_fraction": 0.995, "u_oxygen_fraction": 0.001},
    "ambient": {"relative_humidity": 0.5, "u_relative_humidity": 0.1},
}


@pytest.fixture
def small_record(monkeypatch):
    """A function that writes a record without readings."""

    def write(
        root: Path,
        started: datetime,
        *,
        cells: Sequence[str] = ("TB-0417",),
        bench: Mapping[str, str] | None = None,
        events: Sequence[Told] = (),
        how: str | None = None,
        append_fails_at: int | None = None,
        suffix: str = "a1b2",
    ) -> Path:
        """Write it and return its folder.

        Args:
            events: kind, moment, members.
            how: how it ended; None for a run that never ended.
            append_fails_at: the event, from 0, whose append fails, so that it goes into a new segment.
        """
        header = {**HEADER, "cells": [{"cell": cell} for cell in cells], "bench": bench or {}}
        writer = RecordWriter.create(root, header, started, suffix=suffix, sync=False)
        for number, (kind, moment, members) in enumerate(events):
            with monkeypatch.context() as patch:
                if number == append_fails_at:
                    _fail_once(patch)
                writer.event(kind, 1.0, moment, **members)
        if how is None:
            writer.close()
        else:
            writer.end(how, "All said.", events[-1][1] if events else started.astimezone(UTC))
        return writer.path

    return write


def _fail_once(patch: pytest.MonkeyPatch) -> None:
    write = record_writer._write_all
    errors = [OSError(28, "No space left on device")]

    def full_once(fd: int, data: bytes) -> None:
        if errors:
            raise errors.pop()
        write(fd, data)

    patch.setattr(record_writer, "_write_all", full_once)
