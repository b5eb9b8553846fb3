"""How screens write times and signed numbers."""

from __future__ import annotations

from grading.wording import number


def clock_text(seconds: float) -> str:
    """Return `4:07` or `1:04:07`."""
    whole = max(0, round(seconds))
    hours, rest = divmod(whole, 3600)
    minutes, secs = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{secs:02d}" if hours else f"{minutes}:{secs:02d}"


def counted(count: int, what: str) -> str:
    """Return `1 cell` or `2 cells`."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def maybe(value: float | None, decimals: int, *, signed: bool = False) -> str:
    """Return a number with fixed decimals, or a dash where there is none."""
    return "–" if value is None else number(value, decimals, signed=signed)
