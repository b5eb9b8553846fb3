"""What the pattern of a cell's figures points to, in plain words, with what to check next.

The patterns and their thresholds are common practice, no source. A diagnosis never changes a grade.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from grading import wording
from grading.figure_kinds import FigureKey
from grading.judgement.cell_figures import cell_responses
from grading.judgement.quantities import LEAST_OUTPUT_MV, Quantities
from grading.judgement.reasons import Judged
from grading.response.curve import LINEAR
from grading.results import Figure, FigureGrade

FINDINGS: Final[dict[str, str]] = {
    "no_cell": "No cell: the socket reads like an open lead. Check for a cell that is not seated, a loose "
    "plug or a broken lead, and test again.",
    "shorted": "Shorted: the output stays at zero whatever the PO2. Check for a bridged connector or a wet "
    "plug; a cell that still reads zero on another lead is dead.",
    "unplugged": "Unplugged mid-run: the output vanished between two readings. Check plug and lead, "
    "clean the contacts, and test again.",
    "reversed": "Reversed polarity: the output has the size of a cell's and the wrong sign. + and - are "
    "exchanged at the plug or in the lead: correct that and test again.",
    "bad_contact": "Bad contact: the output was steady and began to jump in mid-run. The likely cause is the "
    "plug or lead. Clean and dry the contacts, check plug and lead, and test again; if the cell is noisy on "
    "another socket too, the cell is the cause.",
    "swapped": "Exchanged with another channel in mid-run: its readings belong to two cells. Check which "
    "lead goes to which socket, and test both cells again.",
    "rapid_decompression": "A fast fall of pressure can tear a membrane or form bubbles behind it. Let the "
    "cell rest at ambient pressure for as long as it was under pressure, ten minutes at least, and test it "
    "again.",
}

SLOW_TAIL_FRACTION: Final = 0.03
"""A slow mode that carries at least this part of a step is reported."""

BENT_PERCENT: Final = 1.0
"""How much further the error at the top step must be than at the lowest one to be called a bend."""

_LEAST_CELLS_TO_BLAME_RIG: Final = 3


@dataclass(frozen=True, slots=True)
class ErrorAt:
    """An indication error above the calibration point.

    Attributes:
        u_percent: expanded uncertainty; zero where it is undetermined.
        most_percent: the upper pass limit; None without one.
    """

    nominal_po2_bar: float
    percent: float
    u_percent: float
    most_percent: float | None


@dataclass(frozen=True, slots=True)
class Pattern:
    """One cell, arranged for the rules below."""

    quantities: Quantities
    cell: int
    judged: tuple[Judged, ...]

    def figure(self, key: FigureKey) -> Figure | None:
        """Return the figure of that key, when it has a value."""
        return next(
            (one.figure for one in self.judged if one.figure.key == key and one.figure.value is not None),
            None,
        )

    def value(self, key: FigureKey) -> float:
        """Return the value of a figure, NaN when there is none."""
        values = [one.figure.value for one in self.judged if one.figure.key == key]
        return next((value for value in values if value is not None), math.nan)

    def grade(self, key: FigureKey) -> FigureGrade | None:
        """Return the grade of a figure, None when there is none."""
        found = [one.decision.grade for one in self.judged if one.figure.key == key and one.decision]
        return found[0] if found else None

    def is_above(self, key: FigureKey) -> bool:
        """Whether a figure's value exceeds its pass limit."""
        figure = self.figure(key)
        limit = figure.pass_limits[1] if figure and figure.pass_limits else None
        return limit is not None and self.value(key) > limit

    def is_below(self, key: FigureKey) -> bool:
        """Whether a figure's value undercuts its pass limit."""
        figure = self.figure(key)
        limit = figure.pass_limits[0] if figure and figure.pass_limits else None
        return limit is not None and self.value(key) < limit

    @property
    def errors(self) -> list[ErrorAt]:
        """Indication errors above the calibration point, rising."""
        found = [
            ErrorAt(
                figure.nominal_po2_bar,
                figure.value,
                figure.expanded_uncertainty or 0.0,
                figure.pass_limits[1] if figure.pass_limits else None,
            )
            for figure in (one.figure for one in self.judged)
            if figure.key == "indication_error_percent"
            and figure.value is not None
            and figure.nominal_po2_bar is not None
            and figure.nominal_po2_bar > 1.05
        ]
        return sorted(found, key=lambda error: error.nominal_po2_bar)

    @property
    def on_the_line(self) -> bool:
        """Whether every graded indication error passes."""
        grades = [
            one.decision.grade
            for one in self.judged
            if one.figure.key == "indication_error_percent" and one.decision
        ]
        return bool(grades) and all(grade == "pass" for grade in grades)


