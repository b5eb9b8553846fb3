"""Standard streams: closed ones, and terminals and pipes that cannot show every character."""

from __future__ import annotations

import codecs
import io
import os
import sys
from typing import Final

# Replacements for characters that cannot be shown; a minus shown as '?' would change a number.
_PLAIN: Final = str.maketrans(
    {
        "−": "-",
        "–": "-",
        "—": "-",
        "±": "+/-",
        "≥": ">=",
        "°": "deg ",
        "µ": "u",
        "·": "-",
        "✔": "+",
        "▲": "!",
        "✖": "x",
        "○": "o",
        "∞": "inf",
        "•": "*",
        "▏": "_",
        "━": "=",
        "╸": "=",
        "╺": "=",
    }
)
_HANDLER: Final = "leadline.plain"


def make_streams_safe() -> None:
    """Open closed streams on the null device; use plain characters where an encoding lacks ours."""
    _open_closed_ones()
    codecs.register_error(_HANDLER, _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_HANDLER)


def _open_closed_ones() -> None:
    """Open on the null device each stream that was closed at the start of the program.

    Python has None for it, and the next file opened, perhaps a record, would get the number of stdout.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            descriptor = os.open(os.devnull, os.O_RDWR)
            setattr(sys, name, os.fdopen(descriptor, mode, encoding="utf-8", closefd=False))


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end].translate(_PLAIN)
    return text.encode("ascii", "replace").decode("ascii"), error.end
