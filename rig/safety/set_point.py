"""What the rig is trying to do with the pressure; the interlocks judge every reading against it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Intent(StrEnum):
    """What the pressure should be doing."""

    FREE = "free"
    OPEN = "open"
    UP = "up"
    DOWN = "down"
    KEEP = "keep"
    FLOW = "flow"


LETS_OUT: Final = frozenset({Intent.DOWN, Intent.OPEN, Intent.FREE})
"""Where gas leaves the pot and none should come in."""


@dataclass(slots=True)
class SetPoint:
    """Where the pressure should be, and why. A drive writes it; the interlocks and the screen read it.

    Attributes:
        intent: FREE: nothing is expected (unknown pot, de-energised after a trip). OPEN: vent open.
            UP, DOWN: on a ramp. KEEP: at a target. FLOW: supply shots with the vent open.
        now_bar: where the pressure should be now, absolute bar; None when nothing is expected.
        target_bar: where it is going; None when it goes nowhere.
        weak_groups: groups of shots in a row that moved the pressure by less than a quarter of what they
            should have.
        kept_bar: what has been topped up at this target once the gas was at rest, in bar.
        strong_groups: groups in a row that moved it by more than 1.6 times what they did at first.
    """

    intent: Intent = Intent.FREE
    now_bar: float | None = None
    target_bar: float | None = None
    weak_groups: int = 0
    strong_groups: int = 0
    kept_bar: float = 0.0

    def set(self, intent: Intent, now_bar: float | None = None, target_bar: float | None = None) -> None:
        """Begin a new intent; the counts of the last one start again."""
        self.intent = intent
        self.now_bar = now_bar
        self.target_bar = target_bar
        self.weak_groups = 0
        self.strong_groups = 0
        self.kept_bar = 0.0
