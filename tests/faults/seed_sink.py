"""Where a simulated run is shown and recorded, with what was true at each hold."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, ClassVar

from digest import RunDigest
from event_check import misfit
from told_text import ToldText

from drivers.virtual_spec import PotTruth
from grading.record.format import SampleRow
from grading.record.writer import RecordWriteError, RecordWriter
from rig.loop.stop import StopLevel, StopRequest
from rig.view import Prompt, Severity, Snapshot

_RESPONSES = ("ABORTING", "STOPPING", "HOLDING")


def _nothing_waits(_phase: str, _step: int | None, _t_s: float) -> None:
    pass


def _nothing_responds(_t_s: float) -> None:
    pass


class Killed(BaseException):
    """The program is killed; it does nothing more."""


@dataclass
class SilentView:
    """No person is there; every prompt stays unanswered."""

    show_every_s: ClassVar[float] = math.inf
    said: list[str] = field(default_factory=list)
    said_at: list[tuple[float, str]] = field(default_factory=list)
    now_s: Callable[[], float] = float
    hear: Callable[[str], None] = str

    def update(self, snapshot: Snapshot) -> None:
        pass

    def say(self, text: str, severity: Severity = "info") -> None:
        self.said.append(text)
        self.said_at.append((self.now_s(), text))
        self.hear(text)

    def ask(self, prompt: Prompt) -> str | None:
        return None

    def withdraw(self) -> None:
        pass


@dataclass
class HoldTruth:
    """What was true at the end of one hold, beside what was recorded; outputs by socket."""

    step: int
    claimed_oxygen_fraction: float
    u_oxygen_fraction: float
    oxygen_fraction: float
    pressure_bar: float
    recorded_bar: float | None
    true_mv: dict[int, float] = field(default_factory=dict)
    recorded_mv: dict[int, float] = field(default_factory=dict)


class SeedSink:
    """Records in memory, or in a real record too; triggers faults of the program where a seed says so."""

    def __init__(
        self,
        stop: StopRequest,
        rig_faults: dict[str, float],
        writer: RecordWriter | None = None,
        keep_rows: bool = False,
    ) -> None:
        self.events: list[tuple[str, float, dict[str, Any]]] = []
        self.misfits: list[str] = []
        self.rows = 0
        self.kept: list[SampleRow] | None = [] if keep_rows else None
        self.last: SampleRow | None = None
        self.ended: tuple[str, str] | None = None
        self.read_truth: Any = None
        self.read_outputs: Callable[[], dict[int, float]] = dict
        self.holds: list[HoldTruth] = []
        self.air_holds: list[HoldTruth] = []
        self._newest_mv: dict[int, float] = {}
        self._newest_bar: float | None = None
        self.told: ToldText | None = None
        self._stop = stop
        self._at = dict(rig_faults)
        self._writer = writer
        self._dead = False
        self._claimed = self._u_purge = 0.0
        self.on_phase: Callable[[str, int | None, float], None] = _nothing_waits
        self.on_response: Callable[[float], None] = _nothing_responds
        self.digest = RunDigest()

    def sample(self, row: SampleRow) -> None:
        self._strike(row.t_s)
        self.rows += 1
        self.last = row
        if row.pressure_bar is not None and row.pressure_bar.value is not None:
            self._newest_bar = row.pressure_bar.value
        for socket, reading in row.output_mv.items():
            if reading.value is not None:
                self._newest_mv[socket] = reading.value
        self.digest.row(row)
        if self.told is not None:
            self.told.look()
        if self.kept is not None:
            self.kept.append(row)
        if self._writer is not None:
            self._writer.sample(row)

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        if self._dead:
            raise Killed
        self.events.append((kind, t_s, data))
        if wrong := misfit(kind, data):
            self.misfits.append(wrong)
        self.digest.event(kind, t_s, data)
        if self.told is not None:
            self.told.hear_event(kind, data)
        if kind in ("trip", "alarm") or (kind == "state" and data["to"] in _RESPONSES):
            self.on_response(t_s)
        if kind == "phase":
            self.on_phase(data["phase"], data["step"], t_s)
        if kind == "hold_begin":
            self._claimed = float(data["oxygen_fraction"])
        if kind == "purge":
            self._u_purge = float(data["u_oxygen_fraction"])
        if kind == "hold_end" and data["stop_reason"] != "aborted":
            step = int(data["step"])
            (self.holds if step > 0 else self.air_holds).append(self._true_hold(step))
        if self._writer is not None:
            self._writer.event(kind, t_s, utc, **data)

    def end(self, how: str, why: str, utc: datetime) -> None:
        self.ended = (how, why)
        if self.told is not None:
            self.told.hear(why)
        if self._writer is not None:
            self._writer.end(how, why, utc)

    def strike_at(self, program_fault: str, at_s: float) -> None:
        """Book a fault of the program."""
        self._at[program_fault] = at_s

    def _true_hold(self, step: int) -> HoldTruth:
        truth: PotTruth = self.read_truth()
        return HoldTruth(
            step,
            self._claimed,
            self._u_purge,
            truth.oxygen_fraction,
            truth.pressure_bar,
            self._newest_bar,
            self.read_outputs(),
            dict(self._newest_mv),
        )

    def _strike(self, t_s: float) -> None:
        due = [name for name, at_s in self._at.items() if t_s >= at_s]
        for name in due:
            if name == "disk_full":
                raise RecordWriteError(28, "No space left on device")
            del self._at[name]
            if name == "killed":
                self._dead = True
                raise Killed
            if name == "ctrl_c":
                self._stop.request("Ctrl-C")
            if name == "sigterm":
                self._stop.request("SIGTERM", StopLevel.NOW)
