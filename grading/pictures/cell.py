"""Pictures of a cell for paper and screen: response, indication error and step response.

The same grading gives the same SVG bytes (with the same library versions).
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Final, Literal

from grading import wording
from grading.pictures.error import draw_error, error_words
from grading.pictures.response import draw_response, response_words
from grading.pictures.step import draw_step, step_words
from grading.pictures.style import MM, canvas, style
from grading.results import CellResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Picture

Kind = Literal["response", "error", "step"]
KINDS: Final[tuple[Kind, ...]] = ("response", "error", "step")
TITLES: Final[dict[Kind, str]] = {
    "response": "Response",
    "error": "Indication error",
    "step": "Step response",
}
PANEL_MM: Final[tuple[float, float]] = (88.0, 52.0)


def svg(picture: Picture, title: str = "", description: str = "") -> bytes:
    """A picture as SVG 1.1, text as outlines; the same bytes every time.

    Args:
        picture: a matplotlib figure.
        title: for screen readers; empty for none.
        description: the alternative text.
    """
    buffer = io.BytesIO()
    metadata = {
        "Date": None,
        "Creator": None,
        "Title": wording.visible(title) or None,
        "Description": wording.visible(description) or None,
    }
    with style():
        picture.savefig(buffer, format="svg", metadata=metadata)
    return buffer.getvalue()


def cell_svg(cell: CellResult, kind: Kind) -> bytes:
    """One picture of a cell as SVG."""
    title = f"{TITLES[kind]} of {cell.info.cell}"
    return svg(panel(cell, kind), title, alt_text(cell, kind))


def alt_text(cell: CellResult, kind: Kind) -> str:
    """A picture's content in words, for people who cannot see it."""
    if kind == "response":
        return response_words(cell)
    if kind == "error":
        return error_words(cell)
    return step_words(cell)


def panel(cell: CellResult, kind: Kind) -> Picture:
    """One picture of a cell, PANEL_MM in size.

    Args:
        cell: graded or not; a missing part is drawn as "not tested".
        kind: "response" is output against PO2, with the line a handset assumes and the fitted curve with its
            95 % band; "error" the indication error between its limits, error bars at about 95 %; "step" how
            the output follows PO2 on one rising and one falling step, with the fitted lag and T90.
    """
    width, height = PANEL_MM
    with style():
        picture = canvas(width, height)
        draw_panel(picture, cell, kind, 0.0, 0.0)
    return picture


def draw_panel(picture: Picture, cell: CellResult, kind: Kind, left_mm: float, bottom_mm: float) -> None:
    """Draw one kind of picture into a rectangle of PANEL_MM at (left, bottom)."""
    width, height = (size / MM for size in picture.get_size_inches())

    def axes(x: float, y: float, w: float, h: float) -> Axes:
        return picture.add_axes(((left_mm + x) / width, (bottom_mm + y) / height, w / width, h / height))

    if kind == "response":
        draw_response(axes(11, 9, 75, 41.5), cell)
    elif kind == "error":
        draw_error(axes(11, 9, 68, 38), cell)
    else:
        left, right = axes(11, 9, 35, 38), axes(51, 9, 35, 38)
        draw_step(left, cell, "up", first=True)
        draw_step(right, cell, "down", first=False)
