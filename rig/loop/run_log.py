"""Everything that a run records, in order; kept in memory when the record can no longer be written."""

from __future__ import annotations

from collections import deque
from datetime import datetime
from typing import Any, Protocol

from drivers.ports import Clock
from grading.record.format import Reading, SampleRow
from grading.record.writer import RecordWriteError
from rig.loop.schedule import Schedule

_ROWS_KEPT = 300
_EVENTS_KEPT = 300


class RecordSink(Protocol):
    """Where a run is recorded: `RecordWriter`, or memory in simulations by the thousand."""

    def sample(self, row: SampleRow) -> None:
        """Append one reading set."""
        ...

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        """Append one event."""
        ...

    def end(self, how: str, why: str, utc: datetime) -> None:
        """Write how the run ended; nothing follows."""
        ...


class RunLog:
    """Writes rows and events, keeps events that come before the record, and survives a full disk.

    Attributes:
        failure: why nothing more can be written; None if there is no failure.
        rows_in_memory, events_in_memory: what came after the failure, newest last.
    """

    def __init__(self, clock: Clock, schedule: Schedule) -> None:
        self._clock = clock
        self._schedule = schedule
        self._sink: RecordSink | None = None
        self._early: list[tuple[str, float, datetime, dict[str, Any]]] = []
        self.failure: str | None = None
        self.rows_in_memory: deque[SampleRow] = deque(maxlen=_ROWS_KEPT)
        self.events_in_memory: deque[tuple[str, float, dict[str, Any]]] = deque(maxlen=_EVENTS_KEPT)

    def attach(self, sink: RecordSink) -> None:
        """Begin to record; events so far are written first."""
        self._sink = sink
        early, self._early = self._early, []
        for kind, t_s, utc, data in early:
            self._write_event(kind, t_s, utc, data)

    def event(self, kind: str, /, **data: Any) -> None:
        """Write one event, stamped now."""
        t_s, utc = self._schedule.since_start_s(), self._clock.utc()
        if self._sink is None:
            self._early.append((kind, t_s, utc, data))
        else:
            self._write_event(kind, t_s, utc, data)

    def valve(self, valve: str, action: str, duration_ms: int | None, failure: str | None) -> None:
        """Write one valve command and, when it failed, why."""
        data: dict[str, Any] = {"valve": valve, "action": action}
        if duration_ms is not None:
            data["duration_ms"] = duration_ms
        if failure is not None:
            data["failure"] = failure
        self.event("valve", **data)

    def row(self, row: SampleRow) -> None:
        """Write one reading set; before the record is begun it is dropped."""
        if self.failure is not None:
            self.rows_in_memory.append(row)
        elif self._sink is not None:
            try:
                self._sink.sample(row)
            except RecordWriteError as error:
                self._fail(error)
                self.rows_in_memory.append(row)

    def last_rows(self, count: int) -> list[str]:
        """The last reading sets that were kept in memory only, as lines for a screen."""
        return [_row_text(row) for row in list(self.rows_in_memory)[-count:]]

    def end(self, how: str, why: str) -> None:
        """Close the record. Without a writable record this does nothing: a missing end says interrupted."""
        if self._sink is not None and self.failure is None:
            try:
                self._sink.end(how, why, self._clock.utc())
            except OSError as error:
                self._fail(error)

    def _write_event(self, kind: str, t_s: float, utc: datetime, data: dict[str, Any]) -> None:
        if self.failure is None and self._sink is not None:
            try:
                self._sink.event(kind, t_s, utc, **data)
            except RecordWriteError as error:
                self._fail(error)
            else:
                return
        self.events_in_memory.append((kind, t_s, data))

    def _fail(self, error: OSError) -> None:
        self.failure = error.strerror or str(error)


def _row_text(row: SampleRow) -> str:
    def value(reading: Reading | None) -> str:
        if reading is None:
            return "-"
        return reading.status if reading.value is None else f"{reading.value:.4f}"

    cells = ", ".join(f"socket {socket} {value(output)} mV" for socket, output in row.output_mv.items())
    gauges = f"{value(row.pressure_bar)} and {value(row.pressure_b_bar)} bar"
    return f"{row.t_s:8.1f} s  {row.phase}  {gauges}{'  ' + cells if cells else ''}"
