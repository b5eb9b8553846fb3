"""The figures that a cell is graded by, their units, and whether a wrong pressure reading moves them.

How they are named and printed is in `grading.wording`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

FigureKey = Literal[
    "air_output_mv",
    "oxygen_output_mv",
    "indication_error_percent",
    "linear_to_bar",
    "air_slope_agreement_percent",
    "t90_s",
    "hysteresis_percent",
    "fade_percent_per_min",
    "noise_percent",
]


@dataclass(frozen=True, slots=True)
class FigureKind:
    """What there is to say about a figure whatever its value.

    Attributes:
        key: as in limits files and in JSON.
        unit: as printed after the value.
        hangs_on_pressure: whether the pressure as read moves it, so that a typed reading limits it to watch.
    """

    key: FigureKey
    unit: str
    hangs_on_pressure: bool


FIGURE_KINDS: dict[FigureKey, FigureKind] = {
    kind.key: kind
    for kind in (
        FigureKind("air_output_mv", "mV", False),
        FigureKind("oxygen_output_mv", "mV", True),
        FigureKind("indication_error_percent", "%", True),
        FigureKind("linear_to_bar", "bar", True),
        FigureKind("air_slope_agreement_percent", "%", True),
        FigureKind("t90_s", "s", False),
        FigureKind("hysteresis_percent", "%", True),
        FigureKind("fade_percent_per_min", "%/min", False),
        FigureKind("noise_percent", "%", False),
    )
}
