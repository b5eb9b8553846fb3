"""Faults of a cell and of its contacts."""

from __future__ import annotations

from drivers.virtual.faults.entry import SOCKET, Part
from drivers.virtual.faults.strike import sets

_CELL = Part(lambda bench, target: (bench.cells[int(target)],), targets=SOCKET)

FAULTS = (
    _CELL.fault(19, "cell_unplugged", "a cell is unplugged", sets(contact="open")),
    _CELL.fault(19, "cell_noisy", "a cell's contact is bad", sets(contact="noisy")),
    _CELL.fault(20, "cell_shorted", "a cell is dead or shorted", sets(contact="short")),
)
