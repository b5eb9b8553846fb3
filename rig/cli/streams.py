"""Standard streams as they come: closed ones, and terminals and pipes that cannot show every sign."""

from __future__ import annotations

import codecs
import io
import os
import sys
from typing import Final

# What a sign of ours becomes where it cannot be shown; a minus that turned into '?' would change a number.
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
    """Open closed streams on nothing; let a plain sign stand where an encoding lacks ours."""
    _open_closed_ones()
    codecs.register_error(_HANDLER, _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_HANDLER)


def _open_closed_ones() -> None:
    """Open on nothing what was closed when the program was started.

    Python has None in its place; and the next file opened, a record perhaps, would get the number of stdout.
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
