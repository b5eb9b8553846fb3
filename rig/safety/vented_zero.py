"""The vented-zero check: with the pot open, every gauge must read what the barometer reads.

It is made before any gas, and finds a gauge that reads gauge pressure, psi or kPa.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from grading.gas import ATMOSPHERE_BAR, KILOPASCAL_BAR, PSI_BAR

LOWEST_BAROMETER_BAR: Final = 0.85
HIGHEST_BAROMETER_BAR: Final = 1.08
_HINT_WITHIN: Final = 0.03
_ANY_WEATHER: Final = 0.15
_ATM_WITHIN: Final = 0.004


def vented_zero_problems(
    gauges_bar: Mapping[str, float], barometer_bar: float, *, zero_bar: float, apart_bar: float
) -> tuple[str, ...]:
    """Return what is wrong with the readings of a vented pot, one sentence each; empty when all agree.

    Args:
        gauges_bar: reading of each gauge by its name in the bench file, absolute bar.
        barometer_bar: reading of the barometer, absolute bar.
        zero_bar: how far a gauge may be from the barometer.
        apart_bar: how far two gauges may be from each other.
    """
    if not LOWEST_BAROMETER_BAR <= barometer_bar <= HIGHEST_BAROMETER_BAR:
        hint = _unit_hint(barometer_bar, ATMOSPHERE_BAR, within=_ANY_WEATHER)
        return (
            f"the barometer reads {barometer_bar:.4f} bar; {LOWEST_BAROMETER_BAR} to "
            f"{HIGHEST_BAROMETER_BAR} bar is possible{hint}",
        )
    problems = []
    for name, reading_bar in gauges_bar.items():
        difference_mbar = 1000.0 * (reading_bar - barometer_bar)
        if abs(difference_mbar) > 1000.0 * zero_bar:
            problems.append(
                f"{name} reads {reading_bar:.4f} bar on the vented pot and the barometer {barometer_bar:.4f} "
                f"bar: {difference_mbar:+.0f} mbar, {1000.0 * zero_bar:.0f} mbar are allowed"
                f"{_unit_hint(reading_bar, barometer_bar)}"
            )
    readings = list(gauges_bar.items())
    if len(readings) == 2 and not problems:
        (name_a, a_bar), (name_b, b_bar) = readings
        if abs(a_bar - b_bar) > apart_bar:
            problems.append(
                f"{name_a} and {name_b} are {1000.0 * abs(a_bar - b_bar):.0f} mbar apart; "
                f"{1000.0 * apart_bar:.0f} mbar are allowed"
            )
    return tuple(problems)


def _unit_hint(reading_bar: float, truth_bar: float, within: float = _HINT_WITHIN) -> str:
    """Return the unit that would make this reading of `truth_bar` right, as the end of a sentence."""
    if abs(reading_bar) < _HINT_WITHIN:
        return "; it seems to give gauge pressure: set it to absolute"
    ratio = reading_bar / truth_bar
    for unit, in_bar in (("psi", PSI_BAR), ("kPa", KILOPASCAL_BAR), ("mbar or hPa", 1e-3), ("MPa", 10.0)):
        if abs(ratio * in_bar - 1.0) < within:
            return f"; it seems to be set to {unit}: set it to bar"
    if within < _ANY_WEATHER and abs(ratio * ATMOSPHERE_BAR - 1.0) < _ATM_WITHIN:
        return "; it seems to be set to atm: set it to bar"
    return ""
