"""What a procedure will do on a bench, worked out before any gas: steps, time, gas and margins."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

from grading.gas import (
    DRY_AIR_OXYGEN_FRACTION,
    STANDARD_ATMOSPHERE_BAR,
    PurgedGas,
    fraction_after_flow,
    fraction_after_swings,
)
from rig.setup.bench_file import FAST_RAMP_BAR_PER_MIN, BenchFile, PressureLimits, pressure_limits
from rig.setup.procedure import ProcedureFile
from rig_configs.files.checked_toml import FileError

# A healthy cell settles in about a minute by the adaptive rule; the range runs from the shortest hold to
# the cap, which a slow cell reaches.
_USUAL_HOLD_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One line of the plan; pressures absolute, times in seconds, gas in litres at 1 bar.

    Attributes:
        number: 0 for ambient air and the purge, then as in the procedure.
        what: "ambient air", "purge", "hold", "vent".
        duration_s: usual time, ramp included; `longest_s` when every hold runs to its cap.
    """

    number: int
    what: str
    po2_bar: float | None
    from_bar: float
    to_bar: float
    ramp_s: float
    duration_s: float
    longest_s: float
    gas_l: float


@dataclass(frozen=True, slots=True)
class Margin:
    """How near the plan comes to one limit."""

    limit: str
    allowed: float
    planned: float
    unit: str


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole plan. `oxygen_fraction` is what the purge should leave in the pot, with its uncertainty."""

    bench: str
    procedure: str
    barometer_bar: float
    oxygen_fraction: float
    u_oxygen_fraction: float
    steps: tuple[PlannedStep, ...]
    margins: tuple[Margin, ...]
    remarks: tuple[str, ...]

    @property
    def duration_s(self) -> float:
        """Usual time of the whole run, in seconds."""
        return sum(step.duration_s for step in self.steps)

    @property
    def longest_s(self) -> float:
        """Time of the whole run when every hold runs to its cap, in seconds."""
        return sum(step.longest_s for step in self.steps)

    @property
    def gas_l(self) -> float:
        """Oxygen used, in litres at 1 bar."""
        return sum(step.gas_l for step in self.steps)

    def as_dict(self) -> dict[str, Any]:
        """Return the plan as JSON data."""
        return {
            "schema": "leadline.plan/1",
            **asdict(self),
            "duration_s": self.duration_s,
            "longest_s": self.longest_s,
            "gas_l": self.gas_l,
        }


def make_plan(
    bench: BenchFile, procedure: ProcedureFile, barometer_bar: float = STANDARD_ATMOSPHERE_BAR
) -> Plan:
    """Work out what a procedure will do on a bench.

    Args:
        bench: a checked bench file.
        procedure: a checked procedure.
        barometer_bar: ambient pressure to reckon with, absolute bar.

    Raises:
        FileError: when the bench does not allow the procedure, or its supply and purge cannot give the
            oxygen fraction that the procedure asks for.
    """
    limits = pressure_limits(bench, procedure)
    ramp_bar_per_s = limits.ramp_bar_per_min / 60.0
    steps = [_air_step(procedure, barometer_bar)] if procedure.air.hold else []
    purge, gas = _purge_step(bench, procedure, barometer_bar, ramp_bar_per_s)
    steps.append(purge)
    holds = _hold_steps(bench, procedure, gas.oxygen_fraction, purge.to_bar, barometer_bar, ramp_bar_per_s)
    steps += holds
    vent_s = max(0.0, holds[-1].to_bar - barometer_bar) / ramp_bar_per_s
    steps.append(PlannedStep(0, "vent", None, holds[-1].to_bar, barometer_bar, vent_s, vent_s, vent_s, 0.0))
    used_l = sum(step.gas_l for step in steps)
    if used_l > limits.most_gas_l:
        raise FileError(
            bench.source.problem(
                ("limits", "most_gas_l"),
                f"{limits.most_gas_l:g} L are allowed, {procedure.file} needs {used_l:.1f} L; "
                "allow more or purge with fewer swings",
            )
        )
    highest_bar = max(step.to_bar for step in steps)
    if procedure.purge.method == "swings":
        highest_bar = max(highest_bar, procedure.purge.high_bar)
    return Plan(
        bench=bench.name,
        procedure=f"{procedure.name} {procedure.version}",
        barometer_bar=barometer_bar,
        oxygen_fraction=gas.oxygen_fraction,
        u_oxygen_fraction=gas.u_oxygen_fraction,
        steps=tuple(steps),
        margins=_margins(limits, highest_bar, used_l),
        remarks=_remarks(bench, procedure, limits, gas.oxygen_fraction, barometer_bar),
    )


def _usual_hold_s(procedure: ProcedureFile) -> float:
    return min(max(procedure.hold.least_s, _USUAL_HOLD_S), procedure.hold.cap_s)


def _air_step(procedure: ProcedureFile, barometer_bar: float) -> PlannedStep:
    usual_s, cap_s = _usual_hold_s(procedure), procedure.hold.cap_s
    return PlannedStep(0, "ambient air", None, barometer_bar, barometer_bar, 0.0, usual_s, cap_s, 0.0)


def _purge_step(
    bench: BenchFile, procedure: ProcedureFile, barometer_bar: float, ramp_bar_per_s: float
) -> tuple[PlannedStep, PurgedGas]:
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
    gas_l = let_in_bar * bench.pot.volume_l
    return PlannedStep(0, what, None, barometer_bar, to_bar, takes_s, takes_s, takes_s, gas_l), gas


def _hold_steps(
    bench: BenchFile,
    procedure: ProcedureFile,
    oxygen_fraction: float,
    from_bar: float,
    barometer_bar: float,
    ramp_bar_per_s: float,
) -> list[PlannedStep]:
    steps, here_bar, leak_tested = [], from_bar, False
    for number, step in enumerate(procedure.steps, start=1):
        target_bar = max(procedure.target_bar(step, oxygen_fraction), barometer_bar)
        ramp_s = abs(target_bar - here_bar) / ramp_bar_per_s
        least_s = 0.0
        if procedure.is_top(step) and not leak_tested:
            leak_tested, least_s = True, procedure.top_hold_s
        steps.append(
            PlannedStep(
                number,
                "hold",
                step.po2_bar,
                here_bar,
                target_bar,
                ramp_s,
                ramp_s + max(_usual_hold_s(procedure), least_s),
                ramp_s + max(procedure.cap_s(step), least_s),
                max(0.0, target_bar - here_bar) * bench.pot.volume_l,
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
            "barometer, and its PO2 is what it is there."
        )
    if limits.ramp_bar_per_min > FAST_RAMP_BAR_PER_MIN:
        remarks.append(
            f"The ramp of {limits.ramp_bar_per_min:g} bar/min strains cells: up to "
            f"{FAST_RAMP_BAR_PER_MIN:g} is as fast as it should be."
        )
    if procedure.purge.method == "flow":
        remarks.append(
            "How long a flow purge takes hangs on the supply's restrictor; the time here is a long one."
        )
    remarks.append("Times are usual ones; cells that settle slowly hold every step up to its cap.")
    return tuple(remarks)
