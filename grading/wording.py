"""How figures, grades, limits and numbers are worded for people: on screen, in pictures and on paper.

The one place for names and number formats, so that a certificate and a terminal never disagree.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final

from grading.figure_kinds import FIGURE_KINDS
from grading.results import Direction, Figure, Gas, Grade

MINUS: Final = "−"
NOT_TESTED: Final = "not tested"

GRADE_WORD: Final[dict[Grade, str]] = {
    "pass": "PASS",
    "watch": "WATCH",
    "reject": "REJECT",
    "ungraded": "UNGRADED",
}
GRADE_MARK: Final[dict[Grade, str]] = {"pass": "✔", "watch": "▲", "reject": "✖", "ungraded": "○"}
GRADE_MEANING: Final[dict[Grade, str]] = {
    "pass": "Every figure tested is inside its pass limits, uncertainty included.",
    "watch": "Not clearly inside the pass limits, and not beyond the reject limits.",
    "reject": "At least one figure reaches beyond its reject limits.",
    "ungraded": "This test cannot support a grade. It says nothing good or bad about the cell.",
}

_DIRECTION: Final[dict[Direction, str]] = {"up": "rising", "down": "falling"}
_GAS: Final[dict[Gas, str]] = {"air": "air", "oxygen": "oxygen", "nitrogen": "nitrogen"}


def grade_text(grade: Grade) -> str:
    """Mark and word of a grade: never by colour, never by a mark alone."""
    return f"{GRADE_MARK[grade]} {GRADE_WORD[grade]}"


def figure_name(figure: Figure) -> str:
    """Name of a figure as printed, with its step where it has one."""
    name = kind_name(figure.key)
    if figure.nominal_po2_bar is None:
        return name
    return f"{name} at {figure.nominal_po2_bar:.1f} bar"


def kind_name(key: str) -> str:
    """Name of a figure as printed, without its step; an unknown key is printed as it is."""
    kind = FIGURE_KINDS.get(key)
    return kind.name if kind else key.replace("_", " ")


def not_graded(keys: Iterable[str]) -> str:
    """Which figures a limits file does not grade, in one sentence; empty when it grades them all."""
    names = "; ".join(kind_name(key) for key in keys)
    return f"Not graded under these limits: {names}." if names else ""


def direction_word(direction: Direction) -> str:
    """'rising' or 'falling'."""
    return _DIRECTION[direction]


def gas_word(gas: Gas) -> str:
    """Name of the gas of a step."""
    return _GAS[gas]


def number(value: float, decimals: int, *, signed: bool = False) -> str:
    """Fixed decimals with a true minus sign; a value that rounds to zero has no sign."""
    if not math.isfinite(value):
        return "—"
    text = f"{abs(value):.{decimals}f}"
    if not text.strip("0."):
        return text
    if value < 0:
        return MINUS + text
    return "+" + text if signed else text


def plain(value: float) -> str:
    """A limit or a setting with as few digits as it needs ("8.4", "14"), with a true minus sign."""
    return f"{value:.6g}".replace("-", MINUS)


def decimals_for(uncertainty: float | None, *, otherwise: int) -> int:
    """Decimals that show an uncertainty with two significant digits (JCGM 100:2008, 7.2.6), 0 to 5."""
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        return otherwise
    exponent = math.floor(math.log10(uncertainty))
    # 0.0996 rounds to 0.10, which already has its two digits one decade up
    if round(uncertainty, 1 - exponent) >= 10.0 ** (exponent + 1):
        exponent += 1
    return min(max(1 - exponent, 0), 5)


_DECIMALS_OF_UNKNOWN: Final = 3


def figure_value(figure: Figure) -> str:
    """Value of a figure without its unit: "50.24", "+0.31", "at least 2.0", or "not tested"."""
    if figure.at_least is not None:
        return f"at least {number(figure.at_least, 2)}"
    if figure.value is None:
        return NOT_TESTED
    kind = FIGURE_KINDS.get(figure.key)
    return number(figure.value, _decimals(figure), signed=kind is not None and kind.signed)


def figure_uncertainty(figure: Figure) -> str:
    """Expanded uncertainty of a figure without its unit; "undetermined" is never shown as zero."""
    if figure.value is None or figure.at_least is not None:
        return ""
    u = figure.expanded_uncertainty
    if u is None or not math.isfinite(u):
        return "undetermined"
    return number(u, _decimals(figure))


def _decimals(figure: Figure) -> int:
    kind = FIGURE_KINDS.get(figure.key)
    otherwise = kind.decimals if kind else _DECIMALS_OF_UNKNOWN
    return decimals_for(figure.expanded_uncertainty, otherwise=otherwise)


def figure_quantity(figure: Figure) -> str:
    """Value, uncertainty and unit in one: "50.24 ± 0.11 mV"."""
    value = figure_value(figure)
    if value == NOT_TESTED:
        return value
    uncertainty = figure_uncertainty(figure)
    unit = "" if figure.unit == "" else f" {figure.unit}"
    if not uncertainty:
        return value + unit
    if uncertainty == "undetermined":
        return f"{value}{unit}, U undetermined"
    return f"{value} ± {uncertainty}{unit}"


def pass_limits(figure: Figure) -> str:
    """Pass limits in words: "8.4 to 14", "within ±2.5", "at most 6"; a dash where there are none."""
    lower, upper = figure.pass_limits or (None, None)
    if lower is not None and upper is not None:
        if lower == -upper:
            return f"within ±{plain(upper)}"
        return f"{plain(lower)} to {plain(upper)}"
    if lower is not None:
        return f"at least {plain(lower)}"
    if upper is not None:
        return f"at most {plain(upper)}"
    return "—"


def reject_limits(figure: Figure) -> str:
    """Reject limits in words: "below 7.2, above 16", "beyond ±5"; a dash where there are none."""
    lower, upper = figure.reject_limits or (None, None)
    if lower is not None and upper is not None:
        if lower == -upper:
            return f"beyond ±{plain(upper)}"
        return f"below {plain(lower)}, above {plain(upper)}"
    if lower is not None:
        return f"below {plain(lower)}"
    if upper is not None:
        return f"above {plain(upper)}"
    return "—"


def probability(value: float | None) -> str:
    """Probability of conformity in percent; never "100 %" nor "0 %", which no measurement can give."""
    if value is None or not math.isfinite(value):
        return "—"
    if value > 0.999:
        return "> 99.9 %"
    if value < 0.001:
        return "< 0.1 %"
    if 0.01 <= value <= 0.99:
        return f"{100 * value:.0f} %"
    return f"{100 * value:.1f} %"


_HIDDEN: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def visible(text: str) -> str:
    """Text from a person, a scanner or a file on one line, with nothing hidden in it.

    Line breaks and tabs become spaces; control, format, unassigned and unpaired surrogate characters are
    shown by their code point, so that hidden characters in a serial are seen and no file format fails on
    them.
    """
    flat = unicodedata.normalize("NFC", " ".join(text.split()))
    return "".join(code_point(c) if unicodedata.category(c) in _HIDDEN else c for c in flat)


def code_point(character: str) -> str:
    """A character by its number: "[U+6F5C]"."""
    return f"[U+{ord(character):04X}]"


def moment(iso: str) -> str:
    """An ISO 8601 stamp as "2026-03-02 10:15 UTC"; anything else as it stands."""
    stamp = parse_moment(iso)
    return iso if stamp is None else f"{stamp:%Y-%m-%d %H:%M} UTC"


def parse_moment(iso: str) -> datetime | None:
    """An ISO 8601 stamp in UTC (a stamp without a zone is taken as UTC), or None when it is not one."""
    try:
        stamp = datetime.fromisoformat(iso)
    except ValueError:
        return None
    if stamp.tzinfo is None:
        return stamp.replace(tzinfo=UTC)
    return stamp.astimezone(UTC)
