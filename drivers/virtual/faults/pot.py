"""Faults of the gas and of what holds it: bottle, regulator, valves, seal, relief valve, pressure switch."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual.faults.entry import FaultGroup
from drivers.virtual.faults.strike import Undo, change

FAULTS = FaultGroup()


@FAULTS.enter(8, "gas enters the pot past every valve", "bar/s", 0.05, within=(0.0, 10.0))
def _over_pressure(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench.pot, extra_inflow_bar_per_s=value)


@FAULTS.enter(8, "the independent pressure switch is dead (layer removed)")
def _pressure_switch_dead(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(bench.pot, switch_bar=None)


@FAULTS.enter(10, "the supply valve is stuck open")
def _supply_stuck_open(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(bench.pot, supply_stuck=True)


@FAULTS.enter(11, "the supply valve is stuck shut, or its plug is off")
def _supply_stuck_shut(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(bench.pot, supply_stuck=False)


@FAULTS.enter(11, "the cylinder runs empty", "bar", 1.2, within=(0.0, 10.0))
def _cylinder_empty(bench: Bench, target: str, value: float) -> Undo:
    del target
    before_bar = bench.pot.bottle_bar()
    bench.pot.set_bottle(value)
    return lambda: bench.pot.set_bottle(before_bar)


@FAULTS.enter(
    12, "the regulator creeps upwards, to three times what it is set to", "bar/s", 0.1, within=(0.0, 1.0)
)
def _regulator_creep(bench: Bench, target: str, value: float) -> Undo:
    del target
    pot = bench.pot
    # There at the latest the regulator's own relief valve opens.
    most_bar = 3.0 * pot.regulator_bar
    return change(
        pot,
        regulator_creep_bar_per_s=value,
        regulator_most_bar=most_bar,
        regulator_bar=pot.regulator_bar,
    )


@FAULTS.enter(13, "the vent valve is stuck shut")
def _vent_stuck_shut(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(bench.pot, vent_stuck=False)


@FAULTS.enter(13, "the vent line is blocked down to a part of its flow", "share", 0.15, within=(0.0, 1.0))
def _vent_blocked(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench.pot, vent_passage=value)


@FAULTS.enter(14, "the vent valve is stuck open, or its coil is dead")
def _vent_stuck_open(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(bench.pot, vent_stuck=True)


@FAULTS.enter(15, "the lid seal leaks badly", "mL/s per bar", 5.0, within=(0.0, 1000.0))
def _leak_large(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench.pot, leak_l_per_s_bar=value * 1e-3)


@FAULTS.enter(15, "the lid seal leaks a little", "mL/s per bar", 0.2, within=(0.0, 1000.0))
def _leak_small(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench.pot, leak_l_per_s_bar=value * 1e-3)


@FAULTS.enter(
    16, "a large dead space keeps its air through the purge", "share of the volume", 0.3, within=(0.01, 0.9)
)
def _purge_dead_space(bench: Bench, target: str, value: float) -> Undo:
    del target
    pot = bench.pot
    before = pot.pocket, pot.pocket_lag_s
    pot.set_pocket(value, 600.0)
    return lambda: pot.set_pocket(*before)


@FAULTS.enter(16, "the bottle holds another gas than oxygen", "oxygen fraction", 0.2095, within=(0.0, 1.0))
def _wrong_gas(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench.pot, bottle_oxygen_fraction=value)


@FAULTS.enter(17, "the relief valve lifts early", "bar", 1.6, within=(1.0, 10.0))
def _relief_early(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench.pot, relief_bar=value)


@FAULTS.enter(17, "the relief valve does not lift (layer removed)")
def _relief_stuck(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(bench.pot, relief_stuck=True)
