"""Picture of a cell's response: settled points, the line a handset assumes, the curve with its band."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from grading import wording
from grading.pictures.style import INK, LINE, not_tested, round_ticks, scatter
from grading.results import CellResult, Direction, StepResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_BAND: Final = "0.82"


def draw_response(axes: Axes, cell: CellResult) -> None:
    """Draw output against PO2."""
    rising, falling = _points(cell, "up"), _points(cell, "down")
    if not rising and not falling:
        not_tested(axes, "no settled output")
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
        axes.plot(po2, [curve.output_mv[i] for i in grid], color=LINE, linewidth=1.1, label="fitted curve")
        if curve.ceiling_mv is not None and curve.ceiling_mv < 1.6 * highest:
            level = curve.zero_mv + curve.ceiling_mv
            axes.axhline(level, color=INK, linewidth=0.7, linestyle=":")
            text = f"ceiling {wording.number(curve.ceiling_mv, 1)} mV"
            axes.text(0.02 * top, level, text, va="bottom", fontsize=6.2)
            highest = max(highest, level)
    calibration = _calibration(cell)
    if calibration is not None:
        slope = calibration[1] / calibration[0]
        axes.plot(
            (0, top),
            (0, slope * top),
            color=INK,
            linewidth=0.8,
            linestyle=(0, (5, 3)),
            label="line a handset assumes",
        )
        highest = max(highest, slope * top)
    scatter(axes, [s.po2_bar for s in rising], [s.output_mv for s in rising], "up")
    scatter(axes, [s.po2_bar for s in falling], [s.output_mv for s in falling], "down")
    restless = [s for s in (*rising, *falling) if s.settled is False]
    if restless:
        axes.plot(
            [s.po2_bar for s in restless],
            [s.output_mv for s in restless],
            linestyle="none",
            marker="s",
            markersize=7.5,
            markerfacecolor="none",
            markeredgecolor=INK,
            markeredgewidth=0.6,
            label="not settled",
        )
    axes.set_xlim(0, top)
    axes.set_ylim(0, 1.08 * highest)
    round_ticks(axes)
    axes.set_xlabel("PO2 (bar)")
    axes.set_ylabel("output (mV)")
    axes.legend(loc="lower right")


def response_words(cell: CellResult) -> str:
    """The picture's content in words, for people who cannot see it."""
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
