"""The vented-zero check: with the pot open, every gauge must read what the barometer reads.

It is made before any gas, and finds a gauge that reads gauge pressure, psi or kPa. Whether the pot is open is
not known by then: a reading that no unit explains is taken for pressure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, linear_regression, pstdev
from typing import Final

from grading.gas import ATMOSPHERE_BAR, KILOPASCAL_BAR, PSI_BAR

LOWEST_BAROMETER_BAR: Final = 0.85
HIGHEST_BAROMETER_BAR: Final = 1.08
_HINT_WITHIN: Final = 0.03
_ANY_WEATHER: Final = 0.15
_ATM_WITHIN: Final = 0.004
_MOVES_BAR: Final = 0.003
_MOVES_TIMES_SCATTER: Final = 3.0
"""A reading moves when its straight line rises or falls by more than both within one series (judgement)."""


@dataclass(frozen=True, slots=True)
class PotPressure:
    """What the gauges show of a pot before anything is ordered.

    Attributes:
        found: that the pot is, or may be, under pressure, as a clause; empty where the gauges show none.
        moves: whether a reading rises or falls.
    """

    found: str = ""
    moves: bool = False


def pot_pressure(
    series_bar: Mapping[str, Sequence[float]],
    barometer_bar: float | None,
    *,
    zero_bar: float,
    apart_bar: float,
) -> PotPressure:
    """Return whether the gauges show pressure in a pot that nobody has seen open.

    Args:
        series_bar: readings of each gauge by its name in the bench file, evenly spaced, absolute bar.
        barometer_bar: absolute bar; where there is none, or none that is possible, the highest possible one
            stands for it.
        zero_bar: how far a gauge may be from the barometer.
        apart_bar: how far two gauges may be from each other.
    """
    known = barometer_bar is not None and LOWEST_BAROMETER_BAR <= barometer_bar <= HIGHEST_BAROMETER_BAR
    ambient_bar = barometer_bar if known and barometer_bar is not None else HIGHEST_BAROMETER_BAR
    means = {name: fmean(series) for name, series in series_bar.items() if series}
    moved = {name: _moved_bar(series_bar[name]) for name in means}
    moving = {name: change for name, change in moved.items() if change != 0.0}
    high = [
        name
        for name, mean in means.items()
        if mean > ambient_bar + zero_bar and not unit_hint(mean, ambient_bar)
    ]
    if not high:
        return PotPressure(moves=bool(moving))
    shown = " and ".join(
        f"{name} reads {means[name]:.4f} bar, {1000.0 * (means[name] - ambient_bar):+.0f} mbar"
        for name in high
    )
    against = "the barometer" if known else f"the highest barometer there is ({HIGHEST_BAROMETER_BAR} bar)"
    found = f"{shown} against {against}"
    if any(name in moving for name in high):
        rises = max((moving[name] for name in high if name in moving), key=abs) > 0.0
        found += f", and {'rises' if rises else 'falls'}"
    agree = len(high) > 1 and max(means[n] for n in high) - min(means[n] for n in high) <= apart_bar
    sure = agree or any(name in moving for name in high)
    return PotPressure(f"{found}: the pot {'is' if sure else 'may be'} under pressure", bool(moving))


def _moved_bar(series: Sequence[float]) -> float:
    """Change along the straight line through a series of readings; 0 where their scatter explains it."""
    if len(series) < 4:
        return 0.0
    slope, start = linear_regression(range(len(series)), series)
    scatter = pstdev(value - start - slope * index for index, value in enumerate(series))
    change = slope * (len(series) - 1)
    return change if abs(change) > max(_MOVES_BAR, _MOVES_TIMES_SCATTER * scatter) else 0.0


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
        hint = unit_hint(barometer_bar, ATMOSPHERE_BAR, within=_ANY_WEATHER)
        return (
            f"the barometer reads {barometer_bar:.4f} bar; {LOWEST_BAROMETER_BAR} to "
            f"{HIGHEST_BAROMETER_BAR} bar is possible{hint}",
        )
    problems = []
    for name, reading_bar in gauges_bar.items():
        difference_mbar = 1000.0 * (reading_bar - barometer_bar)
        if abs(difference_mbar) > 1000.0 * zero_bar:
            problems.append(
                f"{name} reads {reading_bar:.4f} bar and the barometer {barometer_bar:.4f} "
                f"bar: {difference_mbar:+.0f} mbar, {1000.0 * zero_bar:.0f} mbar are allowed"
                f"{unit_hint(reading_bar, barometer_bar)}"
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


def unit_hint(reading_bar: float, truth_bar: float, within: float = _HINT_WITHIN) -> str:
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
