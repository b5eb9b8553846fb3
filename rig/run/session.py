"""One run from start to end: checks, air, purge, steps, vent; and the way out when something breaks."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

from drivers.ports import read_by_hand
from drivers.system_clock import SystemClock
from grading.record.format import FileText, RunHeader
from grading.record.writer import RecordWriter
from grading.results import CellInfo
from rig.between_runs.clearing import Clearing
from rig.between_runs.lock import RigBusy, hold_rig
from rig.between_runs.memory import How
from rig.between_runs.state_folder import NoStateFolder
from rig.hand.drive import HandDrive
from rig.hand.pot import HandPot
from rig.hand.typed_drive import TypedHandDrive
from rig.loop.acquisition import Acquisition, Instruments, TickReadings
from rig.loop.dialogue import Dialogue, clock_runs
from rig.loop.loop import Loop, Refused, StopAsked, Tripped, procedure_trip
from rig.loop.run_log import RecordSink, RunLog
from rig.loop.schedule import Schedule
from rig.loop.stop import StopRequest
from rig.phases.ending import Ending
from rig.phases.holding import Holding
from rig.phases.pot_gas import PotGas
from rig.phases.presenter import Presenter
from rig.phases.purge import purge
from rig.phases.starting import bring_to_rest, check_vented_zero, make_safe
from rig.phases.steps import Steps
from rig.pressure.dosed_valves import DosedValves
from rig.run.drive_kinds import DriveParts, drive_kind, pressure_drive, refuse_what_it_cannot
from rig.run.free_space import free_bytes
from rig.run.frozen_files import FrozenFiles
from rig.run.header import run_header
from rig.run.notices import Notices
from rig.run.outcome import RunOutcome
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response, Trip
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import disk_refusal
from rig.safety.scan import Scan
from rig.safety.set_point import SetPoint
from rig.safety.states import Command, Machine, State
from rig.setup.bench import OpenBench
from rig.setup.bench_file import BenchFile, pressure_limits
from rig.setup.plan import make_plan
from rig.setup.procedure import ProcedureFile
from rig.view import View
from rig_configs.files.checked_toml import TomlText

_COARSE_BAR = 1e-4
"""Standard uncertainty of a gauge's digits from which on equal readings in a row are nothing odd."""
_LAST_PART = 10_000
SinkFactory = Callable[[RunHeader], RecordSink]


def run_session(
    bench: OpenBench,
    procedure: ProcedureFile,
    cells: Sequence[CellInfo],
    limits: FileText,
    *,
    out: Path,
    operator: str,
    view: View,
    stop: StopRequest,
    purpose: str = "",
    checks: Callable[[], str] | None = None,
    clear: Sequence[str] | None = None,
    sink: SinkFactory | None = None,
) -> RunOutcome:
    """Run a procedure on an open bench. What goes wrong on the bench ends the run, safe, and is returned.

    Args:
        bench: open; every instrument has answered.
        procedure: checked against the bench's limits here once more.
        cells: with their sockets.
        limits: text of the limits file, frozen into the record.
        out: folder that the record's folder is made in.
        operator: name for the record.
        view: where the run is shown and prompts are asked.
        stop: raised by whoever wants the run to end.
        purpose: free text for the record.
        checks: made on a rig that is ours and at rest; returns why the run must not start, or nothing.
        clear: codes of what the last run left that are cleared beforehand; None on a bench of software, where
            nobody practises that: the last run is not looked at then.
        sink: where to record instead of a folder under `out`; for simulated runs by the thousand.

    Raises:
        OSError: the record's folder cannot be begun.
        FileError: bench and procedure do not fit together.
    """
    try:
        with _exclusive(bench, view) as memory:
            session = Session(bench, procedure, cells, limits, out, operator, view, stop, purpose, sink)
            if sink is None and (clear is not None or bench.virtual is None):
                session.check_last_run(clear or (), memory)
            return session.run(checks)
    except (RigBusy, NoStateFolder) as error:
        return RunOutcome(None, "refused", str(error), "RIG_BUSY")
    except Refused as refused:
        return RunOutcome(None, "refused", str(refused), refused.code)


@contextmanager
def _exclusive(bench: OpenBench, view: View) -> Iterator[Path | None]:
    """Hold the rig, and yield the file of its memory; a virtual bench has one user and none."""
    if bench.virtual is not None:
        yield None
        return
    with hold_rig(bench.file, lambda text: view.say(text, "caution")) as memory:
        yield memory


