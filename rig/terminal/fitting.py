"""Tables that leave out columns instead of cutting their contents."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from typing import Final

from rich.cells import cell_len
from rich.console import Console, ConsoleOptions, RenderableType, RenderResult
from rich.measure import Measurement
from rich.table import Column, Table

LONGEST_SERIAL: Final = 24
_AS_WIDE_AS_IT_LIKES: Final = 10_000


class FittingTable:
    """A table without the columns that a terminal has no room for."""

    def __init__(
        self,
        table_without: Callable[[Collection[str]], Table],
        gives_way: Sequence[str],
        *,
        expand: bool = False,
    ) -> None:
        """Make a table that fits.

        Args:
            table_without: returns the table without the columns named.
            gives_way: columns in the order in which they are left out.
            expand: whether the remaining columns take the whole width.
        """
        self._table_without = table_without
        self._gives_way = tuple(gives_way)
        self._expand = expand

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        table = self._table_without(())
        for count in range(1, len(self._gives_way) + 1):
            if _least_width(console, options, table) <= options.max_width:
                break
            table = self._table_without(self._gives_way[:count])
        table.expand = self._expand
        yield table


class WideOrNarrow:
    """One table for a wide terminal, another for a narrow one."""

    def __init__(self, wide: RenderableType, narrow: RenderableType, *, wide_from: int) -> None:
        self._wide = wide
        self._narrow = narrow
        self._wide_from = wide_from

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        yield self._wide if options.max_width >= self._wide_from else self._narrow


def add_serials(table: Table, title: str, serials: Sequence[str]) -> None:
    """Add a column of serials, none of them cut: long ones take more lines.

    Two cells of a box often differ only in their last digit.
    """
    longest = max((cell_len(serial) for serial in (title, *serials)), default=0)
    table.add_column(title, width=min(longest, LONGEST_SERIAL), overflow="fold")


def _least_width(console: Console, options: ConsoleOptions, table: Table) -> int:
    """Return the columns of a terminal that a table needs so that no word and no number is cut."""
    roomy = options.update(max_width=_AS_WIDE_AS_IT_LIKES)
    padding, between, edges = 2, 1 if table.box is not None else 0, 2 if table.box and table.show_edge else 0
    inside = sum(_column_width(console, roomy, column) + padding for column in table.columns)
    return inside + between * (len(table.columns) - 1) + edges


def _column_width(console: Console, options: ConsoleOptions, column: Column) -> int:
    if column.width is not None:
        return column.width
    measured = [Measurement.get(console, options, cell) for cell in (column.header, *column.cells)]
    return max(cell.maximum if column.no_wrap else cell.minimum for cell in measured)
