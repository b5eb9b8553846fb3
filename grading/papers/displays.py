"""What a handset calibrated on a cell would show, and the true PO2 at a given display."""

from __future__ import annotations

import re
from typing import Any, Final

from grading import wording
from grading.papers.rows import sentence
from grading.results import CellResult, StepResult

Json = dict[str, Any]

STATED_AT_BAR: Final = 1.6
"""The step whose display is stated in words."""
_IN_TABLES: Final = re.compile(r"(?i)when it shows \d")
"""Statements that a small table already holds."""


def calibration_text(cell: CellResult) -> str:
    """PO2 at which a handset would have been calibrated, in bar."""
    po2 = cell.detail.calibration_po2_bar
    return "1.00" if po2 is None else wording.number(po2, 2)


def displays(cell: CellResult) -> Json:
    """What a handset would show; empty on a paper without a grade, where it could be taken for a result."""
    if cell.grade == "ungraded":
        return {"statements": [], "shows": [], "mirror": []}
    return {
        "statements": _statements(cell),
        "shows": [
            [wording.number(step.nominal_po2_bar or step.po2_bar, 2), wording.number(step.shows_bar, 2)]
            for step in _shown_steps(cell)
            if step.shows_bar is not None
        ],
        "mirror": [
            [wording.number(display, 2), wording.number(truth, 2)]
            for display, truth in cell.detail.true_po2_when_display_says
        ],
    }


def _shown_steps(cell: CellResult) -> list[StepResult]:
    """Rising steps with an indication error, or the falling ones where the test has none."""
    for direction in ("up", "down"):
        steps = [
            s
            for s in cell.detail.steps
            if s.direction == direction and s.indication_error_percent is not None and s.shows_bar is not None
        ]
        if steps:
            return _thinned(steps)
    return []


_MOST_SHOWN: Final = 7


def _thinned(steps: list[StepResult]) -> list[StepResult]:
    """The first step at each nominal PO2, thinned to what a line holds; lowest and highest stay."""
    first = list({s.nominal_po2_bar or round(s.po2_bar, 2): s for s in reversed(steps)}.values())
    first.sort(key=lambda s: s.po2_bar)
    if len(first) <= _MOST_SHOWN:
        return first
    last = len(first) - 1
    return [first[round(i * last / (_MOST_SHOWN - 1))] for i in range(_MOST_SHOWN)]


def _statements(cell: CellResult) -> list[str]:
    """Statements on displays, without those that the small tables show; at least one step in words."""
    said = [sentence(s) for s in cell.detail.statements if _IN_TABLES.match(s) is None]
    steps = _shown_steps(cell)
    if said or not steps:
        return said
    stated = min(steps, key=lambda s: abs((s.nominal_po2_bar or s.po2_bar) - STATED_AT_BAR))
    return [
        f"Calibrated on this cell at PO2 {calibration_text(cell)} bar, a handset shows "
        f"{wording.number(stated.shows_bar or 0.0, 2)} where the truth is "
        f"{wording.number(stated.nominal_po2_bar or stated.po2_bar, 2)} bar."
    ]
