"""A quick look into a record: how the run was planned, what happened and how it ended, without the readings.

Memory does not grow with the length of the run: events are read line by line, `samples.csv` is not opened.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from grading.measurement import SourceError
from grading.record.event_lines import BadEvent, Event, read_event
from grading.record.format import END_FILE, EVENTS_FILE, MOST_SEGMENTS, RUN_FILE, segment_name
from grading.record.run_file import BadEnd, EndFile, RunFile, parse_end, parse_run

_LONGEST_LINE: Final = 4_000_000
_LARGEST_FILE: Final = 50_000_000


@dataclass(frozen=True, slots=True)
class Peek:
    """A record at a glance.

    Attributes:
        run: `run.json`.
        end: `end.json`; None for a run that did not end, or whose `end.json` cannot be trusted.
    """

    path: Path
    run: RunFile
    end: EndFile | None

    def events(self, *kinds: str) -> Iterator[Event]:
        """Read the events of all segments in order; only of these kinds, if any are named.

        As in `read_record`, a line whose CRC-32 does not match, whose members are wrong or that is not
        finished is left out.

        Raises:
            SourceError: a file cannot be read.
        """
        quoted = tuple(f'"{kind}"'.encode() for kind in kinds)
        for line in self._lines():
            if quoted and not any(word in line for word in quoted):
                continue
            try:
                event = read_event(line)
            except BadEvent:
                continue
            if not kinds or event.kind in kinds:
                yield event

    def _lines(self) -> Iterator[bytes]:
        """The finished lines of all segments, without their newlines; too long ones are left out."""
        for segment in range(1, MOST_SEGMENTS + 1):
            file = self.path / segment_name(EVENTS_FILE, segment)
            if not file.is_file():
                return
            try:
                with file.open("rb") as opened:
                    whole = True
                    while piece := opened.readline(_LONGEST_LINE):
                        ends = piece.endswith(b"\n")
                        if whole and ends:
                            yield piece[:-1]
                        whole = ends
            except OSError as error:
                raise SourceError(f"{file}: cannot be read ({error.strerror})") from None


def peek(path: Path) -> Peek:
    """Look into a record.

    Raises:
        SourceError: the folder holds no record that this program can read.
    """
    run = parse_run(path / RUN_FILE, _read(path / RUN_FILE))
    end = None
    if (path / END_FILE).is_file():
        with suppress(BadEnd):
            end = parse_end(_read(path / END_FILE))
    return Peek(path, run, end)


def _read(file: Path) -> bytes:
    try:
        size = file.stat().st_size
        if not file.is_file() or size > _LARGEST_FILE:
            raise SourceError(f"{file}: is not a file that a run writes ({size / 1e6:.0f} MB)")
        return file.read_bytes()
    except OSError as error:
        raise SourceError(f"{file}: {error.strerror}; a record's folder holds {file.name}") from None
