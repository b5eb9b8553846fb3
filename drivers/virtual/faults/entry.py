"""How a fault is written down: what it is called, what it takes, and how it begins."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from drivers.virtual.bench import Bench
from drivers.virtual.faults.strike import Undo
from drivers.virtual_spec import FaultKind

Begin = Callable[[Bench, str, float], Undo]

SOCKET = ("socket",)
"""Targets of a fault that strikes the cell in one socket."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One entry: what it is, how it begins, and the one role that it cannot do without, if any."""

    kind: FaultKind
    begin: Begin
    role: str


class FaultGroup:
    """The faults of one part of the bench, in the order in which they are written down.

    Attributes:
        entries: what has been entered.
    """

    def __init__(self) -> None:
        self.entries: list[Fault] = []

    def enter(
        self,
        row: int,
        text: str,
        value_unit: str = "",
        default: float | None = None,
        targets: tuple[str, ...] = (),
        role: str = "",
        within: tuple[float, float] = (0.0, 0.0),
        whole: bool = False,
    ) -> Callable[[Begin], Begin]:
        """Enter a function under its own name, less its leading underscore.

        `within` is where its value makes sense: what a part can do, and what the bench can still work out.
        """

        def enter(begin: Begin) -> Begin:
            name = begin.__name__.removeprefix("_")
            kind = FaultKind(name, row, text, value_unit, default, targets, *within, whole=whole)
            self.entries.append(Fault(kind, begin, role))
            return begin

        return enter
