"""The roles that an instrument of a bench file can have: one table for drivers, rig and papers.

It is beside the files because the drivers, the rig and the papers all need it, and no other package lies
below all three.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

Role = Literal[
    "voltmeter",
    "gauge",
    "second_gauge",
    "valves",
    "thermometer",
    "barometer",
    "controller",
    "room_oxygen",
]
BenchKind = Literal["valves", "controller", "hands"]
"""Means by which a bench changes the pressure."""
Port = Literal[
    "Voltmeter",
    "PressureGauge",
    "ValveBlock",
    "Thermometer",
    "Barometer",
    "PressureController",
    "RoomOxygenMonitor",
]
"""Name of a protocol in `drivers.ports`."""

_EVERY_BENCH: Final[tuple[BenchKind, ...]] = ("valves", "controller", "hands")
_GAUGE_TERMS: Final[dict[str, str]] = {
    "gain": "gauge_gain",
    "zero_bar": "gauge_zero_bar",
    "nonlinearity": "gauge_nonlinearity",
    "span_bar": "gauge_span_bar",
    "resolution_bar": "gauge_resolution_bar",
    "drift_percent_per_hour": "drift_percent_per_hour",
}


@dataclass(frozen=True, slots=True)
class RoleKind:
    """One role.

    Attributes:
        port: protocol that an instrument in this role implements.
        measures: what it measures, as printed on paper; empty for one that only acts.
        figures_depend: whether a figure is calculated from its readings, so that its uncertainty counts and
            its calibration is part of the figure's traceability.
        terms: keys of its uncertainty table in a bench file, and the `ErrorModel` term that each one sets
            where figures depend on it. Where none does, the table is only printed.
        required_by: kinds of bench that need it.
        why_required: the reason, as a clause.
        moves_pressure: whether it changes the pressure; a bench has one such role at most.
        reads_pot: whether it reads the pressure in the pot.
        by_hand: whether a person may read it and type the reading.
        also_serves: roles that the same reading of the same device may serve as well, named twice on purpose.
            Any other two roles must read or switch different things: what checks another instrument, or acts
            on it, must not be that instrument.
    """

    port: Port
    measures: str
    figures_depend: bool = False
    terms: Mapping[str, str] = field(default_factory=dict)
    required_by: tuple[BenchKind, ...] = ()
    why_required: str = ""
    moves_pressure: bool = False
    reads_pot: bool = False
    by_hand: bool = False
    also_serves: tuple[Role, ...] = ()


ROLES: Final[Mapping[Role, RoleKind]] = {
    "voltmeter": RoleKind(
        "Voltmeter",
        "output",
        figures_depend=True,
        terms={
            "gain": "voltmeter_gain",
            "zero_mv": "voltmeter_zero_mv",
            "resolution_mv": "voltmeter_resolution_mv",
        },
        required_by=_EVERY_BENCH,
        why_required="to read the cells",
    ),
    "gauge": RoleKind(
        "PressureGauge",
        "pressure",
        figures_depend=True,
        terms=_GAUGE_TERMS,
        required_by=_EVERY_BENCH,
        why_required="to know the pressure",
        reads_pot=True,
        by_hand=True,
    ),
    "second_gauge": RoleKind(
        "PressureGauge",
        "pressure, second",
        terms=_GAUGE_TERMS,
        required_by=("valves",),
        why_required="because valves may open only while two gauges agree",
        reads_pot=True,
    ),
    "valves": RoleKind("ValveBlock", "", moves_pressure=True),
    "thermometer": RoleKind(
        "Thermometer", "temperature", figures_depend=True, terms={"temperature_k": "temperature_k"}
    ),
    "barometer": RoleKind(
        "Barometer",
        "ambient pressure",
        figures_depend=True,
        terms={"zero_bar": "barometer_bar"},
        required_by=("valves", "controller"),
        why_required="because the gauges are checked against it before any gas",
    ),
    "controller": RoleKind(
        "PressureController",
        "pressure, controlled",
        terms=_GAUGE_TERMS,
        moves_pressure=True,
        reads_pot=True,
        also_serves=("gauge", "second_gauge"),
    ),
    "room_oxygen": RoleKind("RoomOxygenMonitor", "room oxygen"),
}


def kind_of(role: str) -> RoleKind | None:
    """Return the row of a role as a record names it, or None for one that this version does not know."""
    return next((kind for known, kind in ROLES.items() if known == role), None)


def roles_served_by(*ports: Port) -> tuple[Role, ...]:
    """Return the roles that an instrument with these protocols can have."""
    return tuple(role for role, kind in ROLES.items() if kind.port in ports)


def may_be_one_device(role: Role, other: Role) -> bool:
    """Return whether one reading of one device may serve both roles."""
    return other in ROLES[role].also_serves or role in ROLES[other].also_serves


MOVING_ROLES: Final = tuple(role for role, kind in ROLES.items() if kind.moves_pressure)
"""A bench without any of these has hand valves."""
FIGURE_ROLES: Final = tuple(role for role, kind in ROLES.items() if kind.figures_depend)
POT_PRESSURE_ROLES: Final = tuple(role for role, kind in ROLES.items() if kind.reads_pot)
DEADLINE_S: Final = 0.2
"""Longest wait for one answer of an instrument in any role, in seconds, where a bench file sets none."""
