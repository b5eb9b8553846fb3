"""The limits that interlocks and permissives compare with, resolved for one run."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class SafetyLimits:
    """Limits of one run. Pressures are absolute bar.

    Attributes:
        working_pressure_bar: plate value of the pot.
        stop_pressure_bar: no supply shot may take the pressure above this.
        trip_pressure_bar: either gauge above this aborts.
        ramp_bar_per_min: fastest commanded change, both ways.
        most_gas_l: litres at 1 bar that one run may use.
        volume_l: gas volume of the pot.
        lid_diameter_mm: for the force on the lid.
        gauges_apart_bar: greatest difference of the two gauges in single readings.
        gauges_apart_mean_bar: greatest difference of their means, which noise cannot explain.
        off_set_point_bar: how far the pressure may leave its set point.
        vented_bar: how close to the barometer counts as vented.
        fastest_vent_bar_per_min: a pot at 2 bar absolute cannot fall faster through its vent.
        zero_bar: how close to the barometer a vented gauge must read before any gas.
        lowest_gauge_bar, highest_gauge_bar: a reading outside is invalid.
        lowest_temperature_c, highest_temperature_c: where cells may be tested.
    """

    working_pressure_bar: float
    stop_pressure_bar: float
    trip_pressure_bar: float
    ramp_bar_per_min: float = 0.5
    most_gas_l: float = 60.0
    volume_l: float = 1.0
    lid_diameter_mm: float = 100.0
    gauges_apart_bar: float = 0.030
    gauges_apart_mean_bar: float = 0.015
    off_set_point_bar: float = 0.020
    vented_bar: float = 0.020
    fastest_vent_bar_per_min: float = 30.0
    zero_bar: float = 0.008
    lowest_gauge_bar: float = 0.3
    highest_gauge_bar: float = 6.0
    lowest_temperature_c: float = 5.0
    highest_temperature_c: float = 40.0

    def lid_force_n(self, gauge_pressure_bar: float) -> float:
        """Force on the lid in newtons at a gauge pressure in bar."""
        area_m2 = 0.25 * 3.141592653589793 * (self.lid_diameter_mm / 1000.0) ** 2
        return max(0.0, gauge_pressure_bar) * 1e5 * area_m2
