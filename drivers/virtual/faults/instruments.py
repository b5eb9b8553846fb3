"""Faults that any instrument may have, and those of voltmeter, barometer, thermometer and oxygen monitor."""

from __future__ import annotations

from drivers.virtual.devices.device import NO_VALUE, OVERLOAD, as_float32
from drivers.virtual.faults.entry import Part, Size, instrument
from drivers.virtual.faults.strike import device_of, sets, sets_size
from rig_configs.roles import ROLES

# The monitor of the room's oxygen has its own faults. Seeds draw a target by its place.
_ROLES = tuple(role for role in ROLES if role != "room_oxygen")
_ANY = Part(lambda bench, target: (device_of(bench, target),), targets=_ROLES)
_VOLTMETER = instrument("voltmeter")
_BAROMETER = instrument("barometer")
_THERMOMETER = instrument("thermometer")
_ROOM_OXYGEN = instrument("room_oxygen")

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
