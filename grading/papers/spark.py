"""The thumbnail of a cell's response that a summary shows: a few lines of SVG, no plotting library."""

from __future__ import annotations

import math
from typing import Final

from grading.results import CellResult

_WIDTH: Final = 60.0
_HEIGHT: Final = 26.0
_EDGE: Final = 2.0


def spark_svg(cell: CellResult) -> bytes:
    """Output against PO2 as a line with dots, over the straight line through zero and the first oxygen step.

    For a linear cell both end in the upper right corner; a current limited cell bends away below the line.
    """
    steps = [s for s in cell.detail.steps if s.direction == "up" and math.isfinite(s.output_mv)]
    oxygen = [s for s in steps if s.gas == "oxygen" and s.po2_bar > 0]
    slope = oxygen[0].output_mv / oxygen[0].po2_bar if oxygen else 0.0
    right = max((s.po2_bar for s in steps), default=1.0) or 1.0
    top = max([s.output_mv for s in steps] + [slope * right, 1e-9])

    def place(po2_bar: float, output_mv: float) -> str:
        x = _EDGE + (_WIDTH - 2 * _EDGE) * po2_bar / right
        y = _HEIGHT - _EDGE - (_HEIGHT - 2 * _EDGE) * max(output_mv, 0.0) / top
        return f"{x:.2f},{y:.2f}"

    points = sorted(((s.po2_bar, s.output_mv) for s in steps), key=lambda pair: pair[0])
    line = " ".join(place(*point) for point in [(0.0, 0.0), *points])
    dots = "".join(
        '<circle cx="{}" cy="{}" r="1.3" fill="#16181d"/>'.format(*place(*point).split(","))
        for point in points
    )
    assumed = f"{place(0.0, 0.0)} {place(right, slope * right)}"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}">'
        f'<polyline points="{assumed}" fill="none" stroke="#8a8a8a" stroke-width="0.8" '
        'stroke-dasharray="2.4 1.6"/>'
        f'<polyline points="{line}" fill="none" stroke="#16181d" stroke-width="1"/>{dots}</svg>'
    ).encode()
