"""Faults of the gas and its parts: bottle, regulator, valves, seal, relief valve, pressure switch."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.faults.entry import Part, Size
from drivers.virtual.faults.strike import Undo, change, sets, sets_size, undo_all

_POT = Part(lambda bench, _target: (bench.pot,))
_LEAK = sets_size("leak_l_per_s_bar", lambda ml_per_s_bar: ml_per_s_bar * 1e-3)


def _empty(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del bench
    (pot,) = struck
    before_bar = pot.bottle_bar()
    pot.set_bottle(value)
    return lambda: pot.set_bottle(before_bar)


def _creep(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del bench
    (pot,) = struck
    # At this pressure at the latest the regulator's own relief valve opens.
    most_bar = 3.0 * pot.regulator_bar
    before_bar = pot.regulator_bar
    return change(pot, regulator_creep_bar_per_s=value, regulator_most_bar=most_bar, regulator_bar=before_bar)


def _seep(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    """A seat that lets so many mL/s through into a vented pot, at the regulator's pressure of now."""
    del bench
    (pot,) = struck
    return change(pot, supply_seep=value * 1e-3 / pot.regulator_bar)


def _enrich(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    """Set the gas once; nothing holds it there, so there is nothing to undo."""
    del bench
    (pot,) = struck
    pot.set_gas(value)
    return undo_all(())


def _keep_air(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del bench
    (pot,) = struck
    before = pot.pocket, pot.pocket_lag_s
    pot.set_pocket(value, 600.0)
    return lambda: pot.set_pocket(*before)


FAULTS = (
    _POT.fault(
        8,
        "over_pressure",
        "gas enters the pot past every valve",
        sets_size("extra_inflow_bar_per_s"),
        Size("bar/s", 0.05, 0.0, 10.0),
    ),
    _POT.fault(
        8,
        "pressure_switch_dead",
        "the independent pressure switch is dead (layer removed)",
        sets(switch_bar=None),
    ),
    _POT.fault(10, "supply_stuck_open", "the supply valve is stuck open", sets(supply_stuck=True)),
    _POT.fault(
        10,
        "supply_seeps",
        "the supply valve's seat leaks all the time, whatever is commanded",
        _seep,
        Size("mL/s", 0.5, 0.0, 100.0),
    ),
    _POT.fault(
        11,
        "supply_stuck_shut",
        "the supply valve is stuck shut, or its plug is off",
        sets(supply_stuck=False),
    ),
    _POT.fault(11, "cylinder_empty", "the cylinder runs empty", _empty, Size("bar", 1.2, 0.0, 10.0)),
    _POT.fault(
        12,
        "regulator_creep",
        "the regulator creeps upwards, to three times its setting",
        _creep,
        Size("bar/s", 0.1, 0.0, 1.0),
    ),
    _POT.fault(13, "vent_stuck_shut", "the vent valve is stuck shut", sets(vent_stuck=False)),
    _POT.fault(
        13,
        "vent_blocked",
        "the vent line is blocked down to a part of its flow",
        sets_size("vent_passage"),
        Size("share", 0.15, 0.0, 1.0),
    ),
    _POT.fault(
        14, "vent_stuck_open", "the vent valve is stuck open, or its coil is dead", sets(vent_stuck=True)
    ),
    _POT.fault(15, "leak_large", "the lid seal leaks badly", _LEAK, Size("mL/s per bar", 5.0, 0.0, 1000.0)),
    _POT.fault(
        15, "leak_small", "the lid seal leaks a little", _LEAK, Size("mL/s per bar", 0.2, 0.0, 1000.0)
    ),
    _POT.fault(
        16,
        "purge_dead_space",
        "a large dead space keeps its air through the purge",
        _keep_air,
        Size("share of the volume", 0.3, 0.01, 0.9),
    ),
    _POT.fault(
        16,
        "wrong_gas",
        "the bottle contains a gas other than oxygen",
        sets_size("bottle_oxygen_fraction"),
        Size("oxygen fraction", 0.2095, 0.0, 1.0),
    ),
    _POT.fault(
        16,
        "pot_enriched",
        "the pot was not aired since the last run: its gas has this oxygen fraction",
        _enrich,
        Size("oxygen fraction", 0.4, 0.0, 1.0),
    ),
    _POT.fault(
        17,
        "relief_early",
        "the relief valve lifts early",
        sets_size("relief_bar"),
        Size("bar", 1.6, 1.0, 10.0),
    ),
    _POT.fault(17, "relief_stuck", "the relief valve does not lift (layer removed)", sets(relief_stuck=True)),
)
