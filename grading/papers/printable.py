"""Text for print: control characters shown, places to break in long words.

Serials, names and notes come from people, barcode scanners and files; nothing in them may break a page.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

from grading import wording

BREAK: Final = "\u200b"
_RUN: Final = 18
_LONGEST: Final = 4000
_LONG_WORD: Final = re.compile(rf"\S{{{_RUN + 1},}}")
_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°C|bar|mbar|mV|µV|s|K)(?![^\W\d_]))|(?<=±) (?=\d)")
"""The space between a number and its unit, where no line may break."""
FONTS: Final = Path(__file__).parent / "fonts"


def printable(text: str) -> str:
    """Text as it is printed on paper.

    As `wording.visible`. In addition, words longer than 18 characters get places to break, a number stays
    with its unit, and a very long text is cut with a note.
    """
    if len(text) > _LONGEST:
        text = f"{text[:_LONGEST]} … ({len(text) - _LONGEST} more characters; the attached data have them)"
    return _UNIT.sub("\u00a0", _LONG_WORD.sub(_breakable, wording.visible(text)))


def _breakable(match: re.Match[str]) -> str:
    word = match.group()
    return BREAK.join(word[i : i + _RUN] for i in range(0, len(word), _RUN))


def without_missing(data: Any, font_folders: tuple[Path, ...]) -> Any:
    """The same JSON data with every character that no font has replaced by its code point."""
    if isinstance(data, str):
        known = _coverage(font_folders)
        return "".join(c if ord(c) in known else wording.code_point(c) for c in data)
    if isinstance(data, Mapping):
        return {key: without_missing(value, font_folders) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [without_missing(value, font_folders) for value in data]
    return data


@lru_cache(maxsize=4)
def _coverage(folders: tuple[Path, ...]) -> frozenset[int]:
    """Every code point that a font in the folders has a glyph for."""
    from matplotlib.ft2font import FT2Font

    known = {ord(BREAK)}
    for folder in folders:
        for file in sorted(folder.rglob("*")):
            if file.suffix.lower() in {".ttf", ".otf", ".ttc"}:
                known.update(FT2Font(str(file)).get_charmap())
    return frozenset(known)
