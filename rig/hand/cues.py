"""What a person's hands are to do now: a pure function from the pressure to one cue."""

from __future__ import annotations

from typing import Final

from rig.view import Action, Cue, Valve

REACTION_S = 1.5
"""From reading the cue to the valve being shut; the cue to close is given this much earlier."""
SLOW_BAR_PER_MIN = 0.25
GREEN_BAR_PER_MIN = 0.5
FAST_BAR_PER_MIN = 1.0
TOO_FAST_BAR_PER_MIN = 2.0
SHORT_BAR = 0.010
"""A pressure that is short of its target by no more than this has reached it."""
CRACK_BAR = 0.040
_MOVING_BAR_PER_MIN = 0.05
HANDS_OFF: Final = Cue(Valve.SUPPLY, Action.REST, "HANDS OFF: both valves shut")


def advise(target_bar: float, pressure_bar: float, rate_bar_per_min: float, *, up: bool) -> Cue:
    """Return what to do now on the way to a target; absolute bar and bar/min.

    The cue to close comes when the pressure will be at the target after the reaction time at the present
    rate. Green is below 0.5 bar/min, red above 1.
    """
    valve = Valve.SUPPLY if up else Valve.VENT
    sign = 1.0 if up else -1.0
    to_go_bar = sign * (target_bar - pressure_bar)
    rate = sign * rate_bar_per_min
    action, words = _next(valve, to_go_bar, rate)
    far = (
        f"{1000.0 * to_go_bar:.0f} mbar to go"
        if round(1000.0 * to_go_bar) >= 0
        else f"{-1000.0 * to_go_bar:.0f} mbar too far"
    )
    # Adding zero removes the sign of a negative zero.
    live = f"{far}, {round(rate_bar_per_min, 2) + 0.0:+.2f} bar/min"
    return Cue(valve, action, f"{words}   {live}", to_go_bar, rate_bar_per_min)


def _next(valve: Valve, to_go_bar: float, rate: float) -> tuple[Action, str]:
    """Return what to do and its words; `rate` in bar/min counts towards the target."""
    name = valve.upper()
    arrives = rate > _MOVING_BAR_PER_MIN and to_go_bar <= rate / 60.0 * REACTION_S + 0.5 * SHORT_BAR
    if to_go_bar <= SHORT_BAR or arrives:
        return Action.CLOSE, f"CLOSE {name} NOW"
    if rate > TOO_FAST_BAR_PER_MIN:
        return Action.CLOSE, f"TOO FAST: CLOSE {name}"
    if rate > FAST_BAR_PER_MIN:
        return Action.SLOWER, f"SLOWER: close {name} a little"
    if to_go_bar <= CRACK_BAR:
        return Action.CRACK, f"{name} DOWN TO A CRACK" if rate > SLOW_BAR_PER_MIN else f"OPEN {name} A CRACK"
    if rate < SLOW_BAR_PER_MIN:
        return Action.OPEN, f"OPEN {name} a little ({valve.other} shut)"
    return Action.WAIT, f"{name} as it is"
