"""The loop: each tick reads the pressure, checks the interlocks, then does everything else."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace

from drivers.ports import Clock
from grading.record.format import Reading, SampleRow
from rig.loop.acquisition import Acquisition, TickReadings
from rig.loop.cell_watch import CellFinding, CellWatch
from rig.loop.outputs import Outputs
from rig.loop.run_log import RunLog
from rig.loop.schedule import Schedule
from rig.loop.stop import StopLevel, StopRequest
from rig.safety.after_drop import AfterDrop, Alarm
from rig.safety.cell_witness import CellWitness
from rig.safety.drive_words import Drop
from rig.safety.falling_cells import FallingCells
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response, Trip, first_trip
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.set_point import Intent, SetPoint
from rig.safety.states import Command, Machine, State
from rig.safety.vented import GaugeTrust

FAST_FALL_BAR_PER_S = 2.0 / 60.0
"""Faster than any commanded ramp: every cell in the pot is marked with it."""
_FASTER_THAN_RAMP = 1.5
_UNSEEN_FALL_BAR = 0.1
_UNSEEN_S = 1.0
_FROZEN_SCANS = 4
"""Scans in a row with the same numbers that a voltmeter with visible noise does not give: no witness."""
_WALL_CLOCK_JUMP_S = 1.0
_NOTHING: Mapping[int, Reading] = {}

_ALL = frozenset(Response)
_ABORT_AND_STOP = frozenset({Response.ABORT, Response.STOP})
_ABORT_ONLY = frozenset({Response.ABORT})
RESPONSES: dict[State, frozenset[Response]] = {
    State.STARTING: _ALL,
    State.EXECUTE: _ALL,
    State.RESETTING: _ALL,
    State.IDLE: _ABORT_AND_STOP,
    State.HOLDING: _ABORT_AND_STOP,
    State.HELD: _ABORT_AND_STOP,
    State.UNHOLDING: _ABORT_AND_STOP,
    State.COMPLETING: _ABORT_ONLY,
    State.COMPLETE: _ABORT_ONLY,
    State.STOPPING: _ABORT_ONLY,
    State.STOPPED: _ABORT_ONLY,
}
"""The responses that a trip may ask for in each state; a state that is left out has none."""

_ENDINGS = frozenset({State.COMPLETING, State.COMPLETE, State.STOPPING, State.STOPPED})
"""Where a trip after an order to drop is not answered again: the pot is waited for already."""


class Refused(Exception):
    """A check before any gas failed; the message is one sentence for the operator."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


class Tripped(Exception):
    """An interlock tripped; the work under way is over."""

    def __init__(self, trip: Trip) -> None:
        super().__init__(trip.message)
        self.trip = trip


class StopAsked(Exception):
    """A ramped stop was requested."""


def procedure_trip(code: str, response: Response, text: str, do_now: str, rows: tuple[int, ...] = ()) -> Trip:
    """Return a trip that comes from a phase's own judgement and not from an interlock."""
    return Trip(code, rows, response, text, do_now)


