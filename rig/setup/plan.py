"""What a procedure will do on a bench, calculated before any gas: its parts, time, gas and margins.

The parts list what a run does, in order: `leadline plan` prints the list, the session executes it and the
screen shows the progress.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from functools import partial
from typing import Any, Final

from grading.gas import (
    DRY_AIR_OXYGEN_FRACTION,
    STANDARD_ATMOSPHERE_BAR,
    PurgedGas,
    fraction_after_flow,
    fraction_after_swings,
)
from rig.setup.bench_file import FAST_RAMP_BAR_PER_MIN, BenchFile, PressureLimits, pressure_limits
from rig.setup.procedure import ProcedureFile, Step
from rig.setup.room_below_stop import check_room
from rig_configs.files.checked_toml import FileError

# A healthy cell settles in about a minute by the adaptive rule; the range runs from the shortest hold to
# the cap, which a slow cell reaches.
_USUAL_HOLD_S: Final = 60.0


_USUAL_OPENING_S: Final = 60.0
WATCH_AFTER_RUN_S: Final = 30.0
"""How long a pot is watched after the last step, once it is vented (judgement): a supply valve that does not
shut against an open vent shows within seconds, and it has been shut since the last step."""
LONGEST_OPENING_S: Final = 300.0
"""Longest wait for a person to open the cylinder."""


class PartKind(StrEnum):
    """What a part of a run does."""

    AIR = "air"
    SUPPLY = "supply"
    PURGE = "purge"
    STEP = "step"
    VENT = "vent"


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """One part of a run; pressures absolute, times in seconds, gas in litres at 1 bar.

    Attributes:
        kind: what it does.
        number: of the step, as in the procedure and in a record; 0 for other parts.
        what: its line of the plan.
        now: what the screen says while it runs.
        name: what the screen calls it while the part before runs.
        step: of the procedure; None for other parts.
        duration_s: usual time, ramp included; `longest_s` when every hold runs to its cap. Zero where there
            is no wait.
    """

    kind: PartKind
    number: int
    what: str
    now: str
    name: str
    from_bar: float
    to_bar: float
    duration_s: float
    longest_s: float
    step: Step | None = None
    ramp_s: float = 0.0
    gas_l: float = 0.0

    @property
    def po2_bar(self) -> float | None:
        """Nominal PO2 of the step, in bar; None for other parts."""
        return None if self.step is None else self.step.po2_bar

    def as_dict(self) -> dict[str, Any]:
        """Return the part as JSON data."""
        return {
            "number": self.number,
            "what": self.what,
            "po2_bar": self.po2_bar,
            "from_bar": self.from_bar,
            "to_bar": self.to_bar,
            "ramp_s": self.ramp_s,
            "duration_s": self.duration_s,
            "longest_s": self.longest_s,
            "gas_l": self.gas_l,
        }


@dataclass(frozen=True, slots=True)
class Margin:
    """How close the plan comes to one limit."""

    limit: str
    allowed: float
    planned: float
    unit: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan.

    Attributes:
        oxygen_fraction, u_oxygen_fraction: what the purge should leave in the pot, and its standard
            uncertainty.
        parts: all that a run does, in order; a run executes exactly these.
    """

    bench: str
    procedure: str
    barometer_bar: float
    oxygen_fraction: float
    u_oxygen_fraction: float
    parts: tuple[PlannedPart, ...]
    margins: tuple[Margin, ...]
    remarks: tuple[str, ...]

    @property
    def printed_parts(self) -> tuple[PlannedPart, ...]:
        """The parts that take time: oxygen is ready at once where no person has to open the cylinder."""
        return tuple(part for part in self.parts if part.kind is not PartKind.SUPPLY or part.longest_s > 0.0)

    @property
    def duration_s(self) -> float:
        """Usual time of the whole run, in seconds."""
        return sum(part.duration_s for part in self.parts)

    @property
    def longest_s(self) -> float:
        """Time of the whole run when every hold runs to its cap, in seconds."""
        return sum(part.longest_s for part in self.parts)

    @property
    def gas_l(self) -> float:
        """Oxygen used, in litres at 1 bar."""
        return sum(part.gas_l for part in self.parts)

    def as_dict(self) -> dict[str, Any]:
        """Return the plan as JSON data."""
        return {
            "schema": "leadline.plan/1",
            "bench": self.bench,
            "procedure": self.procedure,
            "barometer_bar": self.barometer_bar,
            "oxygen_fraction": self.oxygen_fraction,
            "u_oxygen_fraction": self.u_oxygen_fraction,
            "steps": [part.as_dict() for part in self.printed_parts],
            "margins": [asdict(margin) for margin in self.margins],
            "remarks": list(self.remarks),
            "duration_s": self.duration_s,
            "longest_s": self.longest_s,
            "gas_l": self.gas_l,
        }


