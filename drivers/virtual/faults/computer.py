"""Faults of the computer that the rig runs on."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual.faults.entry import FaultGroup
from drivers.virtual.faults.strike import Undo, change

FAULTS = FaultGroup()


@FAULTS.enter(24, "the computer is suspended", "s", 60.0, within=(0.0, 3600.0))
def _rig_suspended(bench: Bench, target: str, value: float) -> Undo:
    del target
    bench.stall_us += round(value * 1e6)
    return lambda: None


@FAULTS.enter(25, "the computer's time of day jumps", "s", 3600.0, within=(-1e8, 1e8))
def _clock_jump(bench: Bench, target: str, value: float) -> Undo:
    del target
    return change(bench, utc_offset_s=bench.utc_offset_s + value)
