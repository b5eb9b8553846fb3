"""Pictures of one cell or of many as a file, for `--plot`."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

from grading import wording
from grading.pictures.cell import KINDS, PANEL_MM, alt_text, draw_panel, svg
from grading.pictures.style import canvas, style
from grading.results import CellResult, Grading
from rig_configs.files.checked_toml import FileError
from rig_configs.files.whole_file import write_whole

if TYPE_CHECKING:
    from matplotlib.figure import Figure as Picture

_MOST_ROWS: Final = 24
_ROW_HEAD_MM: Final = 7.0


class PlotError(FileError):
    """A picture that cannot be made as asked: one line that says what is wrong and what would be right."""


def save_plot(grading: Grading, path: Path, cell: str | None = None) -> None:
    """Write the pictures of one cell, or of all, to an SVG, PNG or PDF file (atomic replace).

    Args:
        grading: the run to draw.
        path: its suffix sets the kind of file. A PDF has one page a cell; SVG and PNG one row a cell.
        cell: serial of the one cell wanted; None for all.

    Raises:
        PlotError: unknown suffix or serial, nothing to draw, or the file cannot be written.
    """
    suffix = path.suffix.lower()
    if suffix not in {".svg", ".png", ".pdf"}:
        raise PlotError(f"{path}: unknown kind of picture '{suffix}'; end the name in .svg, .png or .pdf")
    cells = [c for c in grading.cells if cell is None or c.info.cell == cell]
    if not cells:
        known = ", ".join(c.info.cell for c in grading.cells) or "none"
        raise PlotError(f"{grading.source}: no cell '{cell}' to draw; cells here: {known}")
    if suffix != ".pdf" and len(cells) > _MOST_ROWS:
        raise PlotError(
            f"{path}: {len(cells)} cells do not fit one {suffix} picture (at most {_MOST_ROWS}); "
            "use .pdf, or name one cell"
        )
    data = _pdf(cells) if suffix == ".pdf" else _sheet(cells, suffix)
    _write(path, data)


def _pdf(cells: Sequence[CellResult]) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    with PdfPages(buffer, metadata={"CreationDate": None, "Creator": None, "Producer": None}) as pages:
        for cell in cells:
            picture = _rows([cell])
            with style():
                pages.savefig(picture)
    return buffer.getvalue()


def _sheet(cells: Sequence[CellResult], suffix: str) -> bytes:
    picture = _rows(cells)
    if suffix == ".svg":
        words = " ".join(f"{c.info.cell}: {alt_text(c, kind)}" for c in cells for kind in KINDS)
        return svg(picture, "Cells " + ", ".join(c.info.cell for c in cells), words)
    buffer = io.BytesIO()
    with style():
        picture.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


def _write(path: Path, data: bytes) -> None:
    try:
        write_whole(path, data, sync=False)
    except OSError as error:
        raise PlotError(f"{path}: cannot write ({error.strerror})") from None


def _rows(cells: Sequence[CellResult]) -> Picture:
    width, height = PANEL_MM
    row = height + _ROW_HEAD_MM
    with style():
        picture = canvas(len(KINDS) * width, len(cells) * row)
        for index, cell in enumerate(cells):
            base = (len(cells) - 1 - index) * row
            picture.text(
                4.0 / (len(KINDS) * width),
                (base + height + 1.5) / (len(cells) * row),
                f"{wording.visible(cell.info.cell)}   {wording.grade_text(cell.grade)}",
                parse_math=False,
                fontsize=9,
                fontweight="bold",
            )
            for column, kind in enumerate(KINDS):
                draw_panel(picture, cell, kind, column * width, base)
    return picture