class Session:
    """The parts of one run, wired together, and the order in which they work."""

    def __init__(
        self,
        bench: OpenBench,
        procedure: ProcedureFile,
        cells: Sequence[CellInfo],
        limits: FileText,
        out: Path,
        operator: str,
        view: View,
        stop: StopRequest,
        purpose: str,
        sink: SinkFactory | None,
    ) -> None:
        self._bench = bench
        self._procedure = procedure
        self._cells = tuple(cells)
        self._limits_text = limits
        self._out = out
        self._operator = operator
        self._purpose = purpose
        self._view = view
        self._sink = sink
        self._path: Path | None = None
        file = bench.file
        pressures = pressure_limits(file, procedure)
        self._limits = SafetyLimits(
            working_pressure_bar=pressures.working_bar,
            stop_pressure_bar=pressures.stop_bar,
            trip_pressure_bar=pressures.trip_bar,
            ramp_bar_per_min=pressures.ramp_bar_per_min,
            most_gas_l=pressures.most_gas_l,
            volume_l=file.pot.volume_l,
            lid_diameter_mm=file.pot.lid_diameter_mm,
        )
        self._sockets = tuple(cell.socket for cell in self._cells if cell.socket is not None)
        clock = bench.clock
        schedule = Schedule(clock, file.scan.interval_s)
        set_point = SetPoint()
        self._log = RunLog(clock, schedule)
        acquisition = Acquisition(
            Instruments(
                None if read_by_hand(bench.gauge) else bench.gauge,
                bench.voltmeter,
                bench.second_gauge or bench.controller,
                bench.thermometer,
                bench.barometer,
                bench.room_oxygen,
            ),
            schedule,
            set_point,
            self._limits,
            self._sockets,
            suspended=None if isinstance(clock, SystemClock) else _never_suspended,
            coarse_gauge=_is_coarse(file),
        )
        self._machine = Machine(self._state_changed)
        refuse_what_it_cannot(bench, procedure)
        common = DriveParts(self._machine, self._limits, set_point, schedule, self._log, acquisition)
        gate, self._drive = pressure_drive(bench, common, view, self._show_cue)
        acquisition.scan.drive = drive_kind(bench)
        self._plan = make_plan(file, procedure)
        parts = [step.duration_s for step in self._plan.steps]
        self._presenter = Presenter(view, self._machine, set_point, self._cells, parts)
        self._loop = Loop(
            machine=self._machine,
            schedule=schedule,
            clock=clock,
            acquisition=acquisition,
            set_point=set_point,
            limits=self._limits,
            stop=stop,
            log=self._log,
            sockets=self._sockets,
            gate=gate,
            gas_used_l=lambda: self._drive.gas_used_l,
            on_tick=self._on_tick,
            free_bytes=self._free_bytes,
        )
        self._frozen = FrozenFiles((file.source, procedure.source, TomlText(limits.file, limits.text)))
        self._notices = Notices(view, self._log, clock, self._frozen)
        self._gas = PotGas(file.gas.oxygen_fraction, file.gas.u_oxygen_fraction)
        self._steps = Steps(
            self._loop,
            self._drive,
            self._gas,
            procedure,
            self._presenter,
            self._sockets,
            file.ambient.relative_humidity,
        )
        dialogue = self._dialogue = Dialogue(self._loop, view, stop, time_runs=clock_runs(clock))
        self._ending = Ending(self._loop, self._drive, view, dialogue)
        self._holding = Holding(self._loop, self._drive, view, dialogue)
        self._hand: HandPot | None = None
        if isinstance(self._drive, HandDrive):
            two_gauges = bench.second_gauge is not None
            self._hand = HandPot(self._loop, self._drive, dialogue, view, file, two_gauges=two_gauges)
            self._presenter.lid_force_n = self._hand.lid_force_n
            if isinstance(self._drive, TypedHandDrive):
                self._drive.ask_through(dialogue)
        self._clearing: Clearing | None = None
        self._gas_since_s = 0.0

    def check_last_run(self, codes: Sequence[str], memory: Path | None) -> None:
        """Have what the last run on this rig left cleared before this one; `codes` are cleared beforehand."""
        self._clearing = Clearing(self._bench.file, self._out, memory, codes, self._view, self._log)
        self._notices.asks_codes = True

    def run(self, checks: Callable[[], str] | None = None) -> RunOutcome:
        """Run to the end, whatever the end is; `checks` as for `run_session`."""
        try:
            if checks is not None:
                bring_to_rest(self._bench, self._loop, self._view)
                problem = checks()
                if problem:
                    raise Refused("preflight", problem)
            self._start()
        except Refused as refused:
            return self._refuse(refused)
        except StopAsked as asked:
            return self._refuse(Refused("STOPPED", f"Stopped on request ({asked}) before any gas."))
        except Tripped as tripped:
            return self._refuse(Refused("STOPPED", str(tripped)))
        try:
            how, why, code = self._work()
        except Exception as error:
            how, why, code = self._fail(error)
        if self._hand is not None and self._ending.alarm is None:
            self._presenter.now, self._presenter.next = "waiting for the lid", "the end"
            self._hand.allow_lid()
        if self._ending.alarm is not None:
            why = f"{why} {self._ending.alarm}"
        if self._loop.decompressed:
            self._notices.rest(self._loop.now_s - self._gas_since_s)
        self._notices.last_words()
        self._log.end(how, why)
        if self._clearing is not None:
            vented = self._ending.alarm is None
            self._clearing.ended(how, code, why, self._bench.clock.utc(), vented=vented)
        if self._log.failure is not None:
            self._notices.lost_record()
        if self._loop.gate is not None:
            self._loop.gate.release()
        return RunOutcome(self._path, how, why, code)

    def _start(self) -> None:
        """Make the rig safe, prove the gauges, begin the record.

        Raises:
            Refused: a check said no, before any gas.
        """
        machine = self._machine
        if self._sink is None:
            free = self._free_bytes()
            problem = None if free is None else disk_refusal(free)
            if problem is not None:
                raise Refused("DISK_FULL", problem)
            self._notices.resting(self._out, self._cells)
        if self._hand is not None:
            self._presenter.now, self._presenter.next = "checks before any gas", "vented-zero check"
            self._settle_last_run()
            self._hand.prepare(self._bench.clock.utc().date())
        self._presenter.now, self._presenter.next = "making the rig safe", "vented-zero check"
        machine.fire(Command.CLEAR, "start")
        make_safe(self._loop, self._view)
        if self._hand is None:
            self._settle_last_run()
        self._presenter.now, self._presenter.next = "vented-zero check", "ambient air"
        if self._hand is not None and self._bench.barometer is None:
            self._hand.know_barometer()
        if not self._loop.acquisition.pressure_is_typed:
            check_vented_zero(self._loop)
        if self._hand is not None:
            self._hand.compare_dial()
        header = run_header(
            self._bench,
            self._procedure,
            self._cells,
            self._limits_text,
            operator=self._operator,
            purpose=self._purpose,
            typed_pressure=self._loop.acquisition.pressure_is_typed,
        )
        if self._sink is not None:
            self._log.attach(self._sink(header))
        else:
            started = self._bench.clock.utc()
            writer = RecordWriter.create(self._out, header, started)
            self._path = writer.path
            self._log.attach(writer)
            if self._clearing is not None:
                self._clearing.begun(writer.path, started)
        self._view.say(
            f"Oxygen: {self._plan.gas_l:.1f} L planned; at {self._limits.most_gas_l:g} L the run is ended."
        )
        machine.fire(Command.DONE, "gauges agree with the barometer")
        self._frozen.start()

    def _settle_last_run(self) -> None:
        if self._clearing is None:
            return
        if self._clearing.interrupted and isinstance(self._drive, HandDrive):
            self._drive.card()
        self._clearing.settle(self._dialogue)

    def _work(self) -> tuple[How, str, str]:
        """Do the run; returns how and why it ended, and the code of what ended it."""
        trip: Trip | None = None
        try:
            self._procedure_parts()
            self._machine.fire(Command.DONE, "all steps done")
            self._presenter.begin_part(_LAST_PART, "venting", "the end")
            self._ending.vent_on_ramp()
            if self._ending.alarm is None:
                self._machine.fire(Command.DONE, "vented")
                return self._closing_check()
            self._machine.fire(Command.STOP, "not vented")
            return "tripped", "The pot could not be vented after the last step.", "NOT_VENTED"
        except StopAsked as asked:
            how, why, code = self._stop("stopped", f"Stopped on request ({asked}).", "STOPPED")
            return how, why, code
        except Tripped as tripped:
            trip = self._worded(tripped.trip)
        if trip.response is Response.ABORT:
            return self._abort(trip)
        self._notices.trip(trip, self._loop.scan)
        return self._stop("tripped", trip.message, trip.code)

    def _closing_check(self) -> tuple[How, str, str]:
        """Prove the gauges once more on the vented pot: what moved during the run moved its readings."""
        if self._loop.acquisition.pressure_is_typed:
            return "completed", "All steps done; the pot is vented.", ""
        try:
            check_vented_zero(self._loop)
        except Refused as moved:
            why = f"The gauges have moved during the run: {moved}."
            self._notices.moved_zero(why)
            return "tripped", why, "ZERO_MOVED"
        return "completed", "All steps done; the pot is vented.", ""

    def _procedure_parts(self) -> None:
        loop, machine, show, procedure = self._loop, self._machine, self._presenter, self._procedure
        machine.fire(Command.RESET, "start")
        part = 0
        if procedure.air.hold:
            show.begin_part(part, "reading in ambient air", "purge")
            self._steps.air()
            part += 1
        machine.fire(Command.DONE, "ready")
        if self._hand is not None:
            show.now, show.next = "opening the cylinder", "purge"
            self._hand.open_cylinder()
        self._gas_since_s = loop.now_s
        self._dialogue.before_gas = False
        machine.fire(Command.START, "start")
        show.begin_part(part, f"purge by {procedure.purge.method}", f"PO2 {procedure.steps[0].po2_bar:g} bar")
        purge(loop, self._drive, self._gas, procedure)
        machine.fire(Command.DONE, "purge proven")
        if isinstance(self._drive, DosedValves) and (coarse := self._drive.too_coarse):
            self._notices.caution(coarse)
        for number, step in enumerate(procedure.steps, start=1):
            later = procedure.steps[number:]
            show.begin_part(
                part + number,
                f"PO2 {step.po2_bar:g} bar {step.direction}",
                f"PO2 {later[0].po2_bar:g} bar" if later else "vent",
            )
            self._holding.work(partial(self._steps.oxygen, number, step))

    def _stop(self, how: How, why: str, code: str) -> tuple[How, str, str]:
        """Vent on the ramp; what goes wrong on the way de-energises."""
        if isinstance(self._drive, HandDrive):
            self._drive.card()
        self._machine.fire(Command.STOP, code)
        self._presenter.begin_part(_LAST_PART, "venting on the ramp", "the end")
        try:
            self._ending.vent_on_ramp()
        except Tripped as tripped:
            _, also, also_code = self._abort(self._worded(tripped.trip))
            return ("aborted" if also_code == "STOPPED_NOW" else "tripped"), f"{why} {also}", code
        self._machine.fire(Command.DONE, "vented" if self._ending.alarm is None else "not vented")
        return how, why, code

    def _abort(self, trip: Trip) -> tuple[How, str, str]:
        self._presenter.alarm = trip.message
        self._notices.trip(trip, self._loop.scan)
        self._presenter.begin_part(_LAST_PART, "venting at once", "the end")
        self._ending.abort(trip)
        return ("aborted" if trip.code == "STOPPED_NOW" else "tripped"), trip.message, trip.code

    def _fail(self, error: Exception) -> tuple[How, str, str]:
        """End safe after a mistake of this program, which is kept for whoever mends it.

        Raises:
            Exception: the mistake, when it stands in the way of an orderly end too; the outputs are dropped.
        """
        if self._loop.gate is not None:
            self._loop.drop_taken = self._loop.gate.de_energise()
        trip = procedure_trip(
            "PROGRAM_ERROR",
            Response.ABORT,
            f"This program made a mistake ({type(error).__name__}: {error}).",
            f"{CLOSE_BOTTLE} {KEEP_LID_SHUT} Report the mistake, with the record.",
        )
        try:
            self._log.event("note", text="".join(traceback.format_exception(error)))
            return self._abort(self._worded(trip))
        except Exception:
            raise error from None

    def _worded(self, trip: Trip) -> Trip:
        """Return a trip in the words for what moves the pressure here, and for whether it obeyed."""
        return replace(trip, drive=self._loop.scan.drive, drop_taken=self._loop.drop_taken)

    def _refuse(self, refused: Refused) -> RunOutcome:
        """End a run that never began: the outputs are dropped, and no record is left."""
        gate = self._loop.gate
        if gate is not None:
            gate.de_energise()
            gate.release()
        self._view.say(str(refused), "alarm")
        return RunOutcome(None, "refused", str(refused), refused.code)

    def _free_bytes(self) -> int | None:
        """Room where the record goes, in bytes; None for a record in memory, or when nobody can tell."""
        if self._sink is not None:
            return None
        # The record makes its folder when it begins, so that a refused run leaves none.
        try:
            return free_bytes(self._out)
        except OSError:
            return None

    def _on_tick(self, scan: Scan, row: TickReadings) -> None:
        if self._ending.alarm is not None:
            self._presenter.alarm = self._ending.alarm
        self._presenter.tick(scan, row)
        self._notices.tick(scan)

    def _show_cue(self, text: str | None) -> None:
        self._presenter.cue = text

    def _state_changed(self, before: State, after: State, why: str) -> None:
        self._log.event("state", **{"from": before.value, "to": after.value, "why": why})


def _is_coarse(bench: BenchFile) -> bool:
    """Whether the gauge shows such coarse digits that it repeats itself at rest."""
    gauge = bench.by_role("gauge")
    return gauge is not None and gauge[1].uncertainty.get("resolution_bar", 0.0) > _COARSE_BAR


def _never_suspended() -> float:
    return 0.0
