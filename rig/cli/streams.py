"""Output on terminals and pipes that cannot show every sign."""

from __future__ import annotations

import codecs
import io
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
    """Let stdout and stderr write a plain sign where their encoding lacks ours, instead of failing."""
    codecs.register_error(_HANDLER, _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors=_HANDLER)


def _plain(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end].translate(_PLAIN)
    return text.encode("ascii", "replace").decode("ascii"), error.end
