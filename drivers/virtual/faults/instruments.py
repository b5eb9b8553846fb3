"""Faults that any instrument may have, and those of voltmeter, barometer, thermometer and oxygen monitor."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import NO_VALUE, OVERLOAD, as_float32
from drivers.virtual.faults.entry import SOCKET, Part, Size, instrument
from drivers.virtual.faults.strike import Undo, change, device_of, sets, sets_size
from drivers.virtual_spec import VirtualBenchError
from rig_configs.roles import ROLES

# The monitor of the room's oxygen has its own faults. Seeds draw a target by its place.
_ROLES = tuple(role for role in ROLES if role != "room_oxygen")
_ANY = Part(lambda bench, target: (device_of(bench, target),), targets=_ROLES)
_VOLTMETER = instrument("voltmeter")
_BAROMETER = instrument("barometer")
_THERMOMETER = instrument("thermometer")
_ROOM_OXYGEN = instrument("room_oxygen")


def _channels(bench: Bench, target: str) -> Sequence[Any]:
    """The voltmeter and the two sockets whose channels are exchanged."""
    sockets = sorted(bench.cells)
    if len(sockets) < 2:
        raise VirtualBenchError("fault channels_swapped: it takes two occupied sockets")
    socket = int(target)
    after = sockets[(sockets.index(socket) + 1) % len(sockets)]
    return device_of(bench, "voltmeter"), socket, after


def _swap(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del bench, value
    voltmeter, one, other = struck
    return change(voltmeter, swapped={one: other, other: one})


def _on_gateway(bench: Bench, _target: str) -> Sequence[Any]:
    """Every instrument whose driver speaks Modbus."""
    behind = [
        device
        for name, device in bench.devices.items()
        if bench.spec.instruments[name].driver.startswith("modbus_")
    ]
    if not behind:
        raise VirtualBenchError("fault gateway_down: this bench has no instrument on Modbus")
    return behind


_CHANNELS = Part(_channels, targets=SOCKET, role="voltmeter")
_GATEWAY = Part(_on_gateway)

FAULTS = (
    _ANY.fault(
        7, "slow_replies", "an instrument answers late", sets_size("latency_s"), Size("s", 3.0, 0.0, 3600.0)
    ),
    _VOLTMETER.fault(18, "voltmeter_link_lost", "the connection to the voltmeter is gone", sets(down=True)),
    _VOLTMETER.fault(18, "voltmeter_silent", "the voltmeter no longer answers", sets(mute=True)),
    _VOLTMETER.fault(
        18, "voltmeter_overload", "the voltmeter shows overload on every channel", sets(override=OVERLOAD)
    ),
    _VOLTMETER.fault(
        18, "voltmeter_refuses", "the voltmeter refuses to start a scan (hardware error)", sets(refuses=-240)
    ),
    _VOLTMETER.fault(
        18, "voltmeter_frozen", "the voltmeter repeats its last scan to the last bit", sets(frozen=True)
    ),
    _VOLTMETER.fault(
        18,
        "voltmeter_gain",
        "the voltmeter reads off by a part of every reading",
        sets_size("gain_error"),
        Size("part", 0.02, -0.5, 0.5),
    ),
    _CHANNELS.fault(
        18, "channels_swapped", "the channels of a socket and of the next occupied one are exchanged", _swap
    ),
    _BAROMETER.fault(
        27,
        "barometer_wrong",
        "the barometer is wrong",
        sets_size("override", as_float32),
        Size("bar", 0.55, 0.0, 10.0),
    ),
    _BAROMETER.fault(27, "barometer_link_lost", "the connection to the barometer is gone", sets(down=True)),
    _THERMOMETER.fault(
        28,
        "temperature_high",
        "the thermometer reads too high",
        sets_size("error_k"),
        Size("K", 25.0, -100.0, 200.0),
    ),
    _THERMOMETER.fault(28, "thermometer_open", "the thermometer's probe is open", sets(override=NO_VALUE)),
    _THERMOMETER.fault(
        28, "thermometer_link_lost", "the connection to the thermometer is gone", sets(down=True)
    ),
    _GATEWAY.fault(31, "gateway_down", "everything on Modbus stops answering at once", sets(mute=True)),
    _ANY.fault(
        33,
        "wrong_instrument",
        "another instrument answers at an address (checked when a run starts, at 0 s)",
        sets(serial="TW-X-666"),
    ),
    _ROOM_OXYGEN.fault(
        36,
        "room_oxygen",
        "the room's oxygen monitor shows this value",
        sets_size("override"),
        Size("percent", 24.0, 0.0, 100.0),
    ),
    _ROOM_OXYGEN.fault(
        36, "room_oxygen_lost", "the connection to the room's oxygen monitor is gone", sets(down=True)
    ),
)
