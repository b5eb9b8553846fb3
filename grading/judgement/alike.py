"""Groups of cells that are off alike, which points to what they have in common and not to the cells.

A fault of the gas, the gauges or the meter moves all healthy cells by the same part. Cells that fail do so
each in its own way. The rules are a judgement; tests measure them on drawn populations.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from grading.measurement import FloatArray

ALIKE_PERCENT: Final = 1.0
"""Cells this close to one of them are alike: zero and curvature of healthy cells differ by no more."""

LEAST_ALIKE: Final = 2
ENOUGH_THAT_AGREE: Final = 2
"""Two cells that read right in the same run rule a common cause out: it would have moved them too."""


def largest_alike(deviation_percent: FloatArray) -> tuple[int, ...]:
    """Return the rows of the largest group that lies within 1 % of one of them; the first of equal ones.

    Args:
        deviation_percent: shape (N, F); NaN where a cell has no such figure, which is left out.
    """
    best: tuple[int, ...] = ()
    for row in deviation_percent:
        apart = np.abs(deviation_percent - row)
        both = np.isfinite(apart)
        near = np.all(~both | (apart <= ALIKE_PERCENT), axis=1) & np.any(both, axis=1)
        if np.count_nonzero(near) > len(best):
            best = tuple(int(index) for index in np.flatnonzero(near))
    return best


def is_common(alike: int, agreeing: int, cells: int) -> bool:
    """Whether cells off alike point to a common cause: half of the cells, or most of fewer than six.

    Args:
        alike: cells off alike.
        agreeing: cells that read right.
        cells: all that could show it.
    """
    if alike < LEAST_ALIKE or agreeing >= ENOUGH_THAT_AGREE:
        return False
    return 2 * alike > cells or (2 * alike == cells and alike > LEAST_ALIKE)
