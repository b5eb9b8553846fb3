"""From a driver's name in a bench file to the driver, and the one door to the virtual bench.

Drivers of this project stand in the table below; one of a third party announces itself by an entry point in
the group `leadline.drivers`, under the name that a bench file will use, and is a class that is called with an
`InstrumentSpec` and a `Clock`, and implements one of `drivers.ports`. Nothing but this module imports
`drivers.virtual`, and nothing is imported before it is needed.
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Any, cast

from drivers.errors import BadSpec
from drivers.ports import Clock, Instrument, InstrumentSpec

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
        text: what it is for, in a few words.
        by_hand: a person reads the instrument and types.
    """

    target: str
    roles: tuple[str, ...]
    text: str
    by_hand: bool = False


_GAUGE_ROLES = ("gauge", "second_gauge", "barometer")
_METER_ROLES = ("voltmeter",)

_BUILT_IN = {
    "line_voltmeter": DriverEntry(
        "drivers.scpi.line_voltmeter:LineVoltmeter", _METER_ROLES, "microcontroller that sends lines of text"
    ),
    "modbus_gauge": DriverEntry(
        "drivers.modbus.gauge:ModbusGauge", _GAUGE_ROLES, "pressure gauge or barometer, Modbus registers"
    ),
    "modbus_millivolts": DriverEntry(
        "drivers.modbus.millivolts:ModbusMillivolts", _METER_ROLES, "multi-channel mV input, Modbus registers"
    ),
    "modbus_pressure_controller": DriverEntry(
        "drivers.modbus.pressure_controller:ModbusPressureController",
        ("controller", *_GAUGE_ROLES),
        "pressure controller that ramps by itself, Modbus registers",
    ),
    "modbus_room_oxygen": DriverEntry(
        "drivers.modbus.room_oxygen:ModbusRoomOxygen",
        ("room_oxygen",),
        "monitor of the room's oxygen, Modbus registers",
    ),
    "modbus_thermometer": DriverEntry(
        "drivers.modbus.thermometer:ModbusThermometer", ("thermometer",), "thermometer, Modbus registers"
    ),
    "modbus_valves": DriverEntry(
        "drivers.modbus.valves:ModbusValves", ("valves",), "valve block with timed shots, Modbus registers"
    ),
    "scpi_pressure_controller": DriverEntry(
        "drivers.scpi.pressure_controller:ScpiPressureController",
        ("controller", "gauge", "second_gauge"),
        "pressure controller that ramps by itself, SCPI",
    ),
    "scpi_relay_voltmeter": DriverEntry(
        "drivers.scpi.relay_voltmeter:ScpiRelayVoltmeter", _METER_ROLES, "voltmeter behind relays, SCPI"
    ),
    "scpi_scanner": DriverEntry(
        "drivers.scpi.scanner:ScpiScanner", _METER_ROLES, "scanning voltmeter, SCPI (INIT, FETC?)"
    ),
    "scpi_thermometer": DriverEntry(
        "drivers.scpi.thermometer:ScpiThermometer", ("thermometer",), "thermometer, SCPI"
    ),
    "scpi_voltmeter": DriverEntry(
        "drivers.scpi.voltmeter:ScpiVoltmeter", _METER_ROLES, "voltmeter of one channel, SCPI"
    ),
    "typed_gauge": DriverEntry(
        "drivers.typed_gauge:TypedGauge",
        ("gauge",),
        "gauge that a person reads and types in",
        by_hand=True,
    ),
    "typed_voltmeter": DriverEntry(
        "drivers.typed_voltmeter:TypedVoltmeter",
        _METER_ROLES,
        "meter that a person reads and types in",
        by_hand=True,
    ),
}


@lru_cache(maxsize=1)
def _third_party() -> dict[str, EntryPoint]:
    return {point.name: point for point in entry_points(group=ENTRY_POINT_GROUP)}


def driver_names() -> tuple[str, ...]:
    """Names that a bench file may use, sorted."""
    return tuple(sorted({*_BUILT_IN, *_third_party()}))


def driver_text(name: str) -> str:
    """What a driver is for, in a few words."""
    entry = _BUILT_IN.get(name)
    return entry.text if entry is not None else f"third-party driver {_third_party()[name].value}"


def driver_by_hand(name: str) -> bool:
    """Whether a person reads this driver's instrument and types, so that no bench of software plays it."""
    entry = _BUILT_IN.get(name)
    return entry is not None and entry.by_hand


def driver_roles(name: str) -> tuple[str, ...]:
    """Roles that a driver can serve, from its class attribute `roles` where it is a third party's.

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

    hint = suggestion(spec.driver, driver_names())
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


def serve_virtual(spec: VirtualSpec, say: Callable[[str], None]) -> None:
    """Serve a virtual bench in real time until interrupted, telling `say` its addresses."""
    from drivers.virtual.servers.serve import serve_forever

    serve_forever(spec, say)
