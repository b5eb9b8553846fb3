"""Faults of the valve block: its power, its watchdog, its lid switch, and whom it obeys."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual.devices.valve_block import ValveDevice
from drivers.virtual.faults.entry import FaultGroup
from drivers.virtual.faults.strike import Undo, change, device_of, undo_all

FAULTS = FaultGroup()

_LID_MAY_OPEN_BAR = 0.02


@FAULTS.enter(9, "shots of the valves last too long", "times", 3.0, role="valves", within=(1.0, 100.0))
def _shots_too_long(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(_valves(bench), stretch=value)


@FAULTS.enter(22, "the valve block loses its power: outputs drop, nothing answers", role="valves")
def _power_loss(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    valves = _valves(bench)
    valves.lose_power()
    return change(valves, down=True)


@FAULTS.enter(22, "the heartbeat no longer reaches the watchdog", role="valves")
def _heartbeat_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_valves(bench), beat_deaf=True)


@FAULTS.enter(22, "the watchdog is dead (layer removed)", role="valves")
def _watchdog_dead(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_valves(bench), watchdog_dead=True)


@FAULTS.enter(29, "the lid switch opens; without pressure the lid comes off", role="valves")
def _lid_opened(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    pot = bench.pot
    loose = abs(pot.pressure_bar - pot.room_pressure_bar) < _LID_MAY_OPEN_BAR
    return undo_all((change(_valves(bench), lid_switch_closed=False), change(pot, lid_off=loose)))


@FAULTS.enter(
    30,
    "another program takes over the valve block",
    "its token",
    47_011,
    role="valves",
    within=(1, 65535),
    whole=True,
)
def _second_controller(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(_valves(bench), owner=int(value) & 0xFFFF)


@FAULTS.enter(31, "the connection to the valve block is gone", role="valves")
def _valves_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_valves(bench), down=True)


@FAULTS.enter(31, "the valve block no longer answers", role="valves")
def _valves_silent(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_valves(bench), mute=True)


@FAULTS.enter(32, "the valve block takes commands and does nothing", role="valves")
def _valves_ignore_writes(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return change(_valves(bench), deaf=True)


def _valves(bench: Bench) -> ValveDevice:
    valves = device_of(bench, "valves")
    assert isinstance(valves, ValveDevice)
    return valves