def make_plan(
    bench: BenchFile, procedure: ProcedureFile, barometer_bar: float = STANDARD_ATMOSPHERE_BAR
) -> Plan:
    """Calculate what a procedure will do on a bench.

    Args:
        bench: a checked bench file.
        procedure: a checked procedure.
        barometer_bar: ambient pressure to calculate with, absolute bar.

    Raises:
        FileError: when the bench does not allow the procedure, or its supply and purge cannot give the
            oxygen fraction that the procedure asks for.
    """
    limits = pressure_limits(bench, procedure)
    ramp_bar_per_s = limits.ramp_bar_per_min / 60.0
    purge, gas = _purge(bench, procedure, barometer_bar, ramp_bar_per_s)
    steps = _steps(bench, procedure, gas.oxygen_fraction, purge.to_bar, barometer_bar, ramp_bar_per_s)
    check_room(bench, procedure, limits.stop_bar, [step.to_bar for step in steps])
    parts = (
        *([_air(procedure, barometer_bar)] if procedure.air.hold else []),
        _supply(bench, barometer_bar),
        purge,
        *steps,
        _vent(steps[-1].to_bar, barometer_bar, ramp_bar_per_s),
    )
    used_l = sum(part.gas_l for part in parts)
    if used_l > limits.most_gas_l:
        raise FileError(
            bench.source.problem(
                ("limits", "most_gas_l"),
                f"{limits.most_gas_l:g} L are allowed, {procedure.file} needs {used_l:.1f} L; "
                "allow more or purge with fewer swings",
            )
        )
    highest_bar = max(part.to_bar for part in parts)
    if procedure.purge.method == "swings":
        highest_bar = max(highest_bar, procedure.purge.high_bar)
    return Plan(
        bench=bench.name,
        procedure=f"{procedure.name} {procedure.version}",
        barometer_bar=barometer_bar,
        oxygen_fraction=gas.oxygen_fraction,
        u_oxygen_fraction=gas.u_oxygen_fraction,
        parts=parts,
        margins=_margins(limits, highest_bar, used_l),
        remarks=_remarks(bench, procedure, limits, gas.oxygen_fraction, barometer_bar),
    )


def _usual_hold_s(procedure: ProcedureFile) -> float:
    return min(max(procedure.hold.least_s, _USUAL_HOLD_S), procedure.hold.cap_s)


def _air(procedure: ProcedureFile, barometer_bar: float) -> PlannedPart:
    usual_s, cap_s = _usual_hold_s(procedure), procedure.hold.cap_s
    what = "ambient air"
    now = "reading in ambient air"
    return PlannedPart(PartKind.AIR, 0, what, now, what, barometer_bar, barometer_bar, usual_s, cap_s)


def _supply(bench: BenchFile, barometer_bar: float) -> PlannedPart:
    """Oxygen on: a person opens the cylinder at a hand pot; elsewhere the valves do it."""
    part = partial(PlannedPart, PartKind.SUPPLY, 0, from_bar=barometer_bar, to_bar=barometer_bar)
    if not bench.has_hand_valves:
        return part("oxygen on", "letting oxygen in", "purge", duration_s=0.0, longest_s=0.0)
    what = "opening the cylinder"
    return part(what, what, what, duration_s=_USUAL_OPENING_S, longest_s=LONGEST_OPENING_S)


def _vent(from_bar: float, barometer_bar: float, ramp_bar_per_s: float) -> PlannedPart:
    ramp_s = max(0.0, from_bar - barometer_bar) / ramp_bar_per_s
    takes_s = ramp_s + WATCH_AFTER_RUN_S
    return PlannedPart(
        PartKind.VENT, 0, "vent", "venting", "vent", from_bar, barometer_bar, takes_s, takes_s, ramp_s=ramp_s
    )


