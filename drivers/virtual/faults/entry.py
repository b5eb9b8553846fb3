"""How a fault is defined: one row with its target, name, effect and size."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, NamedTuple

from drivers.virtual.bench import Bench
from drivers.virtual.faults.strike import Effect, Undo, device_of, undo_all
from drivers.virtual_spec import FaultKind
from rig_configs.roles import Role

SOCKET = ("socket",)
"""Targets of a fault that affects the cell in one socket."""
GAUGE_ROLES = ("gauge", "second_gauge")
BOTH_GAUGES = "both"
"""The target that stands for all of them."""


class Size(NamedTuple):
    """Size of a fault: its unit, its default, and its possible range.

    The range is what the part can do and the bench can still calculate.
    """

    unit: str
    usual: float
    lowest: float
    highest: float
    whole: bool = False


@dataclass(frozen=True, slots=True)
class Part:
    """What a fault affects.

    Attributes:
        find: the things that are struck, from the bench and the target.
        targets: what can be chosen; empty where there is no choice.
        role: the one role that the bench must have, if any.
        refresh: called for each thing when a fault of it has begun and when it is over.
    """

    find: Callable[[Bench, str], Sequence[Any]]
    targets: tuple[str, ...] = ()
    role: str = ""
    refresh: Callable[[Any], None] | None = None

    def fault(self, row: int, name: str, text: str, effect: Effect, size: Size | None = None) -> Fault:
        """Return one row of the catalogue: row of the fault table, name, what breaks, and what it does."""
        if size is None:
            return Fault(FaultKind(name, row, text, targets=self.targets), self, effect)
        unit, usual, lowest, highest, whole = size
        kind = FaultKind(name, row, text, unit, usual, self.targets, lowest, highest, whole)
        return Fault(kind, self, effect)


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of the catalogue."""

    kind: FaultKind
    part: Part
    effect: Effect

    def begin(self, bench: Bench, target: str, value: float) -> Undo:
        """Apply the fault; the undo ends it."""
        struck = self.part.find(bench, target)
        undo = self.effect(bench, struck, value)
        if self.part.refresh is None:
            return undo
        refresh = undo_all([partial(self.part.refresh, thing) for thing in struck])
        refresh()
        return undo_all((undo, refresh))


def instrument(role: Role) -> Part:
    """Return the instrument in one role."""
    return Part(lambda bench, _target: (device_of(bench, role),), role=role)
