"""Turns ticks into what a screen shows, as often as the screen takes pictures."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence

from grading.results import CellInfo
from rig.loop.acquisition import TickReadings
from rig.phases.hold import HoldTrace
from rig.safety.scan import Scan
from rig.safety.set_point import SetPoint
from rig.safety.states import Machine
from rig.setup.plan import PlannedPart
from rig.view import CellLine, Cue, Severity, Snapshot, View

_THE_END = "the end"


class Presenter:
    """Keeps what the screen needs between ticks and shows it as often as the screen takes it.

    Attributes:
        now, next: words for what is being done and what comes after it.
        oxygen_fraction: dry fraction in the pot, for the PO2 shown; None while unknown.
        calibration: output per bar of PO2 at the calibration step, mV/bar, by socket.
        alarm: a standing alarm.
        cue: what the operator's hands are to do now.
        witness: returns what contradicts gauges that read ambient.
        lid_force_n: returns the force on the lid where a person may open it, else None.
    """

    def __init__(
        self,
        view: View,
        machine: Machine,
        set_point: SetPoint,
        cells: Sequence[CellInfo],
        parts: Sequence[PlannedPart],
    ) -> None:
        """Show on `view` how far the run is through `parts`."""
        self._view = view
        self._machine = machine
        self._set_point = set_point
        self._cells = [(cell.socket, cell.cell) for cell in cells if cell.socket is not None]
        self._parts = tuple(parts)
        self._place = 0
        self._part_begun_s = 0.0
        self._output_mv: dict[int, float | None] = {}
        self._words: dict[int, str] = {}
        self._slopes: dict[int, float | None] = {}
        self._gone: frozenset[int] = frozenset()
        self._swapped: frozenset[int] = frozenset()
        self._shown = 0.0
        self._t_s = 0.0
        self._progress = 0.0
        self.now = ""
        self.next = ""
        self.oxygen_fraction: float | None = None
        self.calibration: Mapping[int, float] = {}
        self.alarm: str | None = None
        self.cue: Cue | None = None
        self.lid_force_n: Callable[[Scan], float | None] = _no_lid
        self.witness: Callable[[Scan], str] = _no_witness

    def say(self, text: str, severity: Severity = "info") -> None:
        """Show one message."""
        self._view.say(text, severity)

    def show_now(self, now: str, next_: str = "") -> None:
        """Show what is being done outside the plan, and what is next: its first part, if not named."""
        self.now, self.next = now, next_ or self._parts[0].name

    def begin(self, part: PlannedPart) -> None:
        """Show that a part of the plan begins."""
        place = self._parts.index(part)
        after = self._parts[place + 1 :]
        self._begin(place, part.now, after[0].name if after else _THE_END)

    def begin_end(self, now: str) -> None:
        """Show that the run ends in another way than planned."""
        self._begin(len(self._parts) - 1, now, _THE_END)

    def _begin(self, place: int, now: str, next_: str) -> None:
        self._place = place
        self._part_begun_s = self._t_s
        self.now, self.next = now, next_
        self._slopes.clear()
        self._words.clear()

    def tick(self, scan: Scan, row: TickReadings) -> None:
        """Take in one tick; show it when the last picture is old enough."""
        self._t_s = scan.t_s
        if row.output_mv is not None:
            for socket, reading in row.output_mv.items():
                self._output_mv[socket] = reading.value
        real_s = time.monotonic()
        if real_s - self._shown >= self._view.show_every_s:
            self._shown = real_s
            self._view.update(self._snapshot(scan))

    def settling(self, trace: HoldTrace, gone: frozenset[int], swapped: frozenset[int]) -> None:
        """Take in how a hold is judged."""
        self._gone, self._swapped = gone, swapped
        for socket, verdict in trace.verdicts.items():
            self._slopes[socket] = verdict.slope_percent_per_10s
            self._words[socket] = "settled" if verdict.settled else "settling"

    def settled(self, settled: Mapping[int, bool]) -> None:
        """Take in how a hold ended."""
        for socket, is_settled in settled.items():
            self._words[socket] = "settled" if is_settled else "not settled"

    def _snapshot(self, scan: Scan) -> Snapshot:
        here, *after = self._parts[self._place :]
        left_s = max(0.0, here.duration_s - (scan.t_s - self._part_begun_s))
        left_s += sum(part.duration_s for part in after)
        whole_s = scan.t_s + left_s
        self._progress = max(self._progress, scan.t_s / whole_s if whole_s > 0 else 0.0)
        po2_bar = None
        if self.oxygen_fraction is not None and scan.pressure_bar is not None:
            po2_bar = self.oxygen_fraction * scan.pressure_bar
        return Snapshot(
            elapsed_s=scan.t_s,
            left_s=left_s,
            progress=min(self._progress, 1.0),
            state=self._machine.state.value,
            now=self.now,
            next=self.next,
            pressure_bar=scan.gauge.newest_bar,
            target_bar=self._set_point.target_bar,
            barometer_bar=scan.barometer_bar,
            po2_bar=po2_bar,
            temperature_c=scan.temperature_c,
            ramp_bar_per_min=60.0 * scan.rate_bar_per_s,
            gas_used_l=scan.gas_used_l,
            cells=tuple(self._line(socket, serial) for socket, serial in self._cells),
            alarm=self.alarm,
            cue=self.cue,
            drive=scan.drive,
            lid_force_n=self.lid_force_n(scan),
            witness=self.witness(scan),
        )

    def _line(self, socket: int, serial: str) -> CellLine:
        output_mv = self._output_mv.get(socket)
        per_bar = self.calibration.get(socket)
        if socket in self._gone:
            word = "swapped" if socket in self._swapped else "unplugged"
        elif socket in self._output_mv and output_mv is None:
            word = "no reading"
        else:
            word = self._words.get(socket, "waiting")
        return CellLine(
            socket=socket,
            serial=serial,
            output_mv=output_mv,
            claimed_po2_bar=output_mv / per_bar if output_mv is not None and per_bar else None,
            slope_percent_per_10s=self._slopes.get(socket),
            state=word,
        )


def _no_lid(_scan: Scan) -> None:
    """Show no force: no person opens the lid."""


def _no_witness(_scan: Scan) -> str:
    """Show no contradiction."""
    return ""