def _purge(
    bench: BenchFile, procedure: ProcedureFile, barometer_bar: float, ramp_bar_per_s: float
) -> tuple[PlannedPart, PurgedGas]:
    """The purge, and the gas that it should leave.

    Raises:
        FileError: it does not leave the oxygen fraction that the procedure asks for.
    """
    purge, supply = procedure.purge, bench.gas
    if purge.method == "swings":
        what, key, to_bar = f"purge, {purge.swings} swings", "swings", purge.low_bar
        gas = fraction_after_swings(
            DRY_AIR_OXYGEN_FRACTION,
            supply.oxygen_fraction,
            [barometer_bar, *[purge.low_bar] * (purge.swings - 1)],
            [purge.high_bar] * purge.swings,
            supply.u_oxygen_fraction,
        )
        swing_bar = purge.high_bar - purge.low_bar
        let_in_bar = purge.high_bar - barometer_bar + (purge.swings - 1) * swing_bar
        takes_s = (let_in_bar + purge.swings * swing_bar) / ramp_bar_per_s
    else:
        what, key, to_bar = f"purge, {purge.flow_volumes:g} volumes", "flow_volumes", barometer_bar
        gas = fraction_after_flow(
            DRY_AIR_OXYGEN_FRACTION, supply.oxygen_fraction, purge.flow_volumes, supply.u_oxygen_fraction
        )
        let_in_bar = purge.flow_volumes * barometer_bar
        takes_s = let_in_bar / ramp_bar_per_s
    if gas.oxygen_fraction < purge.least_oxygen_fraction:
        raise FileError(
            procedure.source.problem(
                ("purge", key),
                f"leaves {gas.oxygen_fraction:.4f} oxygen with this supply; least_oxygen_fraction is "
                f"{purge.least_oxygen_fraction:g}: purge more",
            )
        )
    part = PlannedPart(
        PartKind.PURGE,
        0,
        what,
        f"purge by {purge.method}",
        "purge",
        barometer_bar,
        to_bar,
        takes_s,
        takes_s,
        ramp_s=takes_s,
        gas_l=let_in_bar * bench.pot.volume_l,
    )
    return part, gas


def _steps(
    bench: BenchFile,
    procedure: ProcedureFile,
    oxygen_fraction: float,
    from_bar: float,
    barometer_bar: float,
    ramp_bar_per_s: float,
) -> list[PlannedPart]:
    steps, here_bar, leak_tested = [], from_bar, False
    for number, step in enumerate(procedure.steps, start=1):
        target_bar = max(procedure.target_bar(step, oxygen_fraction), barometer_bar)
        ramp_s = abs(target_bar - here_bar) / ramp_bar_per_s
        least_s = 0.0
        if procedure.is_top(step) and not leak_tested:
            leak_tested, least_s = True, procedure.top_hold_s
        steps.append(
            PlannedPart(
                PartKind.STEP,
                number,
                "hold",
                f"PO2 {step.po2_bar:g} bar {step.direction}",
                f"PO2 {step.po2_bar:g} bar",
                here_bar,
                target_bar,
                ramp_s + max(_usual_hold_s(procedure), least_s),
                ramp_s + max(procedure.cap_s(step), least_s),
                step=step,
                ramp_s=ramp_s,
                gas_l=max(0.0, target_bar - here_bar) * bench.pot.volume_l,
            )
        )
        here_bar = target_bar
    return steps


def _margins(limits: PressureLimits, highest_bar: float, used_l: float) -> tuple[Margin, ...]:
    return (
        Margin("highest pressure, filling stops", limits.stop_bar, highest_bar, "bar"),
        Margin("highest pressure, run trips", limits.trip_bar, highest_bar, "bar"),
        Margin("highest pressure, relief lifts", limits.relief_bar, highest_bar, "bar"),
        Margin("highest pressure, plate of the pot", limits.working_bar, highest_bar, "bar"),
        Margin("oxygen for the run", limits.most_gas_l, used_l, "L"),
        Margin("ramp", limits.ramp_bar_per_min, limits.ramp_bar_per_min, "bar/min"),
    )


def _remarks(
    bench: BenchFile,
    procedure: ProcedureFile,
    limits: PressureLimits,
    oxygen_fraction: float,
    barometer_bar: float,
) -> tuple[str, ...]:
    remarks = [f"A run that has used {limits.most_gas_l:g} L of oxygen is ended (most_gas_l)."]
    if any(procedure.target_bar(step, oxygen_fraction) < barometer_bar for step in procedure.steps):
        remarks.append(
            f"A step asks for less than the barometer's {barometer_bar:.3f} bar: it is held at the "
            "barometer, and its PO2 is the one there."
        )
    if procedure.closing_step_added:
        remarks.append(
            f"A last step at PO2 {procedure.calibration_po2_bar:g} bar was added: it checks the gas, the "
            "gauges and the meter again."
        )
    if not procedure.air.hold:
        remarks.append("Without a reading in air the gas is not proven, and no cell is graded.")
    if limits.ramp_bar_per_min > FAST_RAMP_BAR_PER_MIN:
        remarks.append(
            f"The ramp of {limits.ramp_bar_per_min:g} bar/min stresses cells: keep to "
            f"{FAST_RAMP_BAR_PER_MIN:g} bar/min or less."
        )
    if procedure.purge.method == "flow":
        remarks.append(
            "How long a flow purge takes depends on the supply's restrictor; the time shown is a long one."
        )
    remarks.append("Times are usual ones; cells that settle slowly hold every step up to its cap.")
    return tuple(remarks)
