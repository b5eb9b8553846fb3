"""Checks that the gas is oxygen by the cells' ratio of output in oxygen to output in air.

No gauge can show which gas it is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal

from grading.gas import DRY_AIR_OXYGEN_FRACTION

ALLOWED_PART = 0.10
LEAST_TOGETHER = 2
TOGETHER_PART = 0.025
ALIKE_PART = 0.01
MOST_CELLS_PART = 0.75
"""`MOST_CELLS_PART` of the cells changed by more than `TOGETHER_PART` on the way down, and alike within
`ALIKE_PART`: the gas changed and not the cells. One cell alone would be rejected for such a hysteresis.
Common practice, no source."""

GasVerdict = Literal["oxygen", "suspect", "not checked"]


@dataclass(frozen=True, slots=True)
class GasCheck:
    """What the cells show about the gas.

    Attributes:
        ratio_median: output in the pot over output in dry air, both scaled to the same pressure by what the
            purge claims; 4.77 for pure oxygen. None when no cell gives it.
    """

    ratio_median: float | None
    verdict: GasVerdict
    text: str


def check_gas(
    air_mv: Mapping[int, float], air_po2_bar: float, pot_mv: Mapping[int, float], pot_po2_bar: float
) -> GasCheck:
    """Compare each cell's output in the pot with its own in air; the median must agree within 10 %.

    One cell alone can confirm the gas, since no fault of a cell makes air look like oxygen. When it does not
    confirm it, either the gas or the cell is wrong, and the gas is suspect too.

    Args:
        air_mv: settled outputs in air by socket.
        air_po2_bar: PO2 of the air reading.
        pot_mv: settled outputs in the pot by socket.
        pot_po2_bar: PO2 that the purge claims for the pot.
    """
    ratios = [
        (pot_mv[socket] / air_mv[socket]) * (air_po2_bar / pot_po2_bar)
        for socket in air_mv.keys() & pot_mv.keys()
        if air_mv[socket] > 1.0
    ]
    if not ratios:
        return GasCheck(None, "not checked", "The gas could not be checked: no cell gave both readings.")
    middle = median(ratios)
    ratio = middle / DRY_AIR_OXYGEN_FRACTION
    if abs(middle - 1.0) <= ALLOWED_PART:
        return GasCheck(ratio, "oxygen", f"{_who(ratios)} agree that it is oxygen (ratio {ratio:.2f}).")
    return GasCheck(
        ratio,
        "suspect",
        f"Gas or purge suspect: {_who(ratios)} give {ratio:.2f} times the reading in air, where oxygen gives "
        f"{1 / DRY_AIR_OXYGEN_FRACTION:.2f}.{_alone(ratios)}",
    )


def check_gas_again(
    before_mv_per_bar: Mapping[int, float], now_mv_per_bar: Mapping[int, float], booked: int
) -> GasCheck:
    """Compare each cell with itself at the same PO2 earlier in the run: if all have changed, it is the gas.

    A cell that is current limited or drops while held differs alone. A bottle that was changed moves the
    median, and where it moves all cells alike, the narrower limit holds. It also holds for the last cell of
    several; a cell that was alone from the start may drop and be rejected for it.

    Args:
        before_mv_per_bar: settled output per bar of claimed PO2 on the way up, by socket.
        now_mv_per_bar: the same on the way down.
        booked: number of cells that the run began with.
    """
    ratios = [
        now_mv_per_bar[socket] / before_mv_per_bar[socket]
        for socket in before_mv_per_bar.keys() & now_mv_per_bar.keys()
        if before_mv_per_bar[socket] > 1.0
    ]
    if not ratios:
        return GasCheck(None, "not checked", "The gas could not be rechecked: no cell gave both readings.")
    middle = median(ratios)
    alike = sum(abs(ratio / middle - 1.0) <= ALIKE_PART for ratio in ratios)
    together = booked >= LEAST_TOGETHER and alike >= MOST_CELLS_PART * len(ratios)
    if abs(middle - 1.0) <= (TOGETHER_PART if together else ALLOWED_PART):
        return GasCheck(middle, "oxygen", f"{_who(ratios)} agree with the way up (ratio {middle:.3f}).")
    return GasCheck(
        middle,
        "suspect",
        f"Gas suspect: {_who(ratios)} give {middle:.2f} times what they gave at this PO2 on the way up."
        f"{_alone(ratios)}",
    )


def _who(ratios: Sequence[float]) -> str:
    return "readings of one cell" if len(ratios) == 1 else f"{len(ratios)} cells"


def _alone(ratios: Sequence[float]) -> str:
    if len(ratios) > 1:
        return ""
    return " It may be that cell: test it again beside one that is known to be good."
