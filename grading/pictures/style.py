"""How pictures look: colours, markers, lettering, and the canvas they are drawn on.

Readable in black and white: rising steps are filled circles, falling steps open triangles. Matplotlib
is imported only when a picture is drawn.
"""

from __future__ import annotations

import textwrap
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from grading import wording
from grading.results import Direction

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Picture

MM: Final = 1 / 25.4
INK: Final = "#16181d"
LINE: Final = "#0d4a66"
_STYLE: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": 7.0,
    "axes.titlesize": 7.0,
    "axes.labelsize": 7.0,
    "xtick.labelsize": 6.5,
    "ytick.labelsize": 6.5,
    "legend.fontsize": 6.2,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "axes.labelpad": 2.5,
    "legend.frameon": False,
    "legend.handlelength": 2.2,
    "legend.labelspacing": 0.35,
    "legend.borderaxespad": 0.2,
    "axes.unicode_minus": True,
    "svg.fonttype": "path",
    "svg.hashsalt": "leadline",
    "savefig.dpi": 200,
}
MARKER: Final[dict[Direction, dict[str, Any]]] = {
    "up": {"marker": "o", "markerfacecolor": INK},
    "down": {"marker": "v", "markerfacecolor": "white"},
}


@contextmanager
def style() -> Iterator[None]:
    """Our own style on top of matplotlib's defaults; a user's matplotlibrc has no effect."""
    from matplotlib import style

    with style.context(["default", _STYLE]), warnings.catch_warnings():
        # A serial in a script that DejaVu lacks is drawn as boxes; a warning would not help.
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from font")
        yield


def canvas(width_mm: float, height_mm: float) -> Picture:
    """An empty picture that needs no screen."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Picture

    picture = Picture(figsize=(width_mm * MM, height_mm * MM))
    FigureCanvasAgg(picture)
    return picture


def not_tested(axes: Axes, reason: str) -> None:
    """Say in an empty frame that there is nothing to draw, and why."""
    axes.text(0.5, 0.54, wording.NOT_TESTED, transform=axes.transAxes, ha="center", fontsize=9)
    if reason:
        text = "\n".join(wrapped(wording.visible(reason), 44))
        axes.text(
            0.5, 0.46, text, parse_math=False, transform=axes.transAxes, ha="center", va="top", fontsize=6.2
        )
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_linestyle((0, (3, 3)))


def wrapped(text: str, width: int) -> list[str]:
    """Break text into lines of `width` characters, four at most."""
    return textwrap.wrap(text, width)[:4]


def round_ticks(axes: Axes) -> None:
    """Put ticks at round numbers."""
    from matplotlib.ticker import MaxNLocator

    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))


def scatter(axes: Axes, x: Sequence[float], y: Sequence[float], direction: Direction) -> None:
    """Draw settled points of one direction."""
    if not x:
        return
    axes.plot(
        x,
        y,
        linestyle="none",
        markersize=3.6,
        markeredgecolor=INK,
        markeredgewidth=0.7,
        label=wording.direction_word(direction),
        zorder=5,
        **MARKER[direction],
    )
