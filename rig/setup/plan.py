"""What a procedure will do on a bench, worked out before any gas: steps, time, gas and margins."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

from grading.gas import (
    DRY_AIR_OXYGEN_FRACTION,
    STANDARD_ATMOSPHERE_BAR,
    fraction_after_flow,
    fraction_after_swings,
)
from grading.strict_toml import FileError
from rig.setup.bench_file import FAST_RAMP_BAR_PER_MIN, BenchFile, pressure_limits
from rig.setup.procedure import ProcedureFile

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
    purge, hold, volume_l = procedure.purge, procedure.hold, bench.pot.volume_l
    ramp_bar_per_s = limits.ramp_bar_per_min / 60.0
    usual_hold_s = min(max(hold.least_s, _USUAL_HOLD_S), hold.cap_s)
    steps = []
    if procedure.air.hold:
        steps.append(
            PlannedStep(
                0, "ambient air", None, barometer_bar, barometer_bar, 0.0, usual_hold_s, hold.cap_s, 0.0
            )
        )
    if purge.method == "swings":
        gas = fraction_after_swings(
            DRY_AIR_OXYGEN_FRACTION,
            bench.gas.oxygen_fraction,
            [barometer_bar, *[purge.low_bar] * (purge.swings - 1)],
            [purge.high_bar] * purge.swings,
            bench.gas.u_oxygen_fraction,
        )
        risen_bar = purge.high_bar - barometer_bar + (purge.swings - 1) * (purge.high_bar - purge.low_bar)
        fallen_bar = purge.swings * (purge.high_bar - purge.low_bar)
        moving_s = (risen_bar + fallen_bar) / ramp_bar_per_s
        steps.append(
            PlannedStep(
                0,
                f"purge, {purge.swings} swings",
                None,
                barometer_bar,
                purge.low_bar,
                moving_s,
                moving_s,
                moving_s,
                risen_bar * volume_l,
            )
        )
        here_bar = purge.low_bar
    else:
        gas = fraction_after_flow(
            DRY_AIR_OXYGEN_FRACTION,
            bench.gas.oxygen_fraction,
            purge.flow_volumes,
            bench.gas.u_oxygen_fraction,
        )
        # With the vent open the flow is what the ramp limit lets the supply give.
        flowing_s = purge.flow_volumes * barometer_bar / ramp_bar_per_s
        steps.append(
            PlannedStep(
                0,
                f"purge, {purge.flow_volumes:g} volumes",
                None,
                barometer_bar,
                barometer_bar,
                flowing_s,
                flowing_s,
                flowing_s,
                purge.flow_volumes * barometer_bar * volume_l,
            )
        )
        here_bar = barometer_bar
    if gas.oxygen_fraction < purge.least_oxygen_fraction:
        raise FileError(
            procedure.source.problem(
                ("purge", "swings" if purge.method == "swings" else "flow_volumes"),
                f"leaves {gas.oxygen_fraction:.4f} oxygen with this supply; least_oxygen_fraction is "
                f"{purge.least_oxygen_fraction:g}: purge more",
            )
        )
    at_barometer = False
    for number, step in enumerate(procedure.steps, start=1):
        wanted_bar = procedure.target_bar(step, gas.oxygen_fraction)
        target_bar = max(wanted_bar, barometer_bar)
        at_barometer = at_barometer or target_bar > wanted_bar
        ramp_s = abs(target_bar - here_bar) / ramp_bar_per_s
        steps.append(
            PlannedStep(
                number,
                "hold",
                step.po2_bar,
                here_bar,
                target_bar,
                ramp_s,
                ramp_s + usual_hold_s,
                ramp_s + procedure.cap_s(step),
                max(0.0, target_bar - here_bar) * volume_l,
            )
        )
        here_bar = target_bar
    vent_s = max(0.0, here_bar - barometer_bar) / ramp_bar_per_s
    steps.append(PlannedStep(0, "vent", None, here_bar, barometer_bar, vent_s, vent_s, vent_s, 0.0))
    used_l = sum(step.gas_l for step in steps)
    highest_bar = max(step.to_bar for step in steps)
    if used_l > limits.most_gas_l:
        raise FileError(
            bench.source.problem(
                ("limits", "most_gas_l"),
                f"{limits.most_gas_l:g} L are allowed, {procedure.file} needs {used_l:.1f} L; "
                "allow more or purge with fewer swings",
            )
        )
    if purge.method == "swings":
        highest_bar = max(highest_bar, purge.high_bar)
    margins = (
        Margin("highest pressure, filling stops", limits.stop_bar, highest_bar, "bar"),
        Margin("highest pressure, run trips", limits.trip_bar, highest_bar, "bar"),
        Margin("highest pressure, relief lifts", limits.relief_bar, highest_bar, "bar"),
        Margin("highest pressure, plate of the pot", limits.working_bar, highest_bar, "bar"),
        Margin("oxygen for the run", limits.most_gas_l, used_l, "L"),
        Margin("ramp", limits.ramp_bar_per_min, limits.ramp_bar_per_min, "bar/min"),
    )
    remarks = [f"A run that has used {limits.most_gas_l:g} L of oxygen is ended (most_gas_l)."]
    if at_barometer:
        remarks.append(
            f"A step asks for less than the barometer's {barometer_bar:.3f} bar: it is held at the "
            "barometer, and its PO2 is what it is there."
        )
    if bench.gas.supply_pressure_bar > limits.working_bar:
        remarks.append(
            f"The regulator gives {bench.gas.supply_pressure_bar:g} bar and the pot may take "
            f"{limits.working_bar:g} bar: the relief valve alone stands between."
        )
    if limits.ramp_bar_per_min > FAST_RAMP_BAR_PER_MIN:
        remarks.append(
            f"The ramp of {limits.ramp_bar_per_min:g} bar/min strains cells: up to "
            f"{FAST_RAMP_BAR_PER_MIN:g} is as fast as it should be."
        )
    remarks.append("Times are usual ones; cells that settle slowly hold every step up to its cap.")
    return Plan(
        bench=bench.name,
        procedure=f"{procedure.name} {procedure.version}",
        barometer_bar=barometer_bar,
        oxygen_fraction=gas.oxygen_fraction,
        u_oxygen_fraction=gas.u_oxygen_fraction,
        steps=tuple(steps),
        margins=margins,
        remarks=tuple(remarks),
    )
