"""From a driver's name in a bench file to the driver, and the only access to the virtual bench.

Drivers of this project are in the table below; a third party's driver is found by an entry point in
the group `leadline.drivers`, under the name that a bench file will use, and is a class that is called with an
`InstrumentSpec` and a `Clock`, and implements one of `drivers.ports`. Nothing but this module imports
`drivers.virtual`, and nothing is imported before it is needed.
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Any, cast

from drivers.errors import BadSpec
from drivers.ports import Clock, Instrument, InstrumentSpec
from rig_configs.roles import ROLES, roles_served_by

if TYPE_CHECKING:
    from drivers.virtual_spec import FaultKind, VirtualSession, VirtualSpec

ENTRY_POINT_GROUP = "leadline.drivers"

Ask = Callable[[str], str | None]
"""Puts a question to the operator and returns the answer, or None when there is none."""


@dataclass(frozen=True, slots=True)
class DriverEntry:
    """One driver of the catalogue.

    Attributes:
        target: `module:Class`.
        roles: roles of a bench file that it can serve.
        by_hand: a person reads the instrument and types.
    """

    target: str
    roles: tuple[str, ...]
    by_hand: bool = False


_GAUGE_ROLES = roles_served_by("PressureGauge", "Barometer")
_METER_ROLES = roles_served_by("Voltmeter")
_THERMOMETER_ROLES = roles_served_by("Thermometer")
_TYPED_GAUGE_ROLES = tuple(role for role in roles_served_by("PressureGauge") if ROLES[role].by_hand)

_BUILT_IN = {
    "line_voltmeter": DriverEntry("drivers.scpi.line_voltmeter:LineVoltmeter", _METER_ROLES),
    "modbus_gauge": DriverEntry("drivers.modbus.gauge:ModbusGauge", _GAUGE_ROLES),
    "modbus_millivolts": DriverEntry("drivers.modbus.millivolts:ModbusMillivolts", _METER_ROLES),
    "modbus_pressure_controller": DriverEntry(
        "drivers.modbus.pressure_controller:ModbusPressureController",
        roles_served_by("PressureController", "PressureGauge", "Barometer"),
    ),
    "modbus_room_oxygen": DriverEntry(
        "drivers.modbus.room_oxygen:ModbusRoomOxygen", roles_served_by("RoomOxygenMonitor")
    ),
    "modbus_thermometer": DriverEntry("drivers.modbus.thermometer:ModbusThermometer", _THERMOMETER_ROLES),
    "modbus_valves": DriverEntry("drivers.modbus.valves:ModbusValves", roles_served_by("ValveBlock")),
    "scpi_pressure_controller": DriverEntry(
        "drivers.scpi.pressure_controller:ScpiPressureController",
        roles_served_by("PressureController", "PressureGauge"),
    ),
    "scpi_relay_voltmeter": DriverEntry("drivers.scpi.relay_voltmeter:ScpiRelayVoltmeter", _METER_ROLES),
    "scpi_scanner": DriverEntry("drivers.scpi.scanner:ScpiScanner", _METER_ROLES),
    "scpi_thermometer": DriverEntry("drivers.scpi.thermometer:ScpiThermometer", _THERMOMETER_ROLES),
    "scpi_voltmeter": DriverEntry("drivers.scpi.voltmeter:ScpiVoltmeter", _METER_ROLES),
    "typed_gauge": DriverEntry("drivers.typed_gauge:TypedGauge", _TYPED_GAUGE_ROLES, by_hand=True),
}

WITHDRAWN = {
    "typed_voltmeter": (
        "a voltmeter read by eye cannot show whether a cell has settled; write pressures and millivolts into "
        "a table and use 'leadline grade table.csv'"
    )
}
"""Names that older bench files may contain, with what to do instead."""


@lru_cache(maxsize=1)
def _third_party() -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=ENTRY_POINT_GROUP)}


def driver_names() -> tuple[str, ...]:
    """Names that a bench file may use, sorted."""
    return tuple(sorted({*_BUILT_IN, *_third_party()}))


def driver_by_hand(name: str) -> bool:
    """Whether a person reads this driver's instrument and types, so that no virtual bench simulates it."""
    entry = _BUILT_IN.get(name)
    return entry is not None and entry.by_hand


def driver_roles(name: str) -> tuple[str, ...]:
    """Roles that a driver can serve, from its class attribute `roles` for a third party's driver.

    Empty when a third party's driver does not say; then any role may be tried.
    """
    entry = _BUILT_IN.get(name)
    if entry is not None:
        return entry.roles
    return tuple(getattr(_third_party()[name].load(), "roles", ()))


def open_instrument(
    spec: InstrumentSpec, *, clock: Clock | None = None, ask: Ask | None = None
) -> Instrument:
    """Check one entry of a bench file and make its driver; nothing is sent before the first call.

    Args:
        spec: the entry.
        clock: the rig's clock, which the pauses between reconnects run on; the computer's own when None.
        ask: puts questions to the operator, for drivers that read by hand.

    Raises:
        BadSpec: when the driver is unknown, or the address or an option cannot be used.
    """
    make = _driver_class(spec)
    wanted = inspect.signature(make).parameters
    extras: dict[str, Any] = {"clock": clock, "ask": ask}
    return cast(Instrument, make(spec, **{key: value for key, value in extras.items() if key in wanted}))


def _driver_class(spec: InstrumentSpec) -> Callable[..., object]:
    entry = _BUILT_IN.get(spec.driver)
    if entry is not None:
        module, _, name = entry.target.partition(":")
        return cast(Callable[..., object], getattr(importlib.import_module(module), name))
    point = _third_party().get(spec.driver)
    if point is not None:
        return cast(Callable[..., object], point.load())
    from rig_configs.files.suggestions import suggestion

    hint = WITHDRAWN.get(spec.driver) or suggestion(spec.driver, driver_names())
    raise BadSpec(spec.name, "driver", f"no driver is called '{spec.driver}'; {hint}")


def start_virtual(spec: VirtualSpec) -> VirtualSession:
    """Start a virtual bench; see `drivers.virtual_spec`."""
    from drivers.virtual.start import start

    return start(spec)


def virtual_faults() -> tuple[FaultKind, ...]:
    """Faults that a virtual bench can inject."""
    from drivers.virtual.faults.catalogue import fault_kinds

    return fault_kinds()


def describe_virtual(spec: VirtualSpec) -> str:
    """Registers and commands that the virtual bench would serve for `spec`, as text."""
    from drivers.virtual.describe import describe

    return describe(spec)


def serve_virtual(
    spec: VirtualSpec, say: Callable[[str], None], ready: Callable[[Mapping[str, str]], None] | None = None
) -> None:
    """Serve a virtual bench in real time until interrupted.

    Args:
        spec: the bench.
        say: called with its addresses, a line each, for a person.
        ready: called with the address of every instrument by its name, once all are served.
    """
    from drivers.virtual.servers.serve import serve_forever

    serve_forever(spec, say, ready)
