"""What an instrument needs from its bench."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from drivers.virtual.cells import Cell
from drivers.virtual.pot import Pot
from drivers.virtual_spec import VirtualSpec


class Stand(Protocol):
    """The pot, the cells and the time that all instruments of one bench share."""

    @property
    def spec(self) -> VirtualSpec:
        """The spec, above all the seed that every error is drawn from."""

    @property
    def pot(self) -> Pot:
        """The pressure pot."""

    @property
    def cells(self) -> Mapping[int, Cell]:
        """The cells in the pot, by socket."""

    @property
    def now_us(self) -> int:
        """Bench time in microseconds."""

    def at(self, when_us: int, action: Callable[[], None]) -> None:
        """Book `action` for bench time `when_us`; actions of one instant run in the order of booking."""
