"""Large digits for the number that is read from across the room."""

from __future__ import annotations

from typing import Final

# Five rows of three: each digit as drawn on squared paper.
_PIXELS: Final[dict[str, tuple[str, ...]]] = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    ".": (" ", " ", " ", " ", "#"),
    "-": ("   ", "   ", "###", "   ", "   "),
    " ": ("   ", "   ", "   ", "   ", "   "),
}
_HALVES: Final = {(" ", " "): " ", ("#", " "): "▀", (" ", "#"): "▄", ("#", "#"): "█"}
_ROWS: Final = 5


def large(text: str, *, unicode: bool = True) -> list[str]:
    """Return `text` in large digits as lines: three of half blocks, or five of plain signs.

    Args:
        text: digits, point, minus and blanks.
        unicode: whether the terminal can show half blocks.
    """
    rows = [" ".join(_PIXELS[sign][row] for sign in text) for row in range(_ROWS)]
    if not unicode:
        return rows
    rows.append(" " * len(rows[0]))
    return [
        "".join(_HALVES[pair] for pair in zip(rows[top], rows[top + 1], strict=True))
        for top in range(0, _ROWS + 1, 2)
    ]
