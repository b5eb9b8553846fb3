"""What identifies a paper: attached data, digest, number, QR text and file name."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import PurePath
from typing import Final
from urllib.parse import quote

from grading.document import to_json
from grading.results import CellResult, Grade, Grading

_RECORD_ID: Final = re.compile(r"(\d{4})-(\d{2})-(\d{2})T\d{6}Z-([0-9A-Za-z]+)")
_SCHEME: Final = "LL1"
_LONGEST_SERIAL_IN_CODE: Final = 48
_LETTER: Final[dict[Grade, str]] = {"pass": "P", "watch": "W", "reject": "R", "ungraded": "U"}


@dataclass(frozen=True, slots=True)
class Identity:
    """Identity of one paper.

    Attributes:
        data: the results behind the paper as canonical JSON (sorted keys, no spaces, ASCII): the attachment.
        sha256: hex digest of `data`, so that an extracted attachment can be checked with any tool.
        number: unique number of the paper. It ends in four characters of the digest: the same results have
            the same number, other limits or another program version another one.
    """

    data: bytes
    sha256: str
    number: str

    @property
    def digest_base32(self) -> str:
        """The digest in 52 characters that a QR code packs tightly."""
        return base64.b32encode(bytes.fromhex(self.sha256)).decode().rstrip("=")


def identify(grading: Grading, cells: Iterable[CellResult], mark: str) -> Identity:
    """Identity of a paper on `cells`; `mark` differs between the papers of one run ("01", "SUM")."""
    # The folder of a source is not part of a result, and a customer need not see it.
    part = replace(grading, source=PurePath(grading.source).name, cells=tuple(cells))
    data = json.dumps(to_json(part), sort_keys=True, separators=(",", ":"), allow_nan=False).encode()
    sha256 = hashlib.sha256(data).hexdigest()
    check = base64.b32encode(bytes.fromhex(sha256)).decode()[:4]
    return Identity(data, sha256, f"{_run_part(grading)}-{mark}-{check}")


def _run_part(grading: Grading) -> str:
    """Day and random part of a record id; for other sources eight characters of a digest of the whole."""
    match = _RECORD_ID.fullmatch(grading.conditions.record_id)
    if match is not None:
        year, month, day, tail = match.groups()
        return f"{year}{month}{day}-{tail.upper()}"
    whole = json.dumps(to_json(replace(grading, source=PurePath(grading.source).name)), sort_keys=True)
    return base64.b32encode(hashlib.sha256(whole.encode()).digest()).decode()[:8]


def code_text(identity: Identity, serial: str, grade: Grade) -> str:
    """Text of the QR code: scheme, number, serial, grade letter, digest. No address: shops have no server.

    A serial is percent-encoded, so that a colon in it is no separator. An overlong serial is left out;
    the number still identifies the paper.
    """
    coded = quote(serial, safe="", errors="surrogatepass")
    if len(coded) > _LONGEST_SERIAL_IN_CODE:
        coded = ""
    return f"{_SCHEME}:{identity.number}:{coded}:{_LETTER[grade]}:{identity.digest_base32}"


def code_svg(text: str) -> bytes:
    """A QR code, error correction M (ISO/IEC 18004), as SVG."""
    import io

    import segno

    buffer = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        buffer, kind="svg", border=2, xmldecl=False, svgns=True, omitsize=True
    )
    return buffer.getvalue()


def safe_name(serial: str) -> str:
    """A file name part from any serial: letters, digits, dot, dash and underscore, at most 60 characters.

    No part of a path is kept: no separators, no leading dot, no reserved device name.
    """
    text = unicodedata.normalize("NFC", serial)
    text = "".join(c if c.isalnum() or c in "-_." else "_" for c in text)
    text = re.sub(r"_{2,}", "_", text).strip("._ ")[:60]
    while len(text.encode()) > 120:
        text = text[:-1]
    if not text:
        return "cell"
    reserved = text.split(".")[0].upper() in _DEVICES
    return f"cell_{text}" if reserved else text


_DEVICES: Final = frozenset(
    {"CON", "PRN", "AUX", "NUL"} | {f"{port}{n}" for port in ("COM", "LPT") for n in range(1, 10)}
)