def diagnose(
    quantities: Quantities,
    cell: int,
    judged: Sequence[Judged],
    findings: Sequence[str] = (),
    notes: Sequence[str] = (),
) -> tuple[str, ...]:
    """Say what the pattern of a cell's figures points to.

    Args:
        quantities: all cells of the source.
        cell: which one.
        judged: its figures with their decisions.
        findings: words of the record's `cell` events.
        notes: what the reduction found that does not prevent a grade ("not settled at 2.0 bar").
    """
    sentences = [FINDINGS[finding] for finding in findings if finding in FINDINGS]
    if sentences:
        return (*sentences, *notes)
    pattern = Pattern(quantities, cell, tuple(judged))
    if gives_no_output(quantities, cell):
        return (_NO_OUTPUT, *notes)
    found = [rule(pattern) for rule in _RULES]
    return (*(sentence for sentence in found if sentence), *notes)


def gives_no_output(quantities: Quantities, cell: int) -> bool:
    """Whether the output is next to nothing at every step in oxygen."""
    oxygen = np.isfinite(quantities.steps.nominal_po2_bar) & np.isfinite(quantities.errors.output_mv[cell])
    return bool(np.any(oxygen)) and bool(np.max(quantities.errors.output_mv[cell, oxygen]) < LEAST_OUTPUT_MV)


_NO_OUTPUT: Final = (
    "No output: no cell in the socket, a broken lead, a short, or a dead cell; readings alone can't show "
    "which. Check plug and lead, measure the cell by hand in air, and test again."
)


def _ceiling(pattern: Pattern) -> str | None:
    errors = pattern.errors
    # A cell that drops while held falls short at the top as well, but not because of a ceiling.
    if not errors or pattern.is_above("fade_percent_per_min"):
        return None
    top = errors[-1]
    bends = (
        pattern.quantities.fits.model[pattern.cell] != LINEAR
        or top.percent < errors[0].percent - BENT_PERCENT
    )
    falls_short = top.percent <= -BENT_PERCENT and top.percent + top.u_percent < 0.0
    if not bends or not falls_short or _passes(pattern):
        return None
    linear_to = pattern.value("linear_to_bar")
    where = (
        f" above about {linear_to:.2f} bar" if math.isfinite(linear_to) else " towards the top of the test"
    )
    return (
        f"Current limited: the output stops following PO2{where}; the cell can't deliver the current. "
        "Cleaning does not help: replace the cell. One calibration point in oxygen can't show it."
    )


def _passes(pattern: Pattern) -> bool:
    return pattern.on_the_line and pattern.grade("linear_to_bar") in (None, "pass")


def _reads_high(pattern: Pattern) -> str | None:
    errors = pattern.errors
    if not errors or pattern.on_the_line:
        return None
    top = errors[-1]
    if top.most_percent is None or top.percent <= top.most_percent or top.percent <= top.u_percent:
        return None
    return (
        "Reads high: the output grows faster than PO2, which a cell alone does not do. Check that the "
        "calibration step had settled and the pot was purged, check the gauge's zero, and test again."
    )


def _low_but_linear(pattern: Pattern) -> str | None:
    if not pattern.is_below("oxygen_output_mv") or not pattern.on_the_line:
        return None
    return (
        "Low but linear: the output is low, and it follows PO2 over the whole test. An ageing cell does "
        "that; so does a poor contact. Clean the contacts, test again, and watch the output from month to "
        "month."
    )


def _over_output(pattern: Pattern) -> str | None:
    if not (pattern.is_above("oxygen_output_mv") or pattern.is_above("air_output_mv")):
        return None
    return (
        "Over-output: the cell gives more than a healthy one. Check its load resistor and temperature "
        "compensation; look for a torn membrane or electrolyte on the face; compare with a known cell in "
        "the same pot."
    )


