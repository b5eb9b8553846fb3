"""Faults of the valve block: its power, its watchdog, its lid switch, and its owner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.devices.valve_block import ValveRegister
from drivers.virtual.faults.entry import Size, instrument
from drivers.virtual.faults.strike import Effect, Undo, change, sets, sets_size, undo_all

_LID_MAY_OPEN_BAR = 0.02
_VALVES = instrument("valves")
_TOKEN = Size("its token", 47011, 1, 65535, whole=True)
# A shot every half second raises a pot by some 1 bar/min, about as fast as a bench's own ramp.
_FOREIGN_SHOT_MS = 200
_FOREIGN_EVERY_US = 500_000


def _refuses(register: ValveRegister) -> Effect:
    """Return the effect that writes of one register are answered busy."""

    def effect(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
        del bench, value
        (block,) = struck
        block.busy_writes |= {register}

        def undo() -> None:
            block.busy_writes -= {register}

        return undo

    return effect


def _lose_power(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    for block in struck:
        block.lose_power()
    return sets(down=True)(bench, struck, value)


def _open_lid(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    pot = bench.pot
    loose = abs(pot.pressure_bar - pot.room_pressure_bar) < _LID_MAY_OPEN_BAR
    return undo_all((sets(lid_switch_closed=False)(bench, struck, value), change(pot, lid_off=loose)))


def _take_over(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    """Another program with its own token beats, shuts the vent and fills; it goes on when others de-energise.

    It cannot reach a block that has no link or no power.
    """
    (block,) = struck
    over = False

    def act() -> None:
        if over:
            return
        if not (block.down or block.mute):
            block.owner = int(value)
            block.beat((block.heartbeat + 1) & 0xFFFF)
            block.hold_vent(True)
            block.shoot_supply(_FOREIGN_SHOT_MS)
        bench.at(bench.now_us + _FOREIGN_EVERY_US, act)

    def leave() -> None:
        nonlocal over
        over = True

    act()
    return leave


FAULTS = (
    _VALVES.fault(
        9,
        "shots_too_long",
        "shots of the valves last too long",
        sets_size("stretch"),
        Size("times", 3.0, 1.0, 100.0),
    ),
    _VALVES.fault(
        22, "power_loss", "the valve block loses its power: outputs drop, nothing answers", _lose_power
    ),
    _VALVES.fault(22, "heartbeat_lost", "the heartbeat no longer reaches the watchdog", sets(beat_deaf=True)),
    _VALVES.fault(22, "watchdog_dead", "the watchdog is dead (layer removed)", sets(watchdog_dead=True)),
    _VALVES.fault(29, "lid_opened", "the lid switch opens; without pressure the lid comes off", _open_lid),
    _VALVES.fault(
        30,
        "second_controller",
        "another program takes over the valve block",
        sets_size("owner", lambda token: int(token) & 65535),
        _TOKEN,
    ),
    _VALVES.fault(
        30,
        "foreign_master",
        "another program with its own token and a moving heartbeat shuts the vent and fills",
        _take_over,
        _TOKEN,
    ),
    _VALVES.fault(31, "valves_link_lost", "the connection to the valve block is gone", sets(down=True)),
    _VALVES.fault(31, "valves_silent", "the valve block no longer answers", sets(mute=True)),
    _VALVES.fault(
        32, "valves_ignore_writes", "the valve block takes commands and does nothing", sets(deaf=True)
    ),
    _VALVES.fault(
        32,
        "valves_busy",
        "that part of all requests to the valve block is answered busy",
        sets_size("busy_part"),
        Size("part", 0.04, 0.0, 1.0),
    ),
    _VALVES.fault(
        32,
        "de_energise_busy",
        "the command to de-energise is answered busy",
        _refuses(ValveRegister.DE_ENERGISE),
    ),
    _VALVES.fault(32, "beats_refused", "heartbeats are answered busy", _refuses(ValveRegister.HEARTBEAT)),
)
