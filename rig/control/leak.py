"""The leak test: the slope of the pressure at rest, corrected for temperature, with its uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot
from typing import Literal

import numpy as np

from grading.measurement import FloatArray
from grading.settled import slope_with_uncertainty

_ZERO_CELSIUS_K = 273.15
_U_TEMPERATURE_SLOPE_K_PER_MIN = 0.025
"""Standard uncertainty of how fast the gas really warms, from 0.05 K/min that a thermometer cannot see."""
_COVERAGE = 2.0

LeakVerdict = Literal["tight", "leaks", "leaks too much", "rises", "rises too much"]


@dataclass(frozen=True, slots=True)
class LeakResult:
    """What a leak test found.

    Attributes:
        rate_mbar_per_min: loss of pressure at constant temperature; positive loses.
        expanded_uncertainty_mbar_per_min: at about 95 %.
        verdict: "tight" claims no more than that the loss is below the warning limit or within its doubt.
            "rises": gas comes in, through a supply valve that does not shut tight, or the pot still warms.
    """

    rate_mbar_per_min: float
    expanded_uncertainty_mbar_per_min: float
    verdict: LeakVerdict

    @property
    def text(self) -> str:
        """The result as a sentence."""
        return (
            f"Leak {self.rate_mbar_per_min:.2f} ± {self.expanded_uncertainty_mbar_per_min:.2f} mbar/min: "
            f"{self.verdict}."
        )


def leak_rate(
    t_s: FloatArray,
    pressure_bar: FloatArray,
    temperature_c: FloatArray,
    *,
    warn_mbar_per_min: float,
    stop_mbar_per_min: float,
) -> LeakResult:
    """Judge a pot at rest; the first half minute after a ramp, which is thermal, must not be in the arrays.

    The pressure is corrected to the first temperature (y = p T0 / T), a line is fitted, and the uncertainty
    of its slope is enlarged for autocorrelation and joined by what the thermometer cannot see of the gas.
    T is the straight line through the second half of the temperatures: in the first half a thermometer,
    which lags the gas by some twenty seconds, still tells of the ramp when the gas no longer does.

    Args:
        t_s: stamps, growing, shape (n,).
        pressure_bar: absolute, shape (n,).
        temperature_c: of the pot at the same stamps, shape (n,).
        warn_mbar_per_min: a change above this is told.
        stop_mbar_per_min: a change beyond doubt above this stops the run.
    """
    kelvin = temperature_c + _ZERO_CELSIUS_K
    late = t_s >= 0.5 * (t_s[0] + t_s[-1])
    warming_k_per_s, _ = slope_with_uncertainty(t_s[late], kelvin[late])
    smooth_k = float(np.mean(kelvin[late])) + warming_k_per_s * (t_s - float(np.mean(t_s[late])))
    corrected_bar = pressure_bar * (smooth_k[0] / smooth_k)
    slope, u_slope = slope_with_uncertainty(t_s, corrected_bar)
    u_thermal = float(np.mean(pressure_bar) / np.mean(kelvin)) * _U_TEMPERATURE_SLOPE_K_PER_MIN
    rate = -slope * 60e3
    expanded = _COVERAGE * hypot(u_slope * 60e3, u_thermal * 1e3)
    verdict: LeakVerdict = "tight"
    if rate - expanded > stop_mbar_per_min:
        verdict = "leaks too much"
    elif -rate - expanded > stop_mbar_per_min:
        verdict = "rises too much"
    elif rate > warn_mbar_per_min:
        verdict = "leaks"
    elif -rate - expanded > warn_mbar_per_min:
        verdict = "rises"
    return LeakResult(rate, expanded, verdict)


class LeakTest:
    """Gathers a leak test within the hold at the highest pressure.

    Attributes:
        result: None until it is done.
    """

    def __init__(
        self, settle_s: float, hold_s: float, warn_mbar_per_min: float, stop_mbar_per_min: float
    ) -> None:
        self._settle_s = settle_s
        self._hold_s = hold_s
        self._warn = warn_mbar_per_min
        self._stop = stop_mbar_per_min
        self._begun_s: float | None = None
        self._rows: list[tuple[float, float, float]] = []
        self.result: LeakResult | None = None

    @property
    def needs_s(self) -> float:
        """How long a hold must be for this test, in seconds."""
        return self._settle_s + self._hold_s + 1.0

    def add(self, t_s: float, pressure_bar: float, temperature_c: float | None) -> bool:
        """Add one tick. Returns whether the pressure must be let alone in the next one."""
        if self.result is not None:
            return False
        if self._begun_s is None:
            self._begun_s = t_s
        held_s = t_s - self._begun_s
        if held_s < self._settle_s:
            return False
        self._rows.append((t_s, pressure_bar, 20.0 if temperature_c is None else temperature_c))
        if held_s < self._settle_s + self._hold_s:
            return True
        columns = np.asarray(self._rows).T
        self.result = leak_rate(
            columns[0],
            columns[1],
            columns[2],
            warn_mbar_per_min=self._warn,
            stop_mbar_per_min=self._stop,
        )
        return False
