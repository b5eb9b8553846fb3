"""Picture of a cell's indication errors between their limits: two greys with words beside them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from grading import wording
from grading.pictures.style import INK, MARKER, not_tested, round_ticks
from grading.results import CellResult, Figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_WATCH: Final = "0.90"
_REJECT: Final = "0.78"
_DODGE_BAR: Final = 0.011


def draw_error(axes: Axes, cell: CellResult) -> None:
    """Draw indication error against PO2, error bars at about 95 %, between the limits."""
    drawn = [s for s in cell.detail.steps if s.indication_error_percent is not None]
    limits = _error_limits(cell)
    if not drawn:
        not_tested(axes, "no step beside the calibration step")
        return
    span = [s.po2_bar for s in drawn] + [nominal for nominal, _ in limits]
    left, right = min(span) - 0.08, max(span) + 0.08
    passing = [abs(x) for _, f in limits for x in f.pass_limits or () if x is not None]
    least = 1.3 * max(passing, default=1.0)
    errors = [(s.indication_error_percent or 0.0, s.expanded_uncertainty_percent or 0.0) for s in drawn]
    low = min(-least, 1.12 * min(e - u for e, u in errors))
    high = max(least, 1.12 * max(e + u for e, u in errors))
    _draw_limits(axes, limits, (left, right), (low, high))
    axes.axhline(0, color=INK, linewidth=0.6)
    _draw_linear_to(axes, cell, (left, right))
    for direction in ("up", "down"):
        side = [s for s in drawn if s.direction == direction]
        if not side:
            continue
        # Rising and falling are drawn side by side; otherwise one would hide the other where they agree.
        aside = -_DODGE_BAR if direction == "up" else _DODGE_BAR
        axes.errorbar(
            [s.po2_bar + aside for s in side],
            [s.indication_error_percent or 0.0 for s in side],
            yerr=[s.expanded_uncertainty_percent or 0.0 for s in side],
            linestyle="none",
            ecolor=INK,
            elinewidth=0.7,
            capsize=1.8,
            capthick=0.7,
            markersize=3.6,
            markeredgecolor=INK,
            markeredgewidth=0.7,
            label=wording.direction_word(direction),
            zorder=5,
            **MARKER[direction],
        )
    axes.set_xlim(left, right)
    axes.set_ylim(low, high)
    round_ticks(axes)
    axes.set_xlabel("PO2 (bar)")
    axes.set_ylabel("indication error (%)")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, columnspacing=1.4)


def error_words(cell: CellResult) -> str:
    """The picture's content in words, for people who cannot see it."""
    drawn = [s for s in cell.detail.steps if s.indication_error_percent is not None]
    if not drawn:
        return "Indication error: not tested."
    worst = max(drawn, key=lambda s: abs(s.indication_error_percent or 0.0))
    error = wording.number(worst.indication_error_percent or 0.0, 1, signed=True)
    return (
        f"Indication error against PO2 between its limits, {len(drawn)} points; "
        f"the largest is {error} % at {worst.po2_bar:.2f} bar, {wording.direction_word(worst.direction)}."
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


def _draw_linear_to(axes: Axes, cell: CellResult, span: tuple[float, float]) -> None:
    """A line at the end of the linear range, with its text on the side that has room."""
    found = [f for f in cell.figures if f.key == "linear_to_bar" and f.value is not None]
    if not found or found[0].value is None or not span[0] < found[0].value < span[1]:
        return
    at = found[0].value
    axes.axvline(at, color=INK, linewidth=0.7, linestyle="-.")
    roomy = at > (span[0] + span[1]) / 2
    axes.annotate(
        f"linear up to {wording.number(at, 2)} bar",
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
    """Where to write pass, watch and reject beside the right edge, for zones that are high enough."""
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
