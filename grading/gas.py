"""Gas arithmetic: the PO2 at a cell. All pressures are absolute bar, temperatures degrees Celsius.

Every function is analytic in its arguments, so that `grading.uncertainty` can differentiate it by the
complex step, and works on numbers and on arrays of any shape alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]
"""Arguments and results of the functions here: one number or an array."""

AIR_PO2_BAR: Final = 0.2095
"""PO2 that outputs in air are scaled to."""

DRY_AIR_OXYGEN_FRACTION: Final = 0.20946
"""Amount of oxygen in dry air. Common value; ISO 2533 has 0.209476 and CIPM-2007 has 0.20939."""

STANDARD_ATMOSPHERE_BAR: Final = 1.01325
PSI_BAR: Final = 6894.757293168 * 1e-5
"""One pound-force per square inch (0.45359237 kg * 9.80665 m/s2 / (0.0254 m)^2)."""
ATMOSPHERE_BAR: Final = STANDARD_ATMOSPHERE_BAR
KILOPASCAL_BAR: Final = 0.01
METRE_OF_SEAWATER_BAR: Final = 0.1
"""The divers' metre: 10 m of seawater are 1 bar (EN 13319 convention)."""
FOOT_OF_SEAWATER_BAR: Final = STANDARD_ATMOSPHERE_BAR / 33.08
"""The divers' foot: 33.08 ft of seawater are one standard atmosphere (US Navy Diving Manual convention)."""

_CRITICAL_TEMPERATURE_K: Final = 647.096
_CRITICAL_PRESSURE_BAR: Final = 220.64
_ZERO_CELSIUS_K: Final = 273.15


def saturation_pressure_bar(temperature_c: Number) -> Number:
    """Vapour pressure of liquid water.

    Wagner and Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783: the IAPWS supplementary release on saturation
    properties, SR1-86(1992), equation 1. Within 75 ppm of IAPWS-95 from 5 to 40 degrees.

    Args:
        temperature_c: water temperature, 0.01 to 373.9 degrees Celsius, any shape.

    Returns:
        Saturation pressure in bar, same shape.
    """
    temperature_k = temperature_c + _ZERO_CELSIUS_K
    x = 1.0 - temperature_k / _CRITICAL_TEMPERATURE_K
    x_half = x**0.5
    series = x * (
        -7.85951783
        + 1.84408259 * x_half
        + x**2 * (-11.7866497 + 22.6807411 * x_half - 15.9618719 * x + 1.80122502 * x**4 * x_half)
    )
    pressure: Number = _CRITICAL_PRESSURE_BAR * np.exp(_CRITICAL_TEMPERATURE_K / temperature_k * series)
    return pressure


def po2_bar(
    pressure_bar: Number,
    oxygen_fraction: Number,
    relative_humidity: Number = 0.0,
    temperature_c: Number = 20.0,
) -> Number:
    """Oxygen partial pressure of a gas: dry oxygen fraction times (pressure - water vapour).

    PO2 is defined here as fraction times pressure. The non-ideality of oxygen (0.07 % between 1 and 2 bar at
    20 degrees) is left out, as in a handset.

    Args:
        pressure_bar: total absolute pressure.
        oxygen_fraction: of the dry gas, 0 to 1.
        relative_humidity: 0 to 1; zero in bottle gas.
        temperature_c: of the gas.

    Returns:
        PO2 in bar, of the arguments' common shape.
    """
    return oxygen_fraction * (pressure_bar - relative_humidity * saturation_pressure_bar(temperature_c))


def po2_in_air_bar(barometer_bar: Number, relative_humidity: Number, temperature_c: Number) -> Number:
    """Oxygen partial pressure of ambient air; altitude enters through the barometer alone.

    Args:
        barometer_bar: ambient absolute pressure where the cell is.
        relative_humidity: 0 to 1.
        temperature_c: of the air.
    """
    return po2_bar(barometer_bar, DRY_AIR_OXYGEN_FRACTION, relative_humidity, temperature_c)


@dataclass(frozen=True, slots=True)
class PurgedGas:
    """What a purge leaves in the pot.

    Attributes:
        oxygen_fraction: for perfect mixing.
        u_oxygen_fraction: standard uncertainty, supply and mixing together.
        u_mixing: the part that comes from imperfect mixing.
    """

    oxygen_fraction: float
    u_oxygen_fraction: float
    u_mixing: float


LEAST_SWING_EFFICIENCY: Final = 0.8
"""Worst credible mixing of a pressure swing, as a factor on ln(high/low). Common practice, no source."""
LEAST_FLOW_EFFICIENCY: Final = 0.5
"""Worst credible mixing of a flow purge, as a factor on the volumes passed. Common practice, no source."""


