"""Refusing a command before it reaches the wire."""

from __future__ import annotations

import math

from drivers.errors import Refused


def refuse_outside(
    instrument: str, what: str, value: float, lowest: float, highest: float, unit: str = ""
) -> None:
    """Refuse a value that is out of range; nothing is ever clipped.

    Raises:
        Refused: when `value` is no number from `lowest` to `highest`, both in `unit`.
    """
    if not (math.isfinite(value) and lowest <= value <= highest):
        suffix = f" {unit}" if unit else ""
        raise Refused(
            instrument, f"{what} of {value:g}{suffix} is not within {lowest:g} to {highest:g}{suffix}"
        )
