"""How strongly the vent's flow is driven by the pressures, after ISO 6358."""

from __future__ import annotations

from math import sqrt
from typing import Final

_CRITICAL_RATIO: Final = 0.3
"""Critical pressure ratio of a long restrictor and a valve."""


def vent_drive_bar(pressure_bar: float, ambient_bar: float) -> float:
    """Drive of the vent: p * psi(r) with psi = 1 up to the critical ratio, else the ellipse of ISO 6358.

    Args:
        pressure_bar: in the pot, absolute.
        ambient_bar: outside, absolute.
    """
    if pressure_bar <= ambient_bar:
        return 0.0
    ratio = ambient_bar / pressure_bar
    if ratio <= _CRITICAL_RATIO:
        return pressure_bar
    return pressure_bar * sqrt(1.0 - ((ratio - _CRITICAL_RATIO) / (1.0 - _CRITICAL_RATIO)) ** 2)
