"""Finds cells of one run whose figures are off alike: gas, gauges or meter are then suspect, not they."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading import wording
from grading.figure_kinds import FIGURE_KINDS, FigureKey
from grading.judgement.alike import ALIKE_PERCENT, ENOUGH_THAT_AGREE, LEAST_ALIKE, is_common, largest_alike
from grading.judgement.quantities import Quantities
from grading.judgement.reasons import Judged

ADVICE: Final = (
    "Test again with another bottle and grade both records together (--second-run), or test beside a cell "
    "that is known to be good (column check_cell of the cells file)."
)
ALONE: Final = "One cell alone can't be told from its gas, gauges or meter: test it beside a known good one."

Place = tuple[FigureKey, float | None]
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
    counts: bool = True
    check_cell: bool = False

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


def deviations(
    quantities: Quantities, cell: int, judged: Sequence[Judged], *, counts: bool = True
) -> Deviations:
    """Return what a common cause could have moved in one cell of a source."""
    found: dict[Place, float] = {}
    limits: dict[Place, tuple[float | None, float | None]] = {}
    by_key = {(one.figure.key, one.figure.nominal_po2_bar): one.figure for one in judged}
    for key in ("air_slope_agreement_percent", "indication_error_percent"):
        for (name, nominal), figure in by_key.items():
            if name == key and figure.value is not None and figure.pass_limits is not None:
                found[key, nominal] = figure.value
                limits[key, nominal] = figure.pass_limits
    hysteresis = by_key.get(("hysteresis_percent", None))
    if hysteresis is not None and hysteresis.value is not None and hysteresis.pass_limits is not None:
        most = hysteresis.pass_limits[1]
        columns = quantities.columns["hysteresis_percent"]
        signed = quantities.figures.value[cell, columns]
        for pair, (up, _) in enumerate(quantities.steps.pairs[cell]):
            if up >= 0 and math.isfinite(signed[pair]):
                place: Place = ("hysteresis_percent", float(quantities.steps.nominal_po2_bar[up]))
                found[place] = float(signed[pair])
                limits[place] = (None if most is None else -most, most)
    fade = by_key.get(("fade_percent_per_min", None))
    drops = fade is not None and fade.value is not None and _outside(fade.value, fade.pass_limits)
    info = quantities.measurement.cells[cell]
    return Deviations(
        info.cell,
        found,
        frozenset(place for place, value in found.items() if _outside(value, limits[place])),
        counts=counts and not drops,
        check_cell=info.check_cell,
    )


def find_off_alike(cells: Sequence[Deviations]) -> OffAlike | None:
    """Return the cells of a run that are off alike, or None where nothing points to a common cause."""
    shown = [one for one in cells if one.counts and one.percent]
    agreeing = [one for one in cells if one.agrees]
    if len(agreeing) >= ENOUGH_THAT_AGREE:
        return None
    off = [one for one in shown if one.off]
    if len(off) < LEAST_ALIKE:
        return None
    places = sorted(
        {place for one in off for place in one.percent}, key=lambda place: (place[0], place[1] or 0.0)
    )
    table = np.array([[one.percent.get(place, math.nan) for place in places] for one in off])
    group = largest_alike(table)
    if not is_common(len(group), len(agreeing), len(shown)):
        return None
    members = [off[index] for index in group]
    where = max(
        {place for one in members for place in one.off},
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
    again = [one for one in second if one.cell in found.cells]
    return len(again) >= LEAST_ALIKE and all(_same(before[one.cell], one) for one in again)


def _same(before: Deviations, again: Deviations) -> bool:
    both = before.percent.keys() & again.percent.keys()
    near = all(abs(before.percent[place] - again.percent[place]) <= ALIKE_PERCENT for place in both)
    return near and bool(before.off & both)


def _middle(cells: Sequence[Deviations], place: Place) -> float:
    return float(np.median([one.percent[place] for one in cells if place in one.percent]))


def _outside(value: float, limits: tuple[float | None, float | None] | None) -> bool:
    lower, upper = limits or (None, None)
    return (lower is not None and value < lower) or (upper is not None and value > upper)
