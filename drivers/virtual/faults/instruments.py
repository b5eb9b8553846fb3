"""Faults that any instrument may have, and those of voltmeter, barometer, thermometer and oxygen monitor."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import NO_VALUE, OVERLOAD, as_float32
from drivers.virtual.devices.scanner import ScannerDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.faults.entry import FaultGroup
from drivers.virtual.faults.strike import Undo, change, device_of

FAULTS = FaultGroup()

_ROLES = ("voltmeter", "gauge", "second_gauge", "valves", "thermometer", "barometer", "controller")


@FAULTS.enter(7, "an instrument answers late", "s", 3.0, _ROLES, within=(0.0, 3600.0))
def _slow_replies(bench: Bench, target: str, value: float) -> Undo:
    return change(device_of(bench, target), latency_s=value)


@FAULTS.enter(18, "the connection to the voltmeter is gone", role="voltmeter")
def _voltmeter_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(device_of(bench, "voltmeter"), down=True)


@FAULTS.enter(18, "the voltmeter no longer answers", role="voltmeter")
def _voltmeter_silent(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(device_of(bench, "voltmeter"), mute=True)


@FAULTS.enter(18, "the voltmeter shows overload on every channel", role="voltmeter")
def _voltmeter_overload(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(device_of(bench, "voltmeter"), override=OVERLOAD)


@FAULTS.enter(18, "the voltmeter refuses to start a scan (hardware error)", role="voltmeter")
def _voltmeter_refuses(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_scanner(bench), refuses=-240)


@FAULTS.enter(27, "the barometer is wrong", "bar", 0.55, role="barometer", within=(0.0, 10.0))
def _barometer_wrong(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(device_of(bench, "barometer"), override=as_float32(value))


@FAULTS.enter(27, "the connection to the barometer is gone", role="barometer")
def _barometer_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(device_of(bench, "barometer"), down=True)


@FAULTS.enter(28, "the thermometer reads too high", "K", 25.0, role="thermometer", within=(-100.0, 200.0))
def _temperature_high(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(_thermometer(bench), error_k=value)


@FAULTS.enter(28, "the thermometer's probe is open", role="thermometer")
def _thermometer_open(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_thermometer(bench), override=NO_VALUE)


@FAULTS.enter(28, "the connection to the thermometer is gone", role="thermometer")
def _thermometer_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_thermometer(bench), down=True)


@FAULTS.enter(
    33, "another instrument answers at an address (looked at when a run starts, at 0 s)", targets=_ROLES
)
def _wrong_instrument(bench: Bench, target: str, value: float) -> Undo:
    del value
    return change(device_of(bench, target), serial="TW-X-666")


@FAULTS.enter(
    36, "the room's oxygen monitor shows so much", "percent", 24.0, role="room_oxygen", within=(0.0, 100.0)
)
def _room_oxygen(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(device_of(bench, "room_oxygen"), override=value)


@FAULTS.enter(36, "the connection to the room's oxygen monitor is gone", role="room_oxygen")
def _room_oxygen_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(device_of(bench, "room_oxygen"), down=True)


def _scanner(bench: Bench) -> ScannerDevice:
    scanner = device_of(bench, "voltmeter")
    assert isinstance(scanner, ScannerDevice)
    return scanner


def _thermometer(bench: Bench) -> ThermometerDevice:
    thermometer = device_of(bench, "thermometer")
    assert isinstance(thermometer, ThermometerDevice)
    return thermometer
