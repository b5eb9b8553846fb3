"""The figures that a cell is graded by: one row each, from which names, columns and limits follow.

A new figure is a row here, its arithmetic in `grading.judgement`, and its table in a limits file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

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
"""The keys of `FIGURE_KINDS`, for the type checker."""

LimitPair = tuple[float | None, float | None]
"""Lower and upper limit in the unit of the figure; None on a side without one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureKind:
    """What is fixed for a figure, independent of its value.

    Attributes:
        key: as in limits files and in JSON.
        unit: as printed after the value.
        name: as printed before it.
        decimals: of a value whose uncertainty is undetermined; otherwise the uncertainty sets them.
        short_decimals: of a value in a table of many cells.
        signed: a value above zero is printed with its plus sign.
        depends_on_pressure: it changes with the pressure reading, so that a typed reading limits it to watch.
        by_step: one value for each step in oxygen; its limits are given in bands of nominal PO2, and in
            JSON it is keyed by the step.
        as_display: a reason gives the display of a handset and how far that is low or high, instead of the
            value and the limit with their signs.
        consequence: what a reason adds to a value that has not passed.
        must_stand: a limits file without a table for it is refused.
        since: first version of the limits file (`leadline.limits/N`) that knows it.
    """

    key: FigureKey
    unit: str
    name: str
    decimals: int
    short_decimals: int = 1
    signed: bool = False
    depends_on_pressure: bool = False
    by_step: bool = False
    as_display: bool = False
    consequence: str = ""
    must_stand: bool = False
    since: int = 1


_ROWS: Final = (
    FigureKind(key="air_output_mv", unit="mV", name="Output in air, at PO2 0.2095 bar", decimals=2),
    FigureKind(
        key="oxygen_output_mv",
        unit="mV",
        name="Output in oxygen, at PO2 1.0 bar",
        decimals=2,
        depends_on_pressure=True,
        must_stand=True,
    ),
    FigureKind(
        key="indication_error_percent",
        unit="%",
        name="Indication error",
        decimals=2,
        signed=True,
        depends_on_pressure=True,
        by_step=True,
        as_display=True,
        must_stand=True,
    ),
    FigureKind(
        key="linear_to_bar",
        unit="bar",
        name="Linear up to",
        decimals=3,
        short_decimals=2,
        depends_on_pressure=True,
        consequence="above it, a handset is over 5 % wrong",
    ),
    FigureKind(
        key="air_slope_agreement_percent",
        unit="%",
        name="Air/oxygen ratio against the straight line",
        decimals=2,
        signed=True,
        depends_on_pressure=True,
    ),
    FigureKind(key="t90_s", unit="s", name="Response time T90", decimals=1),
    FigureKind(key="hysteresis_percent", unit="%", name="Hysteresis", decimals=2, depends_on_pressure=True),
    FigureKind(key="fade_percent_per_min", unit="%/min", name="Drop while held, top step", decimals=2),
    FigureKind(key="noise_percent", unit="%", name="Noise, rms over a hold", decimals=2),
)

FIGURE_KINDS: dict[str, FigureKind] = {kind.key: kind for kind in _ROWS}
"""By key, in the order in which figures are printed."""
