"""What moves the pressure on a bench: solenoid valves, a pressure controller, or a person's hands."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass

from drivers.ports import read_by_hand
from rig.hand.drive import HandDrive
from rig.hand.typed_drive import TypedHandDrive
from rig.loop.acquisition import Acquisition
from rig.loop.loop import Refused
from rig.loop.outputs import Outputs
from rig.loop.run_log import RunLog
from rig.loop.schedule import Schedule
from rig.pressure.controller_drive import ControlledPressure
from rig.pressure.dosed_valves import DosedValves, PressureDrive
from rig.pressure.drive_trips import TAKE_SWINGS, WHY_NO_FLOW
from rig.pressure.gate import Gate
from rig.safety.drive_words import Drive
from rig.safety.limits import SafetyLimits
from rig.safety.set_point import SetPoint
from rig.safety.states import Machine
from rig.setup.bench import OpenBench
from rig.setup.procedure import ProcedureFile
from rig.view import Cue, View


@dataclass(frozen=True, slots=True)
class DriveParts:
    """What every drive is made from."""

    machine: Machine
    limits: SafetyLimits
    set_point: SetPoint
    schedule: Schedule
    log: RunLog
    acquisition: Acquisition


def drive_kind(bench: OpenBench) -> Drive:
    """Return what moves the pressure on a bench."""
    if bench.controller is not None:
        return Drive.CONTROLLER
    return Drive.HANDS if bench.valves is None else Drive.VALVES


def refuse_what_it_cannot(bench: OpenBench, procedure: ProcedureFile) -> None:
    """Hold what a procedure asks for against what the bench can measure.

    Raises:
        Refused: METER_BY_HAND or NO_FLOW_PURGE.
    """
    if read_by_hand(bench.voltmeter):
        raise Refused(
            "METER_BY_HAND",
            "a meter that is read by eye cannot show whether a cell has settled; write the readings into "
            "a table and use 'leadline grade TABLE'",
        )
    drive = drive_kind(bench)
    if drive in WHY_NO_FLOW and procedure.purge.method == "flow":
        raise Refused("NO_FLOW_PURGE", f"no flow purge here: {WHY_NO_FLOW[drive]}. {TAKE_SWINGS}")


def pressure_drive(
    bench: OpenBench, parts: DriveParts, view: View, show_cue: Callable[[Cue | None], None]
) -> tuple[Outputs, PressureDrive]:
    """Return a bench's way to the safe state, and what moves its pressure.

    Args:
        bench: open.
        parts: of the run.
        view: where a person with hand valves is told what to do.
        show_cue: puts the cue for that person's hands on the screen.
    """
    acquisition = parts.acquisition
    two_gauges = bench.second_gauge is not None
    if bench.controller is not None:
        controlled = ControlledPressure(
            bench.controller,
            parts.machine,
            parts.limits,
            parts.set_point,
            parts.schedule,
            parts.log,
            lambda: acquisition.scan,
            watch_link=two_gauges,
        )
        return controlled, controlled
    if bench.valves is None:
        hands: HandDrive
        common = (parts.machine, parts.limits, parts.set_point, parts.log)
        if acquisition.pressure_is_typed:
            hands = TypedHandDrive(*common, acquisition, view, show_cue)
        else:
            hands = HandDrive(*common, lambda: acquisition.scan, view, show_cue, two_gauges=two_gauges)
        return hands, hands
    gate = Gate(
        bench.valves,
        parts.machine,
        parts.limits,
        lambda: acquisition.scan,
        parts.schedule,
        parts.log,
        two_gauges=two_gauges,
        owner_token=os.getpid() % 65535 + 1,
    )
    return gate, DosedValves(gate, parts.set_point, parts.limits, parts.schedule)