def remainder_after_swings(
    low_bar: Sequence[float] | NDArray[np.float64], high_bar: Sequence[float] | NDArray[np.float64]
) -> float:
    """Part of the first gas that is left after pressure swings: the product of low/high, perfect mixing.

    Crowl and Louvar, Chemical Process Safety, pressure and vacuum purging; both pressures absolute.

    Raises:
        ValueError: a swing whose low is not below its high, or not above zero.
    """
    low = np.asarray(low_bar, dtype=np.float64)
    high = np.asarray(high_bar, dtype=np.float64)
    if low.shape != high.shape:
        raise ValueError(f"{low.size} low pressures but {high.size} high ones: a swing has one of each")
    if not np.all((low > 0.0) & (low < high)):
        raise ValueError("a swing's low pressure must be above 0 bar and below its high one (both absolute)")
    return float(np.prod(low / high))


def remainder_after_flow(volumes: float) -> float:
    """Part of the first gas that is left after `volumes` pot volumes have flowed through, perfect mixing."""
    if not volumes >= 0.0:
        raise ValueError("the volumes passed through the pot cannot be negative")
    return float(np.exp(-volumes))


def _purged(
    fraction_start: float, fraction_supply: float, u_supply: float, remainder: float, least_efficiency: float
) -> PurgedGas:
    if not 0.0 < least_efficiency <= 1.0:
        raise ValueError("the least mixing efficiency must be above 0 and at most 1")
    difference = fraction_supply - fraction_start
    fraction = fraction_supply - difference * remainder
    # The truth lies between perfect mixing and the worst credible one; the value stays at perfect mixing, so
    # the second moment about that end is used: (worst - perfect)^2 / 3.
    worst = difference * (remainder**least_efficiency - remainder)
    u_mixing = abs(worst) / np.sqrt(3.0)
    from_supply = (1.0 - remainder) * u_supply
    return PurgedGas(fraction, float(np.hypot(u_mixing, from_supply)), float(u_mixing))


def fraction_after_swings(
    fraction_start: float,
    fraction_supply: float,
    low_bar: Sequence[float] | NDArray[np.float64],
    high_bar: Sequence[float] | NDArray[np.float64],
    u_supply: float = 0.0,
    least_efficiency: float = LEAST_SWING_EFFICIENCY,
) -> PurgedGas:
    """Oxygen fraction after pressure swings: F_n = F_s - (F_s - F_0) * product(low / high).

    Args:
        fraction_start: oxygen fraction before the first swing.
        fraction_supply: oxygen fraction of the bottle.
        low_bar: measured absolute pressure before each filling.
        high_bar: measured absolute pressure at the top of each filling.
        u_supply: standard uncertainty of `fraction_supply`.
        least_efficiency: worst credible mixing, as a factor on ln(high/low).

    Raises:
        ValueError: pressures that do not form a swing.
    """
    remainder = remainder_after_swings(low_bar, high_bar)
    return _purged(fraction_start, fraction_supply, u_supply, remainder, least_efficiency)


def fraction_after_flow(
    fraction_start: float,
    fraction_supply: float,
    volumes: float,
    u_supply: float = 0.0,
    least_efficiency: float = LEAST_FLOW_EFFICIENCY,
) -> PurgedGas:
    """Oxygen fraction after a flow-through purge: F = F_s - (F_s - F_0) * exp(-volumes).

    Args:
        fraction_start: oxygen fraction before the flow.
        fraction_supply: oxygen fraction of the bottle.
        volumes: gas passed, in pot volumes at the pot's pressure.
        u_supply: standard uncertainty of `fraction_supply`.
        least_efficiency: worst credible mixing, as a factor on `volumes`.

    Raises:
        ValueError: a negative volume.
    """
    remainder = remainder_after_flow(volumes)
    return _purged(fraction_start, fraction_supply, u_supply, remainder, least_efficiency)


def geopotential_altitude_m(geometric_m: Number) -> Number:
    """Geopotential altitude H = r h / (r + h), ISO 2533:1975, with r = 6 356 766 m."""
    radius = 6_356_766.0
    return radius * geometric_m / (radius + geometric_m)


def standard_pressure_bar(geopotential_m: Number) -> Number:
    """Pressure of the ISO 2533 standard atmosphere up to 11 km: for planning and plausibility alone.

    Weather moves the true barometer by 3 %, so no grade is based on this.
    """
    gravity, gas_constant, lapse, sea_level_k = 9.80665, 287.05287, 0.0065, 288.15
    exponent = gravity / (gas_constant * lapse)
    pressure: Number = STANDARD_ATMOSPHERE_BAR * (1.0 - lapse * geopotential_m / sea_level_k) ** exponent
    return pressure


def pressure_at_depth_bar(depth_msw: Number, surface_bar: Number = STANDARD_ATMOSPHERE_BAR) -> Number:
    """Absolute pressure at a depth in metres of seawater."""
    return surface_bar + depth_msw * METRE_OF_SEAWATER_BAR


def depth_of_pressure_msw(pressure_bar: Number, surface_bar: Number = STANDARD_ATMOSPHERE_BAR) -> Number:
    """Depth in metres of seawater at an absolute pressure."""
    return (pressure_bar - surface_bar) / METRE_OF_SEAWATER_BAR
