"""One run from start to end: checks, air, purge, steps, vent; and the ending after a failure."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path

from grading.record.format import RunHeader
from grading.record.writer import RecordWriter
from rig.between_runs.air_history import known_air_mv
from rig.between_runs.clearing import Clearing
from rig.between_runs.lock import RigBusy, hold_rig
from rig.between_runs.memory import How
from rig.between_runs.state_folder import NoStateFolder
from rig.hand.typed_pressure import read_pressure
from rig.loop.acquisition import Acquisition, TickReadings
from rig.loop.dialogue import Dialogue, clock_runs
from rig.loop.guarded_view import GuardedView, guarded
from rig.loop.loop import Loop, Refused, StopAsked, Tripped, procedure_trip
from rig.loop.run_log import RecordSink, RunLog
from rig.loop.schedule import Schedule
from rig.loop.stop import StopRequest
from rig.phases.airing import Airing
from rig.phases.ending import Ending
from rig.phases.holding import Holding
from rig.phases.pot_gas import PotGas
from rig.phases.presenter import Presenter
from rig.phases.purge import purge
from rig.phases.starting import bring_to_rest, check_vented_zero, make_safe
from rig.phases.steps import Steps
from rig.run.drive_kinds import DriveParts, build_drive, drive_kind, refuse_what_it_cannot
from rig.run.free_space import free_bytes
from rig.run.frozen_files import FrozenFiles
from rig.run.header import run_header
from rig.run.notices import Notices
from rig.run.outcome import RunOutcome
from rig.run.parts import Part
from rig.run.request import RunRequest
from rig.run.wiring import reader_of, safety_limits
from rig.safety.drive_words import DROP_ORDERED, WORDS
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response, Trip, deaf_voltmeter
from rig.safety.permissives import disk_refusal
from rig.safety.scan import Scan
from rig.safety.set_point import SetPoint
from rig.safety.states import Command, Machine, State
from rig.safety.vented import WATCH_AFTER_TRIP_S, contradiction
from rig.setup.bench import OpenBench
from rig.setup.plan import WATCH_AFTER_RUN_S, PartKind, Plan, PlannedPart, make_plan
from rig.view import Cue, View
from rig_configs.files.checked_toml import TomlText

_ZERO_CHECK = "vented-zero check"
SinkFactory = Callable[[RunHeader], RecordSink]


def run_session(
    bench: OpenBench,
    request: RunRequest,
    view: View,
    stop: StopRequest,
    *,
    checks: Callable[[], str] | None = None,
    sink: SinkFactory | None = None,
) -> RunOutcome:
    """Run a procedure on an open bench. A failure on the bench ends the run safely and is returned.

    Args:
        bench: open; every instrument has answered.
        request: what is asked of the run.
        view: where the run is shown and prompts are asked.
        stop: set to end the run.
        checks: made when the rig is held and at rest; returns why the run must not start, or an empty text.
        sink: where to record instead of a folder under `request.out`; for simulated runs by the thousand.

    Raises:
        OSError: the record's folder cannot be made.
        FileError: bench and procedure do not fit together.
    """
    screen = guarded(view)
    try:
        with _exclusive(bench, screen) as memories:
            session = Session(bench, request, screen, stop, sink)
            if sink is None and (request.clear is not None or bench.virtual is None):
                session.check_last_run(request.clear or (), memories)
            return session.run(checks)
    except (RigBusy, NoStateFolder) as error:
        return RunOutcome(None, "refused", str(error), "RIG_BUSY")
    except Refused as refused:
        return RunOutcome(None, "refused", str(refused), refused.code)


@contextmanager
def _exclusive(bench: OpenBench, view: View) -> Iterator[tuple[Path, ...]]:
    """Hold the rig, and yield the files of its memory; a virtual bench has one user and none."""
    if bench.virtual is not None:
        yield ()
        return
    with hold_rig(bench.file, lambda text: view.say(text, "caution")) as memories:
        yield memories


class Session:
    """The parts of one run, wired together, and the order in which they work."""

    def __init__(
        self,
        bench: OpenBench,
        request: RunRequest,
        view: GuardedView,
        stop: StopRequest,
        sink: SinkFactory | None,
    ) -> None:
        self._bench = bench
        self._request = request
        self._view = view
        self._stop_request = stop
        self._sink = sink
        self._path: Path | None = None
        procedure, sockets = request.procedure, request.sockets
        file = bench.file
        self._limits = safety_limits(file, procedure)
        clock, set_point = bench.clock, SetPoint()
        schedule = self._schedule = Schedule(clock, file.scan.interval_s)
        self._log = RunLog(clock, schedule)
        acquisition = reader_of(bench, schedule, set_point, self._limits, sockets)
        self._machine = Machine(self._state_changed)
        refuse_what_it_cannot(bench, procedure)
        self._plan = make_plan(file, procedure)
        self._presenter = Presenter(view, self._machine, set_point, request.cells, self._plan.parts)
        kind = build_drive(bench, self._drive_parts(acquisition, set_point, schedule))
        self._drive = kind.drive
        acquisition.scan.drive = drive_kind(bench)
        self._loop = Loop(
            machine=self._machine,
            schedule=schedule,
            clock=clock,
            acquisition=acquisition,
            set_point=set_point,
            limits=self._limits,
            stop=stop,
            log=self._log,
            sockets=sockets,
            gate=kind.outputs,
            gas_used_l=lambda: self._drive.gas_used_l,
            on_tick=self._on_tick,
            free_bytes=self._free_bytes,
            on_alarm=lambda alarm: view.say(alarm.message, "alarm"),
            supply_fraction=file.gas.oxygen_fraction,
        )
        self._frozen = FrozenFiles(
            (file.source, procedure.source, TomlText(request.limits.file, request.limits.text))
        )
        self._notices = Notices(view, self._log, clock, self._frozen)
        self._gas = PotGas(file.gas.oxygen_fraction, file.gas.u_oxygen_fraction)
        humidity = file.ambient.relative_humidity
        dialogue = self._dialogue = Dialogue(
            self._loop,
            view,
            stop,
            time_runs=clock_runs(clock),
            while_waiting=self._answer_suspend_key,
        )
        known_good = frozenset(cell.socket for cell in request.cells if cell.check_cell and cell.socket)
        self._steps = Steps(
            self._loop,
            self._drive,
            self._gas,
            procedure,
            self._presenter,
            sockets,
            humidity,
            self._airing(dialogue),
            known_good,
        )
        self._ending = Ending(
            self._loop,
            self._drive,
            view,
            dialogue,
            lambda text, ambient_bar: read_pressure(text).gauge_bar(ambient_bar),
        )
        self._holding = Holding(self._loop, self._drive, view, dialogue, self._steps.resumed)
        self._hooks = kind.hooks(self._loop, dialogue)
        self._presenter.lid_force_n = self._hooks.lid_force_n
        self._presenter.witness = lambda scan: contradiction(scan, self._limits)
        self._parts = self._bound(self._plan)
        self._clearing: Clearing | None = None
        self._gas_since_s = 0.0
        self._first_out = ""

    def _drive_parts(self, acquisition: Acquisition, set_point: SetPoint, schedule: Schedule) -> DriveParts:
        return DriveParts(
            machine=self._machine,
            limits=self._limits,
            set_point=set_point,
            schedule=schedule,
            log=self._log,
            acquisition=acquisition,
            view=self._view,
            show_cue=self._show_cue,
            show_now=self._presenter.show_now,
        )

    def _airing(self, dialogue: Dialogue) -> Airing:
        """Who asks for the pot to be aired, where a person is there and has not said that it was."""
        request, file = self._request, self._bench.file
        person = self._bench.virtual is None or file.has_hand_valves
        serials = [cell.cell for cell in request.cells] if self._sink is None else []
        known = known_air_mv(request.out, serials, simulated=self._bench.virtual is not None)
        by_socket = {
            cell.socket: known[cell.cell]
            for cell in request.cells
            if cell.socket is not None and cell.cell in known
        }
        return Airing(self._loop, dialogue, by_socket, asks=person and not request.aired)

    def check_last_run(self, codes: Sequence[str], memories: Sequence[Path]) -> None:
        """Have the last run on this rig cleared before this one; `codes` are cleared beforehand."""
        self._clearing = Clearing(self._bench.file, self._request.out, memories, codes, self._view, self._log)
        self._notices.asks_codes = True

    def run(self, checks: Callable[[], str] | None = None) -> RunOutcome:
        """Run to the end; `checks` as for `run_session`."""
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
        if self._ending.alarm is None and (kept_shut := self._hooks.after_vent()) is not None:
            self._ending.alarm = kept_shut.alarm
            if kept_shut.contradicted and how == "completed":
                how, why, code = "tripped", "All steps were done.", "NOT_VENTED"
        for left in (self._ending.rose, self._ending.alarm):
            why = why if left is None else f"{why} {left}"
        if self._loop.decompressed:
            sure = self._loop.fall_seen and not self._loop.scan.gauge.doubt
            self._notices.rest(self._loop.now_s - self._gas_since_s, sure=sure)
        self._ending.say_watching_ends()
        self._notices.last_words()
        self._log.end(how, why)
        if self._clearing is not None:
            vented = self._ending.disturbed is None
            self._clearing.ended(how, code, why, self._bench.clock.utc(), vented=vented)
        if self._log.failure is not None:
            self._notices.lost_record()
        if self._loop.gate is not None:
            self._loop.gate.release()
        return RunOutcome(self._path, how, why, code)

    def _start(self) -> None:
        """Make the rig safe, check the gauges, start the record.

        Raises:
            Refused: a check failed, before any gas.
        """
        machine = self._machine
        if self._sink is None:
            free = self._free_bytes()
            problem = None if free is None else disk_refusal(free)
            if problem is not None:
                raise Refused("DISK_FULL", problem)
            self._notices.resting(self._request.out, self._request.cells)
        hooks, show_now = self._hooks, self._presenter.show_now
        if hooks.person_first:
            show_now("checks before any gas", _ZERO_CHECK)
            self._settle_last_run()
        hooks.before_gas(self._bench.clock.utc().date())
        show_now("making the rig safe", _ZERO_CHECK)
        machine.fire(Command.CLEAR, "start")
        make_safe(self._loop, self._view)
        if not hooks.person_first:
            self._settle_last_run()
        show_now(_ZERO_CHECK)
        typed_pressure = self._loop.acquisition.pressure_is_typed
        hooks.before_zero()
        if not typed_pressure:
            check_vented_zero(self._loop)
        hooks.after_zero()
        header = run_header(self._bench, self._request, typed_pressure=typed_pressure)
        if self._sink is not None:
            self._log.attach(self._sink(header))
        else:
            started = self._schedule.started_utc
            writer = RecordWriter.create(self._request.out, header, started)
            self._path = writer.path
            self._log.attach(writer)
            if self._clearing is not None:
                self._clearing.begun(writer.path, started)
        self._view.say(
            f"Oxygen: {self._plan.gas_l:.1f} L planned; the run is stopped at {self._limits.most_gas_l:g} L."
        )
        machine.fire(Command.DONE, "gauges agree with the barometer")
        self._frozen.start()

    def _settle_last_run(self) -> None:
        if self._clearing is None:
            return
        if self._clearing.interrupted:
            self._hooks.way_out()
        self._clearing.settle(self._dialogue)

    def _work(self) -> tuple[How, str, str]:
        """Do the run; returns how and why it ended, and the code of what ended it."""
        trip: Trip | None = None
        try:
            self._machine.fire(Command.RESET, "start")
            for part in self._parts:
                self._presenter.begin(part.planned)
                part.do()
            if self._ending.disturbed is None:
                self._machine.fire(Command.DONE, "vented")
                return self._closing_check()
            self._machine.fire(Command.STOP, "not vented")
            return "tripped", "The pot was not shown to stay vented after the last step.", "NOT_VENTED"
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
        """Check gauges and voltmeter once more on the vented pot: the run's readings may be doubtful."""
        scan = self._loop.scan
        # A meter that varies cannot have stood still in a hold: the last one ended on a scan that differed.
        if not scan.voltmeter_varies and (deaf := deaf_voltmeter(scan)) is not None:
            self._notices.deaf_voltmeter(deaf)
            return "tripped", deaf, "VOLTMETER_LOST"
        if self._loop.acquisition.pressure_is_typed:
            return "completed", "All steps done; the pot is vented.", ""
        try:
            check_vented_zero(self._loop)
        except Refused as moved:
            if moved.code == "NOT_VENTED":
                self._ending.sound(str(moved))
                return "tripped", "All steps were done.", "NOT_VENTED"
            why = f"The gauges have drifted during the run: {moved}."
            self._notices.moved_zero(why)
            return "tripped", why, "ZERO_MOVED"
        return "completed", "All steps done; the pot is vented.", ""

    def _bound(self, plan: Plan) -> tuple[Part, ...]:
        """Bind each part of the plan to its function."""
        work: dict[PartKind, Callable[[PlannedPart], None]] = {
            PartKind.AIR: lambda _: self._steps.air(),
            PartKind.SUPPLY: lambda _: self._open_supply(),
            PartKind.PURGE: lambda _: self._purge(),
            PartKind.STEP: self._step,
            PartKind.VENT: lambda _: self._vent(),
        }
        return tuple(Part(planned, partial(work[planned.kind], planned)) for planned in plan.parts)

    def _open_supply(self) -> None:
        self._machine.fire(Command.DONE, "ready")
        self._dialogue.before_gas = False
        self._hooks.open_supply()

    def _purge(self) -> None:
        self._gas_since_s = self._loop.now_s
        self._machine.fire(Command.START, "start")
        purge(self._loop, self._drive, self._gas, self._request.procedure)
        self._machine.fire(Command.DONE, "purge proven")
        if remark := self._hooks.after_purge():
            self._notices.caution(remark)

    def _step(self, part: PlannedPart) -> None:
        assert part.step is not None
        self._holding.work(partial(self._steps.oxygen, part.number, part.step))

    def _vent(self) -> None:
        self._machine.fire(Command.DONE, "all steps done")
        self._ending.vent_on_ramp(WATCH_AFTER_RUN_S)

    def _stop(self, how: How, why: str, code: str) -> tuple[How, str, str]:
        """Vent on the ramp; a trip meanwhile de-energises."""
        self._hooks.way_out()
        self._machine.fire(Command.STOP, code)
        self._presenter.begin_end("venting on the ramp")
        try:
            self._ending.vent_on_ramp(WATCH_AFTER_TRIP_S)
        except Tripped as tripped:
            _, also, also_code = self._abort(self._worded(tripped.trip))
            return ("aborted" if also_code == "STOPPED_NOW" else "tripped"), f"{why} {also}", code
        self._machine.fire(Command.DONE, "vented" if self._ending.alarm is None else "not vented")
        return how, why, code

    def _abort(self, trip: Trip) -> tuple[How, str, str]:
        self._first_out = self._first_out or trip.message
        self._presenter.alarm = self._first_out
        self._notices.trip(trip, self._loop.scan)
        self._presenter.begin_end("venting at once")
        self._ending.abort(trip)
        return ("aborted" if trip.code == "STOPPED_NOW" else "tripped"), trip.message, trip.code

    def _fail(self, error: Exception) -> tuple[How, str, str]:
        """End safely after an error of this program; the record keeps the traceback.

        Raises:
            Exception: the error, when the orderly end fails too; the outputs are dropped.
        """
        self._loop.drop_outputs()
        trip = procedure_trip(
            "PROGRAM_ERROR",
            Response.ABORT,
            f"This program failed ({type(error).__name__}: {error}).",
            f"{CLOSE_BOTTLE} {KEEP_LID_SHUT} Report the error, with the record.",
        )
        try:
            self._log.event("note", text="".join(traceback.format_exception(error)))
            return self._abort(self._worded(trip))
        except Exception:
            raise error from None

    def _worded(self, trip: Trip) -> Trip:
        """Return a trip in the words of this drive, and with what is known of the order to drop."""
        if trip.response is Response.ABORT and self._loop.drop is None:
            self._loop.drop_outputs()
        return replace(trip, drive=self._loop.scan.drive, drop=self._loop.drop or DROP_ORDERED)

    def _refuse(self, refused: Refused) -> RunOutcome:
        """End a run before it began: drop the outputs, leave no record."""
        gate = self._loop.gate
        if gate is not None:
            gate.de_energise()
            gate.release()
        self._view.say(str(refused), "alarm")
        return RunOutcome(None, "refused", str(refused), refused.code)

    def _free_bytes(self) -> int | None:
        """Room where the record goes, in bytes; None for a record in memory, or when it is not known."""
        if self._sink is not None:
            return None
        # The record makes its folder when it begins, so that a refused run leaves none.
        try:
            return free_bytes(self._request.out)
        except OSError:
            return None

    def _on_tick(self, scan: Scan, row: TickReadings) -> None:
        if (standing := self._ending.disturbed) is not None:
            self._presenter.alarm = f"{self._first_out} {standing}".strip()
        self._presenter.tick(scan, row)
        self._notices.tick(scan)
        self._notices.swapped(self._loop.cells.swapped)
        if failure := self._view.take_failure():
            self._notices.caution(f"The screen failed ({failure}); the run continues without it.")
        self._answer_suspend_key()

    def _answer_suspend_key(self) -> None:
        if self._stop_request.take_suspend():
            keys = WORDS[self._loop.scan.drive].stop_keys
            self._view.say(f"Ctrl-Z is ignored: the pot needs this program. {keys}", "caution")

    def _show_cue(self, cue: Cue | None) -> None:
        self._presenter.cue = cue

    def _state_changed(self, before: State, after: State, why: str) -> None:
        self._log.event("state", **{"from": before.value, "to": after.value, "why": why})
