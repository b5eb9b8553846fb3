"""Suggestions for a misspelt word: one measure of likeness, one form of words."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from typing import Final

_LIKENESS: Final = 0.6
_MOST_LISTED: Final = 12


def nearest(word: str, choices: Iterable[str], likeness: float = _LIKENESS) -> str | None:
    """Return the choice that `word` was most likely meant to be, or None when none is close.

    Args:
        word: as written; upper and lower case count alike.
        choices: the valid words.
        likeness: least ratio of matching characters, 0 to 1. A higher one is for words that may be right as
            written, such as the serial of a cell at the head of a column.
    """
    by_lower = {choice.lower(): choice for choice in choices}
    found = difflib.get_close_matches(word.lower(), list(by_lower), n=1, cutoff=likeness)
    return by_lower[found[0]] if found else None


def suggestion(word: str, choices: Iterable[str]) -> str:
    """Return "did you mean 'x'?" or, when nothing is close, the list of valid words."""
    choices = list(choices)
    near = nearest(word, choices)
    if near is not None:
        return f"did you mean '{near}'?"
    listed = ", ".join(sorted(choices)[:_MOST_LISTED])
    return f"valid: {listed}{', ...' if len(choices) > _MOST_LISTED else ''}"
