"""Pressures that a person types: always with a unit, never with a decimal comma."""

from __future__ import annotations

import re
from dataclasses import dataclass

from grading.gas import KILOPASCAL_BAR, PSI_BAR

_UNITS: dict[str, tuple[float, bool]] = {
    "bara": (1.0, False),
    "barg": (1.0, True),
    "mbara": (1e-3, False),
    "mbarg": (1e-3, True),
    "hpa": (1e-3, False),
    "kpaa": (KILOPASCAL_BAR, False),
    "kpag": (KILOPASCAL_BAR, True),
    "psia": (PSI_BAR, False),
    "psig": (PSI_BAR, True),
}
_TEXT = re.compile(r"(?P<number>[-+]?\d+(?:\.\d+)?)\s*(?P<unit>[a-z]*)", re.IGNORECASE)
_RIGHT = "write number and unit, for example 1.6 bara (absolute) or 0.6 barg (gauge)"


class TypedWrong(ValueError):
    """The text is not a pressure; the message is one line that says what would be right."""


@dataclass(frozen=True, slots=True)
class TypedPressure:
    """A pressure as typed, in bar; gauge pressure is against ambient."""

    bar: float
    is_gauge: bool

    def absolute_bar(self, ambient_bar: float) -> float:
        """Absolute pressure in bar, given the ambient pressure in bar."""
        return self.bar + ambient_bar if self.is_gauge else self.bar

    def gauge_bar(self, ambient_bar: float) -> float:
        """Gauge pressure in bar, given the ambient pressure in bar."""
        return self.bar if self.is_gauge else self.bar - ambient_bar


def read_pressure(text: str) -> TypedPressure:
    """Read a pressure as typed.

    Raises:
        TypedWrong: a decimal comma, no unit, an unknown unit, or no number at all.
    """
    found = _TEXT.fullmatch(text.strip())
    if found is None:
        if re.match(r"\s*[-+]?\d+,\d", text):
            raise TypedWrong(f"'{text}' has a comma; {_RIGHT}")
        raise TypedWrong(f"'{text}' is not a pressure; {_RIGHT}")
    unit = found["unit"].lower()
    if not unit:
        raise TypedWrong(f"'{text}' has no unit; {_RIGHT}")
    if unit not in _UNITS:
        if f"{unit}a" in _UNITS:
            raise TypedWrong(f"'{text}' does not say absolute or gauge; {_RIGHT}")
        raise TypedWrong(f"'{text}': the unit '{found['unit']}' is not known here; {_RIGHT}")
    in_bar, is_gauge = _UNITS[unit]
    return TypedPressure(float(found["number"]) * in_bar, is_gauge)


def both_ways(absolute_bar: float, ambient_bar: float) -> str:
    """A pressure in the units that a dial may have: absolute and gauge in bar, gauge in psi."""
    gauge_bar = absolute_bar - ambient_bar
    # Adding zero removes the sign of a negative zero.
    bar, psi = round(gauge_bar, 2) + 0.0, round(gauge_bar / PSI_BAR, 1) + 0.0
    return f"{absolute_bar:.3f} bar absolute = {bar:.2f} bar gauge ({psi:.1f} psi gauge)"
