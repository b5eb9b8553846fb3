"""What a person's hands are to do now. A pure function from where the pressure is to one cue."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from rig.safety.scan import Scan

Valve = Literal["supply", "vent"]
Action = Literal["open", "crack", "wait", "slower", "close", "open_fully", "rest"]

REACTION_S = 1.5
"""From reading the cue to the valve being shut; the cue to close is given that much early."""
SLOW_BAR_PER_MIN = 0.25
GREEN_BAR_PER_MIN = 0.5
FAST_BAR_PER_MIN = 1.0
TOO_FAST_BAR_PER_MIN = 2.0
SHORT_BAR = 0.010
"""A pressure that stays within this short of its target has reached it."""
CRACK_BAR = 0.040
_MOVING_BAR_PER_MIN = 0.05


@dataclass(frozen=True, slots=True)
class Cue:
    """One instruction.

    Attributes:
        valve: which valve to put the hand on; the other one is shut meanwhile.
        action: "open" a little, "crack" it open as little as it goes, "wait" with it as it is, "slower",
            "close" now, "open_fully", or "rest": both shut, hands off.
        text: the words for the screen.
    """

    valve: Valve
    action: Action
    text: str


@runtime_checkable
class CuedView(Protocol):
    """A view that hears every cue, tick by tick: a simulated operator's."""

    def cue(self, cue: Cue | None, scan: Scan) -> None:
        """Show the cue of this tick; None: hands off."""
        ...


def advise(target_bar: float, pressure_bar: float, rate_bar_per_min: float, *, up: bool) -> Cue:
    """Say what to do now on the way to a target; absolute bar and bar/min.

    The cue to close comes when the pressure will be at the target after the reaction time at the present
    rate. Green is below 0.5 bar/min, red above 1.
    """
    valve: Valve = "supply" if up else "vent"
    sign = 1.0 if up else -1.0
    to_go_bar = sign * (target_bar - pressure_bar)
    rate = sign * rate_bar_per_min
    live = f"{max(0.0, 1000.0 * to_go_bar):.0f} mbar to go, {rate_bar_per_min:+.2f} bar/min"
    name = valve.upper()
    if to_go_bar <= SHORT_BAR or (
        rate > _MOVING_BAR_PER_MIN and to_go_bar <= rate / 60.0 * REACTION_S + 0.5 * SHORT_BAR
    ):
        return Cue(valve, "close", f"CLOSE {name} NOW   {live}")
    if rate > TOO_FAST_BAR_PER_MIN:
        return Cue(valve, "close", f"TOO FAST: CLOSE {name}   {live}")
    if rate > FAST_BAR_PER_MIN:
        return Cue(valve, "slower", f"SLOWER: close {name} a little   {live}")
    if to_go_bar <= CRACK_BAR:
        how = f"{name} DOWN TO A CRACK" if rate > SLOW_BAR_PER_MIN else f"OPEN {name} A CRACK"
        return Cue(valve, "crack", f"{how}   {live}")
    if rate < SLOW_BAR_PER_MIN:
        other = "vent" if up else "supply"
        return Cue(valve, "open", f"OPEN {name} a little ({other} shut)   {live}")
    return Cue(valve, "wait", f"{name} as it is   {live}")
