"""What moves the pressure on a bench: solenoid valves, a pressure controller, or a person's hands."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

from drivers.ports import PressureController, ValveBlock, WatchedController
from rig.hand.drive import HandDrive
from rig.hand.pot import HandPot
from rig.hand.typed_drive import TypedHandDrive
from rig.loop.acquisition import Acquisition
from rig.loop.dialogue import Dialogue, NoAnswer
from rig.loop.loop import Loop, Refused
from rig.loop.outputs import Outputs
from rig.loop.run_log import RunLog
from rig.loop.schedule import Schedule
from rig.pressure.controller_drive import ControlledPressure
from rig.pressure.dosed_valves import DosedValves
from rig.pressure.drive import DriveHooks, PressureDrive
from rig.pressure.drive_trips import TAKE_SWINGS, WHY_NO_FLOW
from rig.pressure.gate import Gate
from rig.safety.drive_words import Drive
from rig.safety.limits import SafetyLimits
from rig.safety.set_point import SetPoint
from rig.safety.states import Machine
from rig.setup.bench import OpenBench
from rig.setup.bench_file import BenchFile
from rig.setup.procedure import ProcedureFile
from rig.view import Cue, View

MakeHooks = Callable[[Loop, Dialogue], DriveHooks]


@dataclass(frozen=True, slots=True)
class DriveParts:
    """What every drive is built from.

    Attributes:
        show_cue: puts what a person's hands are to do on the screen.
        show_now: shows on the screen what is being done, and what comes next.
    """

    machine: Machine
    limits: SafetyLimits
    set_point: SetPoint
    schedule: Schedule
    log: RunLog
    acquisition: Acquisition
    view: View
    show_cue: Callable[[Cue | None], None]
    show_now: Callable[[str, str], None]


@dataclass(frozen=True, slots=True)
class DriveKind:
    """A bench's outputs, its pressure drive, and what this kind of drive adds to a run."""

    outputs: Outputs
    drive: PressureDrive
    hooks: MakeHooks


def drive_kind(bench: OpenBench) -> Drive:
    """Return what moves the pressure on a bench."""
    if bench.controller is not None:
        return Drive.CONTROLLER
    return Drive.HANDS if bench.valves is None else Drive.VALVES


def refuse_what_it_cannot(bench: OpenBench, procedure: ProcedureFile) -> None:
    """Compare what a procedure asks for with what the bench can measure.

    Raises:
        Refused: NO_FLOW_PURGE.
    """
    drive = drive_kind(bench)
    if drive in WHY_NO_FLOW and procedure.purge.method == "flow":
        raise Refused("NO_FLOW_PURGE", f"no flow purge here: {WHY_NO_FLOW[drive]}. {TAKE_SWINGS}")


def build_drive(bench: OpenBench, parts: DriveParts) -> DriveKind:
    """Build what moves the pressure of an open bench."""
    two_gauges = bench.second_gauge is not None
    if bench.controller is not None:
        return _controlled(bench.file, bench.controller, parts, two_gauges)
    if bench.valves is not None:
        return _valves(bench.valves, parts, two_gauges)
    return _hands(bench, parts, two_gauges)


def _controlled(
    bench: BenchFile, controller: PressureController, parts: DriveParts, two_gauges: bool
) -> DriveKind:
    drive = ControlledPressure(
        controller,
        parts.machine,
        parts.limits,
        parts.set_point,
        parts.schedule,
        parts.log,
        lambda: parts.acquisition.scan,
        watch_link=two_gauges,
    )
    return DriveKind(drive, drive, lambda _loop, dialogue: _ControllerHooks(bench, controller, dialogue))


def _valves(valves: ValveBlock, parts: DriveParts, two_gauges: bool) -> DriveKind:
    gate = Gate(
        valves,
        parts.machine,
        parts.limits,
        lambda: parts.acquisition.scan,
        parts.schedule,
        parts.log,
        two_gauges=two_gauges,
        owner_token=os.getpid() % 65535 + 1,
    )
    drive = DosedValves(gate, parts.set_point, parts.limits, parts.schedule)
    return DriveKind(gate, drive, lambda _loop, _dialogue: _ValveHooks(drive))


def _hands(bench: OpenBench, parts: DriveParts, two_gauges: bool) -> DriveKind:
    common = (parts.machine, parts.limits, parts.set_point, parts.log)
    drive: HandDrive
    if parts.acquisition.pressure_is_typed:
        drive = TypedHandDrive(*common, parts.acquisition, parts.view, parts.show_cue)
    else:
        drive = HandDrive(
            *common, lambda: parts.acquisition.scan, parts.view, parts.show_cue, two_gauges=two_gauges
        )

    def hooks(loop: Loop, dialogue: Dialogue) -> HandPot:
        drive.ask_through(dialogue)
        return HandPot(loop, drive, dialogue, parts.view, bench.file, parts.show_now)

    return DriveKind(drive, drive, hooks)


class _ControllerHooks(DriveHooks):
    """What a pressure controller adds: only its own link time-out ends what a killed program leaves."""

    def __init__(self, bench: BenchFile, controller: PressureController, dialogue: Dialogue) -> None:
        self._bench = bench
        self._controller = controller
        self._dialogue = dialogue

    def before_gas(self, today: date) -> None:
        """Have a person confirm a link time-out that nothing else has shown.

        Raises:
            Refused: LINK_TIMEOUT.
        """
        del today
        found = self._bench.by_role("controller")
        read_back = isinstance(self._controller, WatchedController) and self._controller.link_timeout_s
        if found is None or read_back:
            return
        entry = found[1]
        if entry.link_timeout_s is None or entry.link_timeout_proven is not None:
            return
        what = (
            f"The bench file says that the controller vents {entry.link_timeout_s:g} s after the last "
            "message: this program cannot read that back, and nothing else vents the pot when it is killed."
        )
        try:
            self._dialogue.confirm("link_timeout", f"{what} Look at the controller's own setting.", "VENTS")
        except NoAnswer:
            to_do = "see it vent, and write link_timeout_proven into the bench file"
            raise Refused("LINK_TIMEOUT", f"{what} Nobody confirmed it; {to_do}.") from None


class _ValveHooks(DriveHooks):
    """What solenoid valves add: their shots may turn out too large for the pot."""

    def __init__(self, drive: DosedValves) -> None:
        self._drive = drive

    def after_purge(self) -> str:
        return self._drive.too_coarse
