"""Finds cells of one run whose figures are off alike: gas, gauges or meter are then suspect, not they."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading import wording
from grading.figure_kinds import FIGURE_KINDS
from grading.judgement.alike import ALIKE_PERCENT, LEAST_ALIKE, is_common, largest_alike
from grading.judgement.quantities import Quantities
from grading.judgement.reasons import Judged

ADVICE: Final = (
    "Test again with another bottle and grade both records together (--second-run), or test beside a cell "
    "that is known to be good (column check_cell of the cells file)."
)
ALONE: Final = "One cell alone can't be told from its gas, gauges or meter: test it beside a known good one."

Place = tuple[str, float | None]
"""A figure and its step's nominal PO2; None for a figure that a cell has once."""


@dataclass(frozen=True, slots=True)
class Deviations:
    """What a common cause could have moved in one cell.

    Attributes:
        cell: its serial.
        percent: signed, by figure and step.
        off: figures and steps whose value lies outside the pass limits.
        counts: whether the cell can show a common cause. One that drops while held explains its own
            hysteresis, and one that cannot be graded shows nothing.
        check_cell: whether it was booked as known to be good.
    """

    cell: str
    percent: Mapping[Place, float]
    off: frozenset[Place]
    counts: bool
    check_cell: bool

    @property
    def agrees(self) -> bool:
        """Whether the cell reads inside the pass limits, so that gas, gauges and meter were right."""
        return bool(self.percent) and not self.off


@dataclass(frozen=True, slots=True)
class OffAlike:
    """Cells that are off alike.

    Attributes:
        cells: their serials.
        where: the figure and step that they are off in, the worst of them.
        percent: median of their values there.
    """

    cells: tuple[str, ...]
    where: Place
    percent: float

    @property
    def text(self) -> str:
        """What was found, as a sentence for every cell of the run."""
        key, nominal = self.where
        at = "" if nominal is None else f" at {nominal:.1f} bar"
        percent = wording.number(self.percent, 1, signed=True)
        by = f"{FIGURE_KINDS[key].name.lower()}{at} {percent} %"
        return (
            f"{len(self.cells)} cells are off alike within {ALIKE_PERCENT:g} % ({by}): the gas, the gauges "
            "or the meter are suspect."
        )


def deviations(quantities: Quantities, cell: int, judged: Sequence[Judged], *, counts: bool) -> Deviations:
    """Return what a common cause could have moved in one cell of a source; `counts` as in `Deviations`."""
    percent: dict[Place, float] = {}
    off: set[Place] = set()
    fades = False
    for figure in (one.figure for one in judged):
        barred = figure.key == "air_slope_agreement_percent" and quantities.measurement.air_barred
        if figure.value is None or barred:
            continue
        if figure.key in ("air_slope_agreement_percent", "indication_error_percent"):
            place: Place = (figure.key, figure.nominal_po2_bar)
            percent[place] = figure.value
            if _outside(figure.value, figure.pass_limits):
                off.add(place)
        elif figure.key == "hysteresis_percent":
            # The figure is the largest of all pairs without its sign.
            for place, signed in _hysteresis(quantities, cell):
                percent[place] = signed
                if _outside(abs(signed), figure.pass_limits):
                    off.add(place)
        elif figure.key == "fade_percent_per_min":
            fades = _outside(figure.value, figure.pass_limits)
    info = quantities.measurement.cells[cell]
    return Deviations(info.cell, percent, frozenset(off), counts and not fades, info.check_cell)


def _hysteresis(quantities: Quantities, cell: int) -> Iterator[tuple[Place, float]]:
    """Falling against rising at each PO2 that was held both ways, signed."""
    signed = quantities.figures.value[cell, quantities.columns["hysteresis_percent"]]
    for (up, _), value in zip(quantities.steps.pairs[cell], signed, strict=True):
        if math.isfinite(value):
            yield ("hysteresis_percent", float(quantities.steps.nominal_po2_bar[up])), float(value)


def find_off_alike(cells: Sequence[Deviations]) -> OffAlike | None:
    """Return the cells of a run that are off alike, or None where nothing points to a common cause."""
    shown = [one for one in cells if one.counts and one.percent]
    off = [one for one in shown if one.off]
    if not off:
        return None
    places = list(dict.fromkeys(place for one in off for place in one.percent))
    group = largest_alike(np.array([[one.percent.get(place, math.nan) for place in places] for one in off]))
    if not is_common(len(group), sum(one.agrees for one in cells), len(shown)):
        return None
    members = [off[row] for row in group]
    where = max(
        dict.fromkeys(place for one in members for place in one.percent),
        key=lambda place: (sum(place in one.off for one in members), abs(_middle(members, place))),
    )
    return OffAlike(tuple(one.cell for one in members), where, _middle(members, where))


def alone_and_explained(cells: Sequence[Deviations]) -> str | None:
    """Return the serial of a cell that is alone and off by what its gas could do; None where there is none.

    Gas that is wrong from the start moves air against oxygen and nothing else; gas that changes in mid-run
    stays changed, so the falling steps are off. A ceiling is neither: the falling steps repeat the rising
    ones.
    """
    shown = [one for one in cells if one.percent]
    if len(shown) != 1 or shown[0].check_cell or not shown[0].counts:
        return None
    (one,) = shown
    keys = {key for key, _ in one.off}
    explained = keys == {"air_slope_agreement_percent"} or "hysteresis_percent" in keys
    return one.cell if explained else None


def shows_the_same(first: Sequence[Deviations], second: Sequence[Deviations], found: OffAlike) -> bool:
    """Whether a second run shows the cells that are off alike off in the same way, at least two of them."""
    before = {one.cell: one for one in first}
    again = [one for one in second if one.cell in found.cells and one.counts]
    return len(again) >= LEAST_ALIKE and all(_same(before[one.cell], one) for one in again)


def _same(before: Deviations, again: Deviations) -> bool:
    both = before.percent.keys() & again.percent.keys()
    near = all(abs(before.percent[place] - again.percent[place]) <= ALIKE_PERCENT for place in both)
    return near and bool(before.off & both)


def _middle(cells: Sequence[Deviations], place: Place) -> float:
    return float(np.nanmedian([one.percent.get(place, math.nan) for one in cells]))


def _outside(value: float, limits: tuple[float | None, float | None] | None) -> bool:
    lower, upper = limits or (None, None)
    return (lower is not None and value < lower) or (upper is not None and value > upper)
