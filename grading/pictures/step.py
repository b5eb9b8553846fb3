"""Picture of how a cell follows a step: PO2, output and the fitted lag as parts of the change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from grading import wording
from grading.pictures.style import INK, LINE, not_tested, wrapped
from grading.results import CellResult, Direction, StepResponse

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def draw_step(axes: Axes, cell: CellResult, direction: Direction, *, first: bool) -> None:
    """Draw one step; `first` is the left one of two, which has the legend and the axis label."""
    response = shown_response(cell, direction)
    axes.set_title(wording.direction_word(direction), loc="left", pad=3)
    reference = () if response is None else (response.fitted_mv or response.output_mv)
    if response is None or not reference or reference[-1] == reference[0]:
        not_tested(axes, _why_no_response(cell, direction))
        return
    begin, end = reference[0], reference[-1]
    po2_begin, po2_end = response.po2_bar[0], response.po2_bar[-1]

    def part(values: Sequence[float]) -> list[float]:
        return [100 * (v - begin) / (end - begin) for v in values]

    axes.axhline(90, color=INK, linewidth=0.5, linestyle=":")
    if po2_end != po2_begin:
        axes.plot(
            response.t_s,
            [100 * (p - po2_begin) / (po2_end - po2_begin) for p in response.po2_bar],
            color=INK,
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
        color=INK,
        label="output",
    )
    if response.fitted_mv:
        axes.plot(response.t_s, part(response.fitted_mv), color=LINE, linewidth=1.1, label="fitted lag")
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


def step_words(cell: CellResult) -> str:
    """The picture's content in words, for people who cannot see it."""
    said = []
    for direction in ("up", "down"):
        response = shown_response(cell, direction)
        word = wording.direction_word(direction)
        if response is None or response.t90_s is None:
            said.append(f"{word}: not tested")
        else:
            said.append(f"{word}: T90 {response.t90_s:.1f} s")
    return "Step response, " + ", ".join(said) + "."


def shown_response(cell: CellResult, direction: Direction) -> StepResponse | None:
    """The step response of a picture: one with a trace, preferably with a T90 and of the largest change."""
    found = [r for r in cell.detail.responses if r.direction == direction and len(r.t_s) > 1]
    if not found:
        return None
    return max(found, key=lambda r: (r.t90_s is not None, abs(r.po2_bar[-1] - r.po2_bar[0]), -r.step))


def _window(response: StepResponse, done: Sequence[float]) -> tuple[float, float]:
    """From shortly before the change to as long after it as it took, within the trace."""
    last = response.t_s[-1]
    over = next((t for t, y in zip(response.t_s, done, strict=False) if y >= 99.0), last)
    return max(response.t_s[0], -0.15 * over), min(last, 1.6 * max(over, 1.0))


def _t90_text(response: StepResponse) -> str:
    if response.t90_s is None:
        return "T90 not found"
    places = wording.decimals_for(response.u_t90_s, otherwise=1)
    text = f"T90 {wording.number(response.t90_s, min(places, 2))} s"
    return "\n".join([text, *wrapped(response.model, 15)])


def _why_no_response(cell: CellResult, direction: Direction) -> str:
    for response in cell.detail.responses:
        if response.direction == direction and response.reason:
            return response.reason
    return "no trace"
