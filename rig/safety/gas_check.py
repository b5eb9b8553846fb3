"""Checks that the gas is oxygen by the cells' ratio of output in oxygen to output in air.

No gauge can show which gas it is. Cells that fail differ from each other; gas, gauges and meter move all of
them alike. The limits are a judgement, measured on drawn populations in `tests/rig/test_gas_limits.py`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from statistics import median
from typing import Literal

import numpy as np

from grading.gas import DRY_AIR_OXYGEN_FRACTION
from grading.judgement.alike import ALIKE_PERCENT, is_common, largest_alike

ALLOWED_PART = 0.10
"""The median cell may be off by this before the run ends, whatever the others do."""
ALIKE_FROM_AIR_PART = 0.03
"""Cells alike may be off by this against their reading in air. Healthy ones read up to 1 % low there (zero
and curvature), and the bottle's purity, the air's humidity and the gauge add some 0.4 %."""
ALIKE_AGAIN_PART = 0.012
"""Cells alike may be off by this against themselves at the same PO2 earlier in the run, where all that
cancels and healthy ones repeat within 0.1 %; what is left is the temperature of the pot, some 0.4 %."""
RESUMED_PART = 0.03
"""Cells alike may give this much less for each bar in a step that was resumed than in the hold before, at
another PO2: two ageing cells bend alike by up to 2.9 % there."""
CHANGED_PART = 0.025
"""Cells alike that have changed by this during a run end it: the gas has changed."""

_CHECK_AIR_OR_PURGE = (
    "Close the bottle. If the pot may have held oxygen before the reading in air, air it: with the dial at "
    "zero take the lid off for a minute, put it back, and start again. If it was aired, check the bottle's "
    "contents and that the purge really flowed."
)
_CHECK_METER = (
    "Close the bottle. No bottle gives that: check the voltmeter with a known voltage, and the gauges "
    "against the dial and the barometer; then start again with the pot aired."
)
_CHECK_CHANGE = (
    "Close the bottle. The purge was good before: check whether the bottle was changed or is empty, the "
    "voltmeter with a known voltage, and the gauges against the dial."
)

GasVerdict = Literal["oxygen", "suspect", "off alike", "not checked"]


@dataclass(frozen=True, slots=True)
class GasCheck:
    """What the cells show about the gas.

    Attributes:
        ratio_median: output in the pot over output in dry air, both scaled to the same pressure by what the
            purge claims; 4.77 for pure oxygen. None when no cell gives it.
        verdict: "suspect" ends the run. After "off alike" it goes on, and its cells are graded only with a
            second run that shows the same.
        do_now: what to do about a gas that is suspect: it depends on what the cells are compared with.
    """

    ratio_median: float | None
    verdict: GasVerdict
    text: str
    do_now: str = ""


def check_gas(
    air_mv: Mapping[int, float],
    air_po2_bar: float,
    pot_mv: Mapping[int, float],
    pot_po2_bar: float,
    known_good: Collection[int] = (),
) -> GasCheck:
    """Compare each cell's output in the pot with its own in air.

    The median must agree within 10 %, and cells that are off alike within 3 %. One cell alone can confirm the
    gas, since no fault of a cell makes air look like oxygen. When it does not confirm it, either the gas or
    the cell is wrong, and the gas is suspect too.

    Args:
        air_mv: settled outputs in air by socket.
        air_po2_bar: PO2 of the air reading.
        pot_mv: settled outputs in the pot by socket.
        pot_po2_bar: PO2 that the purge claims for the pot.
        known_good: sockets of check cells; one that agrees shows that the gas is oxygen.
    """
    parts = {
        socket: (pot_mv[socket] / air_mv[socket]) * (air_po2_bar / pot_po2_bar)
        for socket in air_mv.keys() & pot_mv.keys()
        if air_mv[socket] > 1.0
    }
    if not parts:
        return GasCheck(None, "not checked", "The gas could not be checked: no cell gave both readings.")
    middle = median(parts.values())
    ratio = middle / DRY_AIR_OXYGEN_FRACTION
    if _vouched(parts, known_good, ALIKE_FROM_AIR_PART):
        return GasCheck(ratio, "oxygen", "The check cell agrees that it is oxygen.")
    if abs(middle - 1.0) > ALLOWED_PART:
        return GasCheck(
            ratio,
            "suspect",
            f"Gas or purge suspect: {_who(len(parts))} give {ratio:.2f} times the reading in air, where "
            f"oxygen gives {1 / DRY_AIR_OXYGEN_FRACTION:.2f}"
            f"{'; or the pot held no fresh air before' if middle < 1.0 else ''}.{_alone(parts)}",
            _CHECK_AIR_OR_PURGE if middle < 1.0 else _CHECK_METER,
        )
    alike = _off_alike(parts, ALIKE_FROM_AIR_PART)
    if alike:
        return GasCheck(ratio, "off alike", _alike_text(parts, alike, "their reading in air"))
    return GasCheck(ratio, "oxygen", f"{_who(len(parts))} agree that it is oxygen (ratio {ratio:.2f}).")


def check_gas_again(
    before_mv_per_bar: Mapping[int, float],
    now_mv_per_bar: Mapping[int, float],
    booked: int,
    known_good: Collection[int] = (),
) -> GasCheck:
    """Compare each cell with itself at the same PO2 earlier in the run: if all have changed, it is not they.

    A cell that is current limited or drops while held differs alone. The limit of cells alike also holds for
    the last cell of several; a cell that was alone from the start may drop and be rejected for it.

    Args:
        before_mv_per_bar: settled output per bar of claimed PO2 on the way up, by socket.
        now_mv_per_bar: the same on the way down.
        booked: number of cells that the run began with.
        known_good: sockets of check cells.
    """
    parts = _parts(before_mv_per_bar, now_mv_per_bar)
    if not parts:
        return GasCheck(None, "not checked", "The gas could not be rechecked: no cell gave both readings.")
    middle = median(parts.values())
    agree = GasCheck(middle, "oxygen", f"{_who(len(parts))} agree with the way up (ratio {middle:.3f}).")
    if _vouched(parts, known_good, ALIKE_AGAIN_PART):
        return agree
    changed = _off_alike(parts, CHANGED_PART) or (
        booked > len(parts) == 1 and abs(middle - 1.0) > CHANGED_PART
    )
    if abs(middle - 1.0) > ALLOWED_PART or changed:
        return GasCheck(
            middle,
            "suspect",
            f"Gas suspect, or gauges or meter: {_who(len(parts))} give {middle:.2f} times what they gave at "
            f"this PO2 on the way up.{_alone(parts)}",
            _CHECK_CHANGE,
        )
    alike = _off_alike(parts, ALIKE_AGAIN_PART)
    if alike:
        return GasCheck(middle, "off alike", _alike_text(parts, alike, "the way up"))
    return agree


def check_gas_resumed(
    before_mv_per_bar: Mapping[int, float],
    now_mv_per_bar: Mapping[int, float],
    known_good: Collection[int] = (),
) -> GasCheck:
    """Compare each cell in the step that was resumed with the hold before it, at another PO2.

    The bottle may have been changed while the run was held. Cells that are all lower alike were given another
    gas; ceilings differ from cell to cell.
    """
    parts = _parts(before_mv_per_bar, now_mv_per_bar)
    if not parts:
        return GasCheck(None, "not checked", "The gas could not be rechecked: no cell gave both readings.")
    middle = median(parts.values())
    alike = () if _vouched(parts, known_good, RESUMED_PART) else _off_alike(parts, RESUMED_PART)
    if alike and middle < 1.0:
        return GasCheck(
            middle,
            "suspect",
            f"Gas suspect: since the run was held, {_who(len(alike))} give {middle:.2f} times what they gave "
            "for each bar before, all alike.",
            _CHECK_CHANGE,
        )
    return GasCheck(middle, "oxygen", f"{_who(len(parts))} agree with the hold before (ratio {middle:.3f}).")


def _parts(before: Mapping[int, float], now: Mapping[int, float]) -> dict[int, float]:
    return {
        socket: now[socket] / before[socket] for socket in before.keys() & now.keys() if before[socket] > 1.0
    }


def _vouched(parts: Mapping[int, float], known_good: Collection[int], allowed_part: float) -> bool:
    return any(abs(parts[socket] - 1.0) <= allowed_part for socket in known_good if socket in parts)


def _off_alike(parts: Mapping[int, float], allowed_part: float) -> tuple[int, ...]:
    """Sockets of cells off alike by more than allowed; empty where that points to no common cause."""
    sockets = sorted(parts)
    percent = np.array([[100.0 * (parts[socket] - 1.0)] for socket in sockets])
    group = [sockets[row] for row in largest_alike(percent)]
    agreeing = sum(abs(part - 1.0) <= allowed_part for part in parts.values())
    off = abs(median(parts[socket] for socket in group) - 1.0) > allowed_part
    return tuple(group) if off and is_common(len(group), agreeing, len(parts)) else ()


def _alike_text(parts: Mapping[int, float], alike: Collection[int], against: str) -> str:
    percent = 100.0 * (median(parts[socket] for socket in alike) - 1.0)
    return (
        f"Suspect: gas, gauges or meter. {len(alike)} cells are off by {percent:+.1f} % against {against}, "
        f"alike within {ALIKE_PERCENT:g} %. Cells that fail differ from each other."
    )


def _who(cells: int) -> str:
    return "readings of one cell" if cells == 1 else f"{cells} cells"


def _alone(parts: Mapping[int, float]) -> str:
    if len(parts) > 1:
        return ""
    return " It may be that cell: test it again beside one that is known to be good."
