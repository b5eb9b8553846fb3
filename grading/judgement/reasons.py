"""Why a figure is graded as it is, in sentences that a customer understands, with numbers and units.

A sentence says what was found, against which limit, and whether the cell or the rig is the reason. No
sentence says that a cell is fit for any use: a test bench cannot show that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from grading import wording
from grading.figure_kinds import FIGURE_KINDS, FigureKind
from grading.judgement.decision import Decision, room_to_decide
from grading.results import Figure

PASSED: Final = "Every figure tested lies inside its pass limits with its whole uncertainty."


@dataclass(frozen=True, slots=True)
class Judged:
    """A figure with the decision on it; None for a figure without a value or without a limit."""

    figure: Figure
    decision: Decision | None

    @property
    def kind(self) -> FigureKind:
        """What is fixed for the figure, independent of its value."""
        return FIGURE_KINDS[self.figure.key]


def reasons(judged: Sequence[Judged], not_graded: Sequence[str] = ()) -> tuple[str, ...]:
    """Say why a cell's figures give its grade, the gravest first; figures not tested or graded come last.

    Args:
        judged: the figures of the cell.
        not_graded: keys of figures that the limits file does not grade.
    """
    sentences: list[str] = []
    for grade in ("reject", "watch"):
        sentences += _of_grade(judged, grade)
    if not sentences:
        sentences.append(PASSED)
    untested = [
        wording.figure_name(one.figure)
        for one in judged
        if one.figure.value is None and one.figure.at_least is None
    ]
    if untested:
        sentences.append(f"Not tested: {'; '.join(untested)}.")
    if not_graded:
        sentences.append(wording.not_graded(not_graded))
    return tuple(sentences)


def _of_grade(judged: Sequence[Judged], grade: str) -> list[str]:
    found = [one for one in judged if one.decision is not None and one.decision.grade == grade]
    sentences = []
    for key in dict.fromkeys(one.figure.key for one in found if one.kind.by_step):
        sentences += _of_steps([one for one in found if one.figure.key == key], grade)
    return sentences + [sentence(one) for one in found if not one.kind.by_step]


def _of_steps(judged: Sequence[Judged], grade: str) -> list[str]:
    """The worst step in full, the others in a list."""
    worst, *others = sorted(judged, key=_how_bad, reverse=True)
    sentences = [sentence(worst)]
    if others:
        others.sort(key=lambda one: _known(one.figure.nominal_po2_bar))
        listed = ", ".join(f"{one.figure.nominal_po2_bar:.1f} bar ({_found(one)})" for one in others)
        verb = "Rejected" if grade == "reject" else "Not passed"
        sentences.append(f"{verb} also at {listed}.")
    return sentences


def _found(one: Judged) -> str:
    return _low_or_high(one.figure) if one.kind.as_display else wording.figure_quantity(one.figure)


def _known(number: float | None) -> float:
    """Return a number that a figure of this kind always has; NaN, printed as a dash, where it has none."""
    return math.nan if number is None else number


def _how_bad(one: Judged) -> float:
    """How far a value is towards its reject limit, or away from zero without one."""
    limit = max((abs(side) for side in one.figure.reject_limits or () if side is not None), default=1.0)
    return abs(_known(one.figure.value)) / (limit or 1.0)


def sentence(judged: Judged) -> str:
    """One figure's reason for not passing."""
    figure, decision = judged.figure, judged.decision
    if decision is None or decision.why == "inside":
        return f"{wording.figure_name(figure)}: {wording.figure_quantity(figure)}."
    if decision.why == "undecidable":
        return _undecidable(figure)
    head = _head(judged)
    match decision.why:
        case "uncertainty undetermined":
            return f"{head}; its uncertainty is undetermined, so it can't pass."
        case "typed pressure":
            return (
                f"{head}, inside its limits; but the pressure was read off a dial by hand, so it can't be "
                "better than watch."
            )
        case "only a lower bound":
            return f"{head}; the test can't show how far (pass limit {_pass_limit(figure)})."
        case _:
            pass
    limit = _limit(judged, decision)
    match decision.why:
        case "beyond a reject limit":
            return f"{head} (limit {limit})."
        case "may be beyond a reject limit":
            return (
                f"{head}; with its uncertainty of {_uncertainty(figure)} it may be beyond the limit of "
                f"{limit}, and the uncertainty counts against the cell."
            )
        case "typed pressure leaves doubt":
            return (
                f"{head}; with its uncertainty of {_uncertainty(figure)} it may be beyond the limit of "
                f"{limit}, but the pressure was read off a dial by hand: test again with a gauge that the "
                "program reads."
            )
        case "outside a pass limit":
            return f"{head} (pass limit {limit})."
        case _:
            return (
                f"{head}; inside the pass limit of {limit}, but not with its whole uncertainty of "
                f"{_uncertainty(figure)}."
            )


def _head(judged: Judged) -> str:
    figure, kind = judged.figure, judged.kind
    if kind.as_display and figure.value is not None:
        nominal = _known(figure.nominal_po2_bar)
        shows = wording.number(nominal * (1.0 + figure.value / 100.0), 2)
        return f"At {nominal:.1f} bar a handset would show {shows}: {_low_or_high(figure)}"
    if kind.consequence and figure.value is not None:
        return f"{wording.figure_name(figure)} {wording.figure_quantity(figure)}: {kind.consequence}"
    return f"{wording.figure_name(figure)}: {wording.figure_quantity(figure)}"


def _low_or_high(figure: Figure) -> str:
    error = _known(figure.value)
    return f"{wording.number(abs(error), 1)} % {'low' if error < 0 else 'high'}"


def _limit(judged: Judged, decision: Decision) -> str:
    limit = decision.broken_limit or 0.0
    if judged.kind.as_display:
        limit = abs(limit)
    return f"{wording.plain(limit)} {judged.figure.unit}"


def _pass_limit(figure: Figure) -> str:
    return f"{wording.pass_limits(figure)} {figure.unit}"


def _uncertainty(figure: Figure) -> str:
    return f"{wording.figure_uncertainty(figure)} {figure.unit}"


def _undecidable(figure: Figure) -> str:
    room = room_to_decide(figure.pass_limits or (None, None), figure.reject_limits or (None, None))
    text = (
        f"{wording.figure_name(figure)} can't be decided with this rig: {wording.figure_quantity(figure)}, "
        f"and that uncertainty is larger than the {wording.plain(room)} {figure.unit} between the pass and "
        "the reject limit"
    )
    if figure.budget:
        largest = figure.budget[0]
        text += f"; {100.0 * largest.share:.0f} % of its variance comes from {largest.name}"
    return text + ". The reason is the rig, not the cell."
