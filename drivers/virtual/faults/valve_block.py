"""Faults of the valve block: its power, its watchdog, its lid switch, and its owner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.faults.entry import Size, instrument
from drivers.virtual.faults.strike import Undo, change, sets, sets_size, undo_all

_LID_MAY_OPEN_BAR = 0.02
_VALVES = instrument("valves")


def _lose_power(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    for block in struck:
        block.lose_power()
    return sets(down=True)(bench, struck, value)


def _open_lid(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    pot = bench.pot
    loose = abs(pot.pressure_bar - pot.room_pressure_bar) < _LID_MAY_OPEN_BAR
    return undo_all((sets(lid_switch_closed=False)(bench, struck, value), change(pot, lid_off=loose)))


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
        Size("its token", 47011, 1, 65535, whole=True),
    ),
    _VALVES.fault(31, "valves_link_lost", "the connection to the valve block is gone", sets(down=True)),
    _VALVES.fault(31, "valves_silent", "the valve block no longer answers", sets(mute=True)),
    _VALVES.fault(
        32, "valves_ignore_writes", "the valve block takes commands and does nothing", sets(deaf=True)
    ),
)