class Loop:
    """Runs the ticks of one bench and raises what ends the work under way.

    Attributes:
        phase: a plain word for the record and the screen.
        step: number of the step under way, None between steps.
        in_oxygen: whether the pot holds purged oxygen, where a dead cell shows.
        witness: the cells as a second witness of pressure; phases give it its references.
        on_tick: called at the end of every tick with the scan and the tick's readings.
        drop: what is known of the order to drop the outputs that a trip was answered with; None before one.
    """

    def __init__(
        self,
        *,
        machine: Machine,
        schedule: Schedule,
        clock: Clock,
        acquisition: Acquisition,
        set_point: SetPoint,
        limits: SafetyLimits,
        stop: StopRequest,
        log: RunLog,
        sockets: Iterable[int],
        gate: Outputs | None,
        gas_used_l: Callable[[], float],
        on_tick: Callable[[Scan, TickReadings], None],
        free_bytes: Callable[[], int | None] | None = None,
        on_alarm: Callable[[Alarm], None] | None = None,
        supply_fraction: float = 1.0,
    ) -> None:
        self.machine = machine
        self.set_point = set_point
        self.limits = limits
        self.log = log
        self.acquisition = acquisition
        self.gate = gate
        self.cells = CellWatch(sockets)
        self._falling = FallingCells()
        self.witness = CellWitness(supply_fraction, pressure_is_typed=acquisition.pressure_is_typed)
        self._trust = GaugeTrust(limits)
        self.phase = "check"
        self.step: int | None = None
        self.in_oxygen = False
        self._sockets = tuple(sockets)
        self._schedule = schedule
        self._clock = clock
        self._stop = stop
        self._gas_used_l = gas_used_l
        self._free_bytes = free_bytes
        self._on_tick = on_tick
        self._on_alarm = on_alarm
        self._after_drop = AfterDrop(limits)
        self._fast_fall_bar_per_s = max(
            FAST_FALL_BAR_PER_S, _FASTER_THAN_RAMP * limits.ramp_bar_per_min / 60.0
        )
        self._last_row_s = -1.0
        self._record_failure_reported = False
        self.drop: Drop | None = None
        self._fast_fall = 0
        self._fast_fall_marked = False
        self._wall_offset_s = self._wall_clock_offset_s()

    @property
    def scan(self) -> Scan:
        """The newest scan."""
        return self.acquisition.scan

    @property
    def now_s(self) -> float:
        """Time of the present tick from the start of the run, in seconds."""
        return self._schedule.now_s

    @property
    def stops_asked(self) -> int:
        """Number of requests to stop so far."""
        return self._stop.asked

    def tick(self) -> Scan:
        """Wait for the next tick and do all of it.

        Raises:
            Tripped: by an interlock; after an ABORT the outputs are already dropped.
            StopAsked: a ramped stop was asked for.
        """
        acquisition, gate = self.acquisition, self.gate
        before_bar = acquisition.scan.highest_bar
        missed = self._schedule.wait()
        if missed:
            self.log.event("gap", missed_ticks=missed)
        scan = acquisition.read_pressures()
        if gate is not None:
            gate.serve()
        scan.gas_used_l = self._gas_used_l()
        trip = self._look_for_trip(scan)
        if trip is not None and trip.response is Response.ABORT:
            self.drop_outputs()
        self._watch_drop(scan)
        acquisition.read_slowly()
        row = acquisition.row
        self._weigh_evidence(scan, row)
        self._record(scan, row)
        self._watch_falls(scan, before_bar)
        if row.output_mv is not None:
            self._watch_cells(scan, row.output_mv)
        if self._schedule.tick % 50 == 0:
            self._watch_wall_clock()
            if self._free_bytes is not None:
                scan.free_bytes = self._free_bytes()
        self._on_tick(scan, row)
        if trip is not None:
            raise Tripped(trip)
        if self._stop.level is StopLevel.RAMPED:
            self._obey_stop()
        return scan

    def drop_outputs(self) -> None:
        """Go to the safe state, and keep what is known of it."""
        if self.gate is not None:
            self.gate.de_energise()
            self.drop = self.gate.drop

    def enter(self, phase: str, step: int | None = None) -> None:
        """Name what is being done now, for the record and the screen."""
        if (phase, step) != (self.phase, self.step):
            self.phase, self.step = phase, step
            self.log.event("phase", phase=phase, step=step)

    @property
    def decompressed(self) -> bool:
        """Whether the cells in the pot have been marked for a rapid decompression."""
        return self._fast_fall_marked

    def mark_rapid_decompression(self, why: str) -> None:
        """Mark every cell in the pot, once a run: none of them can be graded after that."""
        if self._fast_fall_marked:
            return
        self._fast_fall_marked = True
        for socket in self._sockets:
            self.log.event(
                "cell", socket=socket, finding="rapid_decompression", text=f"Rapid decompression: {why}"
            )

    def compare_hold(self, output_mv: Mapping[int, float], po2_bar: float) -> None:
        """Compare a hold that has ended with the one before: outputs in mV by socket, PO2 in bar."""
        self._note_cells(self.cells.hold_ended(output_mv, po2_bar))

    def _look_for_trip(self, scan: Scan) -> Trip | None:
        responses = RESPONSES.get(self.machine.state)
        if responses is None:
            return None
        if self.log.failure is not None and not self._record_failure_reported:
            self._record_failure_reported = True
            return procedure_trip(
                "RECORD_LOST",
                Response.ABORT,
                f"The record can no longer be written: {self.log.failure}.",
                "Make room on the disk; the readings since then are lost when this program ends.",
                rows=(23,),
            )
        if self._stop.level is StopLevel.NOW:
            return procedure_trip(
                "STOPPED_NOW",
                Response.ABORT,
                f"Stopped at once on request ({self._stop.why}).",
                f"{CLOSE_BOTTLE} {KEEP_LID_SHUT}",
                rows=(21,),
            )
        trip = first_trip(scan, self.limits, responses)
        if trip is not None and trip.response is Response.HOLD and not self.machine.can(Command.HOLD):
            return replace(trip, response=Response.STOP)
        return trip

    def _watch_drop(self, scan: Scan) -> None:
        """Report what the pot does where no trip can answer it, because the outputs are ordered to drop."""
        state = self.machine.state
        answered = state not in RESPONSES or scan.intent is Intent.FREE
        if not answered and not (scan.drop_ordered and state in _ENDINGS):
            self._after_drop.begin()
            return
        for alarm in self._after_drop.look(scan):
            self.log.event("alarm", code=alarm.code, text=alarm.text, do_now=alarm.do_now)
            if self._on_alarm is not None:
                self._on_alarm(alarm)

    def _obey_stop(self) -> None:
        if Response.STOP in RESPONSES.get(self.machine.state, frozenset()):
            raise StopAsked(self._stop.why)

    def _record(self, scan: Scan, row: TickReadings) -> None:
        if scan.t_s <= self._last_row_s:
            return
        self._last_row_s = scan.t_s
        self.log.row(
            SampleRow(
                scan.t_s,
                self.machine.state.value,
                self.phase,
                self.step,
                row.pressure,
                row.pressure_b,
                row.barometer,
                row.temperature,
                _NOTHING if row.output_mv is None else row.output_mv,
            )
        )

    def _watch_falls(self, scan: Scan, before_bar: float | None) -> None:
        """Notice a fall faster than any ramp, and a fall while the program stood still."""
        fast = scan.rate_bar_per_s < -self._fast_fall_bar_per_s
        falling = fast and not scan.gauge.failed_readings and not scan.scans_apart
        self._fast_fall = self._fast_fall + 1 if falling else 0
        if self._fast_fall >= 3:
            self.mark_rapid_decompression(f"the pressure fell at {-60 * scan.rate_bar_per_s:.1f} bar/min.")
        if scan.gap_s < _UNSEEN_S or scan.gauge.failed_readings:
            return
        now_bar = scan.highest_bar
        if before_bar is not None and now_bar is not None and before_bar - now_bar > _UNSEEN_FALL_BAR:
            self.mark_rapid_decompression(
                f"the pressure fell by {before_bar - now_bar:.2f} bar while the program stood still."
            )

    def _weigh_evidence(self, scan: Scan, row: TickReadings) -> None:
        """Update what the scan says about the gauges and the cells as evidence of a vented pot."""
        self._trust.look(
            scan, self.set_point, _taken(scan.t_s, row.pressure), _taken(scan.t_s, row.pressure_b)
        )
        witness, falling = self.witness, self._falling
        if self.set_point.intent in (Intent.UP, Intent.FLOW):
            witness.filled()
        frozen = scan.voltmeter_varies and scan.scans_alike > _FROZEN_SCANS
        output_mv = None if frozen else row.output_mv
        if output_mv is not None:
            witness.look(scan.t_s, output_mv)
        falling.look(scan.t_s, self.set_point.intent, scan.gauge.newest_bar, output_mv)
        if scan.barometer_bar is None:
            return
        scan.cells_watch, scan.cells_over_bar = witness.judge(scan.t_s, scan.barometer_bar)
        if not witness.has_reference and scan.cells_over_bar is None and scan.pressure_bar is not None:
            scan.cells_over_bar = falling.over_bar(scan.t_s, scan.pressure_bar, scan.barometer_bar)

    def _watch_cells(self, scan: Scan, output_mv: Mapping[int, Reading]) -> None:
        if scan.pressure_bar is None or self.set_point.intent is Intent.FREE:
            return
        self._note_cells(self.cells.look(scan.t_s, output_mv, scan.pressure_bar, self.in_oxygen))

    def _note_cells(self, findings: Iterable[CellFinding]) -> None:
        for found in findings:
            self.log.event("cell", socket=found.socket, finding=found.finding, text=found.text)

    def _watch_wall_clock(self) -> None:
        """Durations come from the monotonic clock alone; a jump of the time of day is only recorded."""
        offset_s = self._wall_clock_offset_s()
        jumped_s = offset_s - self._wall_offset_s
        if abs(jumped_s) > _WALL_CLOCK_JUMP_S:
            self._wall_offset_s = offset_s
            self.log.event("note", text=f"The computer's time of day jumped by {jumped_s:+.1f} s.")

    def _wall_clock_offset_s(self) -> float:
        return self._clock.utc().timestamp() - self._clock.monotonic_s()


def _taken(t_s: float, reading: Reading | None) -> tuple[float, float] | None:
    """The instant and the value of a good reading."""
    if reading is None or reading.value is None:
        return None
    return t_s + reading.offset_s, reading.value
