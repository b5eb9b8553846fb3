"""Faults of a cell and of its contacts."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual.faults.entry import SOCKET, FaultGroup
from drivers.virtual.faults.strike import Undo, change

FAULTS = FaultGroup()


@FAULTS.enter(19, "a cell is unplugged", targets=SOCKET)
def _cell_unplugged(bench: Bench, target: str, value: float) -> Undo:
    del value
    return change(bench.cells[int(target)], contact="open")


@FAULTS.enter(19, "a cell's contact is bad", targets=SOCKET)
def _cell_noisy(bench: Bench, target: str, value: float) -> Undo:
    del value
    return change(bench.cells[int(target)], contact="noisy")


@FAULTS.enter(20, "a cell is dead or shorted", targets=SOCKET)
def _cell_shorted(bench: Bench, target: str, value: float) -> Undo:
    del value
    return change(bench.cells[int(target)], contact="short")
