"""Pictures of a cell: response, indication error and step response, for paper, screen and `--plot`.

Readable in black and white: rising steps are filled circles, falling steps open triangles, limits are two
greys with words beside them. The same grading gives the same SVG bytes (with the same library versions).
Matplotlib is imported only when a picture is drawn.
"""

from __future__ import annotations

import io
import math
import os
import tempfile
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from grading import wording
from grading.results import CellResult, Direction, Figure, Grading, StepResponse, StepResult
from grading.strict_toml import FileError

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

_MM: Final = 1 / 25.4
PANEL_MM: Final[tuple[float, float]] = (88.0, 52.0)
_INK: Final = "#16181d"
_LINE: Final = "#0d4a66"
_WATCH: Final = "0.90"
_REJECT: Final = "0.78"
_BAND: Final = "0.82"
_STYLE: Final[dict[str, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": 7.0,
    "axes.titlesize": 7.0,
    "axes.labelsize": 7.0,
    "xtick.labelsize": 6.5,
    "ytick.labelsize": 6.5,
    "legend.fontsize": 6.2,
    "axes.edgecolor": _INK,
    "axes.labelcolor": _INK,
    "text.color": _INK,
    "xtick.color": _INK,
    "ytick.color": _INK,
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
_MARKER: Final[dict[Direction, dict[str, Any]]] = {
    "up": {"marker": "o", "markerfacecolor": _INK},
    "down": {"marker": "v", "markerfacecolor": "white"},
}


class PlotError(FileError):
    """A picture that cannot be made as asked: one line that says what is wrong and what would be right."""


def response_figure(cell: CellResult) -> Picture:
    """Output against PO2: settled points, the line a handset assumes, the fitted curve with its 95 % band."""
    return _single(cell, "response")


def error_figure(cell: CellResult) -> Picture:
    """Indication error against PO2, error bars at about 95 %, between the limits."""
    return _single(cell, "error")


def step_figure(cell: CellResult) -> Picture:
    """How the output follows PO2 on one rising and one falling step, with the fitted lag and T90."""
    return _single(cell, "step")


def svg(picture: Picture, title: str = "", description: str = "") -> bytes:
    """A picture as SVG 1.1, text as outlines; the same bytes every time.

    Args:
        picture: made by one of the functions above.
        title: for the reader of a screen reader; empty for none.
        description: the alternative text.
    """
    buffer = io.BytesIO()
    metadata = {
        "Date": None,
        "Creator": None,
        "Title": wording.visible(title) or None,
        "Description": wording.visible(description) or None,
    }
    with _style():
        picture.savefig(buffer, format="svg", metadata=metadata)
    return buffer.getvalue()


def cell_svg(cell: CellResult, kind: Kind) -> bytes:
    """One picture of a cell as SVG."""
    title = f"{TITLES[kind]} of {cell.info.cell}"
    return svg(_single(cell, kind), title, alt_text(cell, kind))


def alt_text(cell: CellResult, kind: Kind) -> str:
    """What a picture says, in words, for people who cannot see it."""
    if kind == "response":
        return _response_alt(cell)
    if kind == "error":
        return _error_alt(cell)
    return _step_alt(cell)


def save_plot(grading: Grading, path: Path, cell: str | None = None) -> None:
    """Write the pictures of one cell, or of all, to an SVG, PNG or PDF file (atomic replace).

    Args:
        grading: what to draw.
        path: its suffix tells the kind of file. A PDF has one page a cell; SVG and PNG one row a cell.
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


_MOST_ROWS: Final = 24
_ROW_HEAD_MM: Final = 7.0


def _pdf(cells: Sequence[CellResult]) -> bytes:
    from matplotlib.backends.backend_pdf import PdfPages

    buffer = io.BytesIO()
    with PdfPages(buffer, metadata={"CreationDate": None, "Creator": None, "Producer": None}) as pages:
        for cell in cells:
            picture = _rows([cell])
            with _style():
                pages.savefig(picture)
    return buffer.getvalue()


def _sheet(cells: Sequence[CellResult], suffix: str) -> bytes:
    picture = _rows(cells)
    if suffix == ".svg":
        words = " ".join(f"{c.info.cell}: {alt_text(c, kind)}" for c in cells for kind in KINDS)
        return svg(picture, "Cells " + ", ".join(c.info.cell for c in cells), words)
    buffer = io.BytesIO()
    with _style():
        picture.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


def _write(path: Path, data: bytes) -> None:
    """Replace `path` with `data`, or leave it as it was."""
    try:
        handle, name = tempfile.mkstemp(prefix=".plot-", dir=path.parent)
    except OSError as error:
        raise PlotError(f"{path}: cannot write there ({error.strerror})") from None
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise PlotError(f"{path}: cannot write ({error.strerror})") from None


@contextmanager
def _style() -> Iterator[None]:
    """Our own style on top of matplotlib's defaults, whatever a user's matplotlibrc says."""
    from matplotlib import style

    with style.context(["default", _STYLE]), warnings.catch_warnings():
        # A serial in a script that DejaVu lacks is drawn as boxes; that is no matter for a warning.
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .* missing from font")
        yield


def _canvas(width_mm: float, height_mm: float) -> Picture:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as Picture

    picture = Picture(figsize=(width_mm * _MM, height_mm * _MM))
    FigureCanvasAgg(picture)
    return picture


def _single(cell: CellResult, kind: Kind) -> Picture:
    width, height = PANEL_MM
    with _style():
        picture = _canvas(width, height)
        _panel(picture, cell, kind, 0.0, 0.0)
    return picture


def _rows(cells: Sequence[CellResult]) -> Picture:
    width, height = PANEL_MM
    row = height + _ROW_HEAD_MM
    with _style():
        picture = _canvas(len(KINDS) * width, len(cells) * row)
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
                _panel(picture, cell, kind, column * width, base)
    return picture


def _panel(picture: Picture, cell: CellResult, kind: Kind, left_mm: float, bottom_mm: float) -> None:
    """Draw one kind of picture into a rectangle of PANEL_MM at (left, bottom)."""
    width, height = (size / _MM for size in picture.get_size_inches())

    def axes(x: float, y: float, w: float, h: float) -> Axes:
        return picture.add_axes(((left_mm + x) / width, (bottom_mm + y) / height, w / width, h / height))

    if kind == "response":
        _draw_response(axes(11, 9, 75, 41.5), cell)
    elif kind == "error":
        _draw_error(axes(11, 9, 68, 38), cell)
    else:
        left, right = axes(11, 9, 35, 38), axes(51, 9, 35, 38)
        _draw_step(left, cell, "up", first=True)
        _draw_step(right, cell, "down", first=False)


def _not_tested(axes: Axes, reason: str) -> None:
    axes.text(0.5, 0.54, wording.NOT_TESTED, transform=axes.transAxes, ha="center", fontsize=9)
    if reason:
        text = "\n".join(_wrapped(wording.visible(reason), 44))
        axes.text(
            0.5, 0.46, text, parse_math=False, transform=axes.transAxes, ha="center", va="top", fontsize=6.2
        )
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(True)
        spine.set_linestyle((0, (3, 3)))


def _wrapped(text: str, width: int) -> list[str]:
    import textwrap

    return textwrap.wrap(text, width)[:4]


def _points(cell: CellResult, direction: Direction) -> list[StepResult]:
    return [s for s in cell.detail.steps if s.direction == direction and math.isfinite(s.output_mv)]


def _calibration(cell: CellResult) -> tuple[float, float] | None:
    """(PO2, output) of the point a handset is calibrated at: the step nearest to the calibration PO2."""
    wanted = cell.detail.calibration_po2_bar
    if wanted is None:
        return None
    oxygen = [s for s in cell.detail.steps if s.gas == "oxygen"]
    if not oxygen:
        return None
    nearest = min(oxygen, key=lambda s: (abs(s.po2_bar - wanted) > 0.05, s.step))
    if abs(nearest.po2_bar - wanted) > 0.05 or nearest.po2_bar <= 0:
        return None
    return nearest.po2_bar, nearest.output_mv


def _draw_response(axes: Axes, cell: CellResult) -> None:
    rising, falling = _points(cell, "up"), _points(cell, "down")
    if not rising and not falling:
        _not_tested(axes, "no settled output")
        return
    top = 1.06 * max(s.po2_bar for s in (*rising, *falling))
    highest = max(s.output_mv for s in (*rising, *falling))
    curve = cell.detail.curve
    if curve is not None and curve.po2_bar:
        grid = [i for i, p in enumerate(curve.po2_bar) if p <= top]
        po2 = [curve.po2_bar[i] for i in grid]
        axes.fill_between(
            po2,
            [curve.lower_mv[i] for i in grid],
            [curve.upper_mv[i] for i in grid],
            color=_BAND,
            linewidth=0,
            label="95 % band of the curve",
        )
        axes.plot(po2, [curve.output_mv[i] for i in grid], color=_LINE, linewidth=1.1, label="fitted curve")
        if curve.ceiling_mv is not None and curve.ceiling_mv < 1.6 * highest:
            level = curve.zero_mv + curve.ceiling_mv
            axes.axhline(level, color=_INK, linewidth=0.7, linestyle=":")
            text = f"ceiling {wording.number(curve.ceiling_mv, 1)} mV"
            axes.text(0.02 * top, level, text, va="bottom", fontsize=6.2)
            highest = max(highest, level)
    calibration = _calibration(cell)
    if calibration is not None:
        slope = calibration[1] / calibration[0]
        axes.plot(
            (0, top),
            (0, slope * top),
            color=_INK,
            linewidth=0.8,
            linestyle=(0, (5, 3)),
            label="line a handset assumes",
        )
        highest = max(highest, slope * top)
    _scatter(axes, [s.po2_bar for s in rising], [s.output_mv for s in rising], "up")
    _scatter(axes, [s.po2_bar for s in falling], [s.output_mv for s in falling], "down")
    restless = [s for s in (*rising, *falling) if s.settled is False]
    if restless:
        axes.plot(
            [s.po2_bar for s in restless],
            [s.output_mv for s in restless],
            linestyle="none",
            marker="s",
            markersize=7.5,
            markerfacecolor="none",
            markeredgecolor=_INK,
            markeredgewidth=0.6,
            label="not settled",
        )
    axes.set_xlim(0, top)
    axes.set_ylim(0, 1.08 * highest)
    _round_ticks(axes)
    axes.set_xlabel("PO2 (bar)")
    axes.set_ylabel("output (mV)")
    axes.legend(loc="lower right")


def _round_ticks(axes: Axes) -> None:
    from matplotlib.ticker import MaxNLocator

    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))


def _scatter(axes: Axes, x: Sequence[float], y: Sequence[float], direction: Direction) -> None:
    if not x:
        return
    axes.plot(
        x,
        y,
        linestyle="none",
        markersize=3.6,
        markeredgecolor=_INK,
        markeredgewidth=0.7,
        label=wording.direction_word(direction),
        zorder=5,
        **_MARKER[direction],
    )


def _error_limits(cell: CellResult) -> list[tuple[float, Figure]]:
    """(nominal PO2, figure) of the indication errors that have limits, one a step, in order."""
    found: dict[float, Figure] = {}
    for figure in cell.figures:
        nominal = figure.nominal_po2_bar
        if (
            figure.key == "indication_error_percent"
            and nominal is not None
            and figure.pass_limits is not None
        ):
            found.setdefault(nominal, figure)
    return sorted(found.items())


def _draw_error(axes: Axes, cell: CellResult) -> None:
    drawn = [s for s in cell.detail.steps if s.indication_error_percent is not None]
    limits = _error_limits(cell)
    if not drawn:
        _not_tested(axes, "no step beside the calibration step")
        return
    span = [s.po2_bar for s in drawn] + [nominal for nominal, _ in limits]
    left, right = min(span) - 0.08, max(span) + 0.08
    passing = [abs(x) for _, f in limits for x in f.pass_limits or () if x is not None]
    least = 1.3 * max(passing, default=1.0)
    errors = [(s.indication_error_percent or 0.0, s.expanded_uncertainty_percent or 0.0) for s in drawn]
    low = min(-least, 1.12 * min(e - u for e, u in errors))
    high = max(least, 1.12 * max(e + u for e, u in errors))
    _draw_limits(axes, limits, (left, right), (low, high))
    axes.axhline(0, color=_INK, linewidth=0.6)
    _draw_linear_to(axes, cell, (left, right))
    for direction in ("up", "down"):
        side = [s for s in drawn if s.direction == direction]
        if not side:
            continue
        # Rising and falling stand side by side, or one would hide the other where they agree.
        aside = -_DODGE_BAR if direction == "up" else _DODGE_BAR
        axes.errorbar(
            [s.po2_bar + aside for s in side],
            [s.indication_error_percent or 0.0 for s in side],
            yerr=[s.expanded_uncertainty_percent or 0.0 for s in side],
            linestyle="none",
            ecolor=_INK,
            elinewidth=0.7,
            capsize=1.8,
            capthick=0.7,
            markersize=3.6,
            markeredgecolor=_INK,
            markeredgewidth=0.7,
            label=wording.direction_word(direction),
            zorder=5,
            **_MARKER[direction],
        )
    axes.set_xlim(left, right)
    axes.set_ylim(low, high)
    _round_ticks(axes)
    axes.set_xlabel("PO2 (bar)")
    axes.set_ylabel("indication error (%)")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, columnspacing=1.4)


_DODGE_BAR: Final = 0.011


def _draw_linear_to(axes: Axes, cell: CellResult, span: tuple[float, float]) -> None:
    """A line at the end of the linear range, with its words on the side that has room."""
    found = [f for f in cell.figures if f.key == "linear_to_bar" and f.value is not None]
    if not found or found[0].value is None or not span[0] < found[0].value < span[1]:
        return
    at = found[0].value
    axes.axvline(at, color=_INK, linewidth=0.7, linestyle="-.")
    roomy = at > (span[0] + span[1]) / 2
    axes.annotate(
        f"linear to {wording.number(at, 2)} bar",
        (at, 0.03),
        xycoords=("data", "axes fraction"),
        xytext=(-3 if roomy else 3, 0),
        textcoords="offset points",
        ha="right" if roomy else "left",
        fontsize=6.2,
    )


def _draw_limits(
    axes: Axes,
    limits: Sequence[tuple[float, Figure]],
    span: tuple[float, float],
    reach: tuple[float, float],
) -> None:
    """Two greys: between pass and reject limit, and beyond the reject limit. The pass zone stays white."""
    for left, right, figure in _zones(limits, span):
        for side, far in enumerate(reach):
            inner = (figure.pass_limits or (None, None))[side]
            outer = (figure.reject_limits or (None, None))[side]
            inside = outer is not None and abs(outer) < abs(far)
            if inner is not None:
                edge = outer if inside and outer is not None else far
                axes.fill_between((left, right), inner, edge, color=_WATCH, linewidth=0)
            if outer is not None and inside:
                axes.fill_between((left, right), outer, far, color=_REJECT, linewidth=0)
    if limits:
        for word, y in _zone_words(limits[-1][1], reach):
            axes.annotate(
                word,
                (1.0, y),
                xycoords=("axes fraction", "data"),
                xytext=(2.5, 0),
                textcoords="offset points",
                va="center",
                fontsize=6.2,
                annotation_clip=False,
            )


def _zones(
    limits: Sequence[tuple[float, Figure]], span: tuple[float, float]
) -> Iterator[tuple[float, float, Figure]]:
    """Left and right edge of each stretch of PO2 with the same limits: halfway between the steps."""
    left = span[0]
    for (nominal, figure), (following, other) in pairwise(limits):
        if (figure.pass_limits, figure.reject_limits) != (other.pass_limits, other.reject_limits):
            middle = (nominal + following) / 2
            yield left, middle, figure
            left = middle
    if limits:
        yield left, span[1], limits[-1][1]


def _zone_words(figure: Figure, reach: tuple[float, float]) -> Iterator[tuple[str, float]]:
    """Where to write pass, watch and reject beside the right edge, wherever a zone is high enough."""
    room = 0.07 * (reach[1] - reach[0])
    edges: list[tuple[str, float, float]] = []
    bounds: list[float] = [0.0, 0.0]
    for side, far in enumerate(reach):
        inner = (figure.pass_limits or (None, None))[side]
        outer = (figure.reject_limits or (None, None))[side]
        if inner is None:
            bounds[side] = far
            continue
        bounds[side] = inner
        end = outer if outer is not None and abs(outer) < abs(far) else far
        edges.append(("watch", inner, end))
        if end != far:
            edges.append(("reject", end, far))
    edges.append(("pass", bounds[0], bounds[1]))
    for word, start, end in edges:
        if abs(end - start) >= room:
            yield word, (start + end) / 2


def shown_response(cell: CellResult, direction: Direction) -> StepResponse | None:
    """The step response a picture shows: of those with a trace, one with a T90, the largest change first."""
    found = [r for r in cell.detail.responses if r.direction == direction and len(r.t_s) > 1]
    if not found:
        return None
    return max(found, key=lambda r: (r.t90_s is not None, abs(r.po2_bar[-1] - r.po2_bar[0]), -r.step))


def _draw_step(axes: Axes, cell: CellResult, direction: Direction, *, first: bool) -> None:
    response = shown_response(cell, direction)
    axes.set_title(wording.direction_word(direction), loc="left", pad=3)
    reference = () if response is None else (response.fitted_mv or response.output_mv)
    if response is None or not reference or reference[-1] == reference[0]:
        _not_tested(axes, _why_no_response(cell, direction))
        return
    begin, end = reference[0], reference[-1]
    po2_begin, po2_end = response.po2_bar[0], response.po2_bar[-1]

    def part(values: Sequence[float]) -> list[float]:
        return [100 * (v - begin) / (end - begin) for v in values]

    axes.axhline(90, color=_INK, linewidth=0.5, linestyle=":")
    if po2_end != po2_begin:
        axes.plot(
            response.t_s,
            [100 * (p - po2_begin) / (po2_end - po2_begin) for p in response.po2_bar],
            color=_INK,
            linewidth=0.8,
            linestyle=(0, (5, 3)),
            label="PO2",
        )
    axes.plot(
        response.t_s,
        part(response.output_mv),
        linestyle="none",
        marker=".",
        markersize=2.2,
        color=_INK,
        label="output",
    )
    if response.fitted_mv:
        axes.plot(response.t_s, part(response.fitted_mv), color=_LINE, linewidth=1.1, label="fitted lag")
    highest = max(part((*response.output_mv, *response.fitted_mv)), default=100.0)
    axes.set_ylim(-8, max(112.0, min(highest + 6.0, 150.0)))
    axes.set_xlim(*_window(response, part(reference)))
    axes.set_xlabel("time from start of change (s)")
    if first:
        axes.set_ylabel("part of the change (%)")
    else:
        axes.tick_params(labelleft=False)
    axes.text(
        0.98, 0.30 if first else 0.05, _t90_text(response), transform=axes.transAxes, ha="right", fontsize=6.5
    )
    if first:
        axes.legend(loc="lower right", borderaxespad=0.1)


def _window(response: StepResponse, done: Sequence[float]) -> tuple[float, float]:
    """From shortly before the change until it has been over for as long again, within the trace."""
    last = response.t_s[-1]
    over = next((t for t, y in zip(response.t_s, done, strict=False) if y >= 99.0), last)
    return max(response.t_s[0], -0.15 * over), min(last, 1.6 * max(over, 1.0))


def _t90_text(response: StepResponse) -> str:
    if response.t90_s is None:
        return "T90 not found"
    places = wording.decimals_for(response.u_t90_s, otherwise=1)
    text = f"T90 {wording.number(response.t90_s, min(places, 2))} s"
    return "\n".join([text, *_wrapped(response.model, 15)])


def _why_no_response(cell: CellResult, direction: Direction) -> str:
    for response in cell.detail.responses:
        if response.direction == direction and response.reason:
            return response.reason
    return "no trace"


def _response_alt(cell: CellResult) -> str:
    steps = [s for s in cell.detail.steps if math.isfinite(s.output_mv)]
    if not steps:
        return "Response: not tested."
    top = max(steps, key=lambda s: s.po2_bar)
    text = (
        f"Response: output against PO2, {len(steps)} settled points up to "
        f"{top.output_mv:.2f} mV at {top.po2_bar:.2f} bar, with the line a handset assumes"
    )
    curve = cell.detail.curve
    if curve is None:
        return text + "; no curve could be fitted."
    if curve.ceiling_mv is None:
        return text + f"; fitted model: {curve.model}."
    return text + f"; fitted model: {curve.model}, ceiling at {curve.ceiling_mv:.1f} mV."


def _error_alt(cell: CellResult) -> str:
    drawn = [s for s in cell.detail.steps if s.indication_error_percent is not None]
    if not drawn:
        return "Indication error: not tested."
    worst = max(drawn, key=lambda s: abs(s.indication_error_percent or 0.0))
    error = wording.number(worst.indication_error_percent or 0.0, 1, signed=True)
    return (
        f"Indication error against PO2 between its limits, {len(drawn)} points; "
        f"the largest is {error} % at {worst.po2_bar:.2f} bar, {wording.direction_word(worst.direction)}."
    )


def _step_alt(cell: CellResult) -> str:
    said = []
    for direction in ("up", "down"):
        response = shown_response(cell, direction)
        word = wording.direction_word(direction)
        if response is None or response.t90_s is None:
            said.append(f"{word}: not tested")
        else:
            said.append(f"{word}: T90 {response.t90_s:.1f} s")
    return "Step response, " + ", ".join(said) + "."
