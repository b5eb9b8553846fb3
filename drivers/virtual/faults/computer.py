"""Faults of the computer that the rig runs on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.faults.entry import Part, Size
from drivers.virtual.faults.strike import Undo, change

_COMPUTER = Part(lambda bench, _target: (bench,))


def _suspend(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del struck
    bench.stall_us += round(value * 1e6)
    return lambda: None


def _jump(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del struck
    return change(bench, utc_offset_s=bench.utc_offset_s + value)


FAULTS = (
    _COMPUTER.fault(24, "rig_suspended", "the computer is suspended", _suspend, Size("s", 60.0, 0.0, 3600.0)),
    _COMPUTER.fault(
        25,
        "clock_jump",
        "the computer's time of day jumps",
        _jump,
        Size("s", 3600.0, -100000000.0, 100000000.0),
    ),
)
