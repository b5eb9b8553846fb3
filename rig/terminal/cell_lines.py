"""The cells of a run as a table, as a shortened table, or as one line."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from typing import Final

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from rig.terminal.fitting import FittingTable, add_serials
from rig.terminal.formats import counted, maybe
from rig.view import CellLine

_STATE_STYLE: Final[dict[str, str]] = {
    "settled": "bold green",
    "settling": "cyan",
    "not settled": "bold yellow",
    "no reading": "bold red",
    "unplugged": "bold red",
    "swapped": "bold red",
}
_TITLES: Final = ("socket", "cell", "mV", "claims PO2", "off by", "% per 10 s", "state")
_GIVES_WAY: Final = ("% per 10 s", "off by", "claims PO2", "socket")
# Where not every cell can be shown, those that may need attention come first.
_LOOKED_AT_FIRST: Final = (
    "unplugged",
    "swapped",
    "no reading",
    "not settled",
    "settling",
    "waiting",
    "settled",
)


def all_cells(cells: Sequence[CellLine], po2_bar: float | None) -> RenderableType:
    """Return a table of every cell; `po2_bar` is the reference that claims are compared with."""
    return _table(cells, po2_bar, box.SIMPLE_HEAD)


def some_cells(cells: Sequence[CellLine], po2_bar: float | None, most: int) -> RenderableType:
    """Return a heading, `most` cells, and one line that counts the others; that line may be the last cell."""
    if len(cells) <= most + 1:
        return _table(cells, po2_bar, None)
    ranked = sorted(cells, key=lambda cell: _rank(cell.state))
    chosen = {cell.socket for cell in ranked[:most]}
    shown = [cell for cell in cells if cell.socket in chosen]
    others = [cell for cell in cells if cell.socket not in chosen]
    more = Text(f"and {len(others)} more: {_states(others)}", style="dim", no_wrap=True, overflow="ellipsis")
    return Group(_table(shown, po2_bar, None), more)


def cells_in_one_line(cells: Sequence[CellLine]) -> Text:
    """Return `6 cells: 4 settled, 2 settling`."""
    line = f"{counted(len(cells), 'cell')}: {_states(cells)}"
    return Text(line, no_wrap=True, overflow="ellipsis")


def _rank(state: str) -> int:
    return _LOOKED_AT_FIRST.index(state) if state in _LOOKED_AT_FIRST else 0


def _states(cells: Sequence[CellLine]) -> str:
    count = Counter(cell.state for cell in cells)
    ordered = sorted(count, key=lambda state: -_rank(state))
    return ", ".join(f"{count[state]} {state}" for state in ordered)


def _table(cells: Sequence[CellLine], po2_bar: float | None, frame: box.Box | None) -> FittingTable:
    def without(left_out: Collection[str]) -> Table:
        table = Table(box=frame, padding=(0, 1), header_style="dim", show_edge=False)
        shown = [title for title in _TITLES if title not in left_out]
        for title in shown:
            if title == "cell":
                add_serials(table, title, [cell.serial for cell in cells])
            else:
                table.add_column(title, justify="left" if title == "state" else "right", no_wrap=True)
        for cell in cells:
            row = _row(cell, po2_bar)
            table.add_row(*(row[title] for title in shown))
        return table

    return FittingTable(without, _GIVES_WAY, expand=True)


def _row(cell: CellLine, po2_bar: float | None) -> dict[str, str | Text]:
    return {
        "socket": str(cell.socket),
        "cell": cell.serial,
        "mV": maybe(cell.output_mv, 2),
        "claims PO2": maybe(cell.claimed_po2_bar, 3),
        "off by": _off_by(cell, po2_bar),
        "% per 10 s": maybe(cell.slope_percent_per_10s, 2, signed=True),
        "state": Text(cell.state, style=_STATE_STYLE.get(cell.state, "")),
    }


def _off_by(cell: CellLine, po2_bar: float | None) -> str:
    """Return the claim's deviation from the reference; only a settled cell has one."""
    if cell.state != "settled" or cell.claimed_po2_bar is None or not po2_bar:
        return ""
    return f"{maybe(100.0 * (cell.claimed_po2_bar / po2_bar - 1.0), 1, signed=True)} %"
