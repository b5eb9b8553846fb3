"""The set point of a ramp, which stays close to the pressure: lost time is not made up by a faster ramp."""

from __future__ import annotations

from typing import Final

from rig.safety.set_point import SetPoint

RAMP_MARGIN: Final = 0.94
"""Part of the ramp limit that is commanded; the rest is for packets and noise."""
LEAD_BAR: Final = 0.004
"""How far the set point may be ahead of the pressure, besides the step of one tick."""


def follow_ramp(
    set_point: SetPoint, pressure_bar: float, target_bar: float, step_bar: float, up: bool
) -> None:
    """Move the set point by one tick.

    Args:
        set_point: moved on, and never back.
        pressure_bar: as read now, absolute.
        target_bar: where the ramp ends, absolute.
        step_bar: what the ramp may do in one tick.
        up: whether it rises.
    """
    before_bar = set_point.now_bar if set_point.now_bar is not None else pressure_bar
    if up:
        wanted_bar = min(before_bar + step_bar, pressure_bar + LEAD_BAR + step_bar, target_bar)
        set_point.now_bar = max(before_bar, wanted_bar)
    else:
        wanted_bar = max(before_bar - step_bar, pressure_bar - LEAD_BAR - step_bar, target_bar)
        set_point.now_bar = min(before_bar, wanted_bar)
