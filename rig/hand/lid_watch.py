"""What the gauges must show around the moment at which a person may open the lid."""

from __future__ import annotations

from math import inf
from typing import Final

from rig.loop.dialogue import Dialogue
from rig.loop.loop import Loop
from rig.safety.vented import surviving_gauges_bar

OPENING_S: Final = 30.0
"""How long the pot is watched once the lid may be opened."""
_STEADY_S = 10.0
_STEADY_ENDS_S = 2.0
_STEADY_BAR = 0.003
_OPENING_RISE_BAR = 0.015
"""More than noise on a vented pot whose lid is being opened; judgement."""
_SCANS = 3


def rises_before_opening(loop: Loop, dialogue: Dialogue) -> str | None:
    """Watch ten seconds and return that the pressure rises, or None.

    A supply that is open a crack shows so long before the pot leaves the vented band. The lowest reading at
    the end is compared with the highest at the beginning, so that noise and coarse digits are no rise.

    Raises:
        StopAsked, Tripped: as `Dialogue.wait`.
    """
    readings: list[tuple[float, float]] = []
    begun_s = loop.now_s
    while loop.now_s - begun_s < _STEADY_S:
        scan = dialogue.wait(0.0)
        readings += [(scan.t_s - begun_s, bar) for bar in surviving_gauges_bar(scan)[:1]]
    first = [bar for at_s, bar in readings if at_s <= _STEADY_ENDS_S]
    last = [bar for at_s, bar in readings if at_s >= _STEADY_S - _STEADY_ENDS_S]
    if not first or not last:
        return "NOT CONFIRMED: no gauge can show whether the pressure rises"
    if min(last) <= max(first) + _STEADY_BAR:
        return None
    rise_mbar = 1000.0 * (last[-1] - first[0])
    return f"NOT CONFIRMED: the pressure rises, by {rise_mbar:.0f} mbar in {_STEADY_S:.0f} s: gas comes in"


def rises_while_opening(loop: Loop, dialogue: Dialogue) -> str | None:
    """Watch while the lid is being opened and return at once that the pressure has risen, or None.

    Raises:
        StopAsked, Tripped: as `Dialogue.wait`.
    """
    begun_s, scans = loop.now_s, 0
    lowest_bar = max(surviving_gauges_bar(loop.scan), default=inf)
    while loop.now_s - begun_s < OPENING_S:
        highest_bar = max(surviving_gauges_bar(dialogue.wait(0.0)), default=lowest_bar)
        lowest_bar = min(lowest_bar, highest_bar)
        scans = scans + 1 if highest_bar > lowest_bar + _OPENING_RISE_BAR else 0
        if scans >= _SCANS:
            rise_mbar = 1000.0 * (highest_bar - lowest_bar)
            return (
                f"NOT VENTED: the pressure rose by {rise_mbar:.0f} mbar after the lid was allowed: the "
                "supply is open"
            )
    return None
