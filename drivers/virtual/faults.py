"""Faults of the bench: what can be made to break, and how."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual_spec import FaultSpec, VirtualBenchError


def inject(bench: Bench, fault: FaultSpec) -> None:
    """Book one fault."""
    raise VirtualBenchError(f"fault {fault.name!r}: unknown")
