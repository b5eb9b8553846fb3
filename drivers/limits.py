"""Refusing a command before it reaches the wire."""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.errors import Refused


def refuse_outside(
    instrument: str, what: str, value: float, lowest: float, highest: float, unit: str = ""
) -> None:
    """Refuse a value that is out of range; nothing is ever clipped.

    Raises:
        Refused: when `value` is not a number from `lowest` to `highest`, both in `unit`.
    """
    if not (math.isfinite(value) and lowest <= value <= highest):
        suffix = f" {unit}" if unit else ""
        raise Refused(
            instrument, f"{what} of {value:g}{suffix} is not within {lowest:g} to {highest:g}{suffix}"
        )


@dataclass(frozen=True, slots=True)
class PressureOrders:
    """The commands that a pressure controller may get; absolute bar, and bar/min."""

    instrument: str
    lowest_bar: float
    highest_bar: float
    most_ramp_bar_per_min: float

    def check_set_point(self, pressure_bar: float) -> None:
        """Refuse a set point, in bar, that is out of range.

        Raises:
            Refused: naming the range.
        """
        refuse_outside(self.instrument, "a set point", pressure_bar, self.lowest_bar, self.highest_bar, "bar")

    def check_ramp(self, ramp_bar_per_min: float) -> None:
        """Refuse a ramp, in bar/min, that is not above zero or too steep.

        Raises:
            Refused: naming the range.
        """
        refuse_outside(
            self.instrument, "a ramp", ramp_bar_per_min, 1e-4, self.most_ramp_bar_per_min, "bar/min"
        )