def _offset(pattern: Pattern) -> str | None:
    key: FigureKey = "air_slope_agreement_percent"
    figure = pattern.figure(key)
    if figure is None or pattern.grade(key) in (None, "pass"):
        return None
    uncertainty = figure.expanded_uncertainty
    if uncertainty is None or abs(pattern.value(key)) <= uncertainty or not pattern.on_the_line:
        return None
    steps, errors, cell = pattern.quantities.steps, pattern.quantities.errors, pattern.cell
    air, oxygen = int(steps.air[cell]), int(steps.calibration[cell])
    low, high = errors.po2_bar[cell, air], errors.po2_bar[cell, oxygen]
    zero = (errors.output_mv[cell, air] * high - errors.output_mv[cell, oxygen] * low) / (high - low)
    return (
        f"Offset: the line through air and oxygen misses zero by {wording.number(float(zero), 2)} mV. "
        "Check the meter's zero with the socket shorted, clean and dry the contacts, and test again; if "
        "every cell shows it, check the purge."
    )


def _slow(pattern: Pattern) -> str | None:
    figure = pattern.figure("t90_s")
    limit_s = figure.pass_limits[1] if figure and figure.pass_limits else None
    # A cause is named only where the uncertainty leaves no doubt that the cell is slow.
    if figure is None or figure.value is None or limit_s is None:
        return None
    if figure.value - (figure.expanded_uncertainty or 0.0) <= limit_s:
        return None
    return (
        "Slow: the membrane passes oxygen slowly, as a wet, fouled or aged one does. Dry the face of the "
        "cell, let it rest in dry air for a day, and test again."
    )


def _slow_tail(pattern: Pattern) -> str | None:
    tails = [
        (response.slow_fraction, response.slow_t90_s)
        for response in cell_responses(pattern.quantities, pattern.cell)
        if response.slow_fraction is not None
        and response.slow_t90_s is not None
        and response.slow_fraction >= SLOW_TAIL_FRACTION
    ]
    if not tails:
        return None
    fraction, t90_s = max(tails)
    return (
        f"Slow tail: the last {100.0 * fraction:.0f} % of a step take about "
        f"{t90_s:.0f} s. The usual cause is moisture behind the membrane or a lagging "
        "temperature compensation: let the cell come to room temperature, dry it, and test again."
    )


def _fading(pattern: Pattern) -> str | None:
    if not pattern.is_above("fade_percent_per_min"):
        return None
    return (
        "Drop while held: the output falls at constant PO2. The cell can't sustain the current: it is near "
        "its end of life. Rest it for an hour and test it once more; if the output drops again, replace it."
    )


def _noisy(pattern: Pattern) -> str | None:
    if not pattern.is_above("noise_percent"):
        return None
    return (
        "Noisy contact: the output jumps during holds. Clean and dry the contacts, check plug and lead, "
        "and test again; if the cell is noisy on another socket too, the cell is the cause."
    )


def _hysteresis(pattern: Pattern) -> str | None:
    if not pattern.is_above("hysteresis_percent") or pattern.is_above("fade_percent_per_min"):
        return None
    return (
        "Hysteresis: falling steps do not repeat the rising ones. Either the cell had not settled or it "
        "drifts with load or temperature: test again with longer holds."
    )


_RULES: Final[tuple[Callable[[Pattern], str | None], ...]] = (
    _ceiling,
    _reads_high,
    _low_but_linear,
    _over_output,
    _offset,
    _slow,
    _slow_tail,
    _fading,
    _noisy,
    _hysteresis,
)


def rig_findings(judged: Sequence[Sequence[Judged]]) -> tuple[str, ...]:
    """Say what all cells of a run have in common; the likely cause is the rig or the gas, not the cells.

    Args:
        judged: the figures of every cell of the source.
    """
    sentences = []
    for key, hint in _SHARED.items():
        sides = []
        for cell in judged:
            found = [
                (one.decision.grade, one.figure.value)
                for one in cell
                if one.figure.key == key and one.decision is not None and one.figure.value is not None
            ]
            beyond = [value for grade, value in found if grade != "pass"]
            if found:
                sides.append(math.copysign(1.0, beyond[-1]) if beyond else 0.0)
        if len(sides) >= _LEAST_CELLS_TO_BLAME_RIG and 0.0 not in sides and len(set(sides)) == 1:
            sentences.append(f"All {len(sides)} cells of this run show the same {hint}")
    return tuple(sentences)


_SHARED: Final[dict[FigureKey, str]] = {
    "air_slope_agreement_percent": "disagreement between air and oxygen: check the purge, the bottle's "
    "purity and the barometer first, then the cells.",
    "indication_error_percent": "indication error: check the gauge, its zero and its unit first, then "
    "the cells.",
    "hysteresis_percent": "hysteresis: check for temperature drift or a leak first, then the cells.",
    "noise_percent": "noise: check the meter, its leads and mains pickup first, then the cells.",
}
