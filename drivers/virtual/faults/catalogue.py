"""All faults."""

from __future__ import annotations

from drivers.virtual.faults import cells, computer, gauges, instruments, pot, valve_block
from drivers.virtual.faults.entry import Fault
from drivers.virtual_spec import FaultKind

# Faults of one row of the table follow each other in this order, and fault seeds draw by place in the table.
_GROUPS = (pot.FAULTS, valve_block.FAULTS, instruments.FAULTS, gauges.FAULTS, cells.FAULTS, computer.FAULTS)
_FAULTS = {fault.kind.name: fault for group in _GROUPS for fault in group}


def fault_kinds() -> tuple[FaultKind, ...]:
    """All faults, in the order of the fault table."""
    return tuple(fault.kind for fault in sorted(_FAULTS.values(), key=lambda fault: fault.kind.row))


def fault_named(name: str) -> Fault | None:
    """The fault of that name, or None."""
    return _FAULTS.get(name)
