"""Makes a PDF from JSON data and pictures through typst.

All input is bytes in memory; no network, no system fonts, no clock. The same input gives the
same bytes with the same version of typst.
"""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from grading.papers.printable import FONTS, without_missing
from rig_configs.files.checked_toml import FileError

if TYPE_CHECKING:
    import typst

_FOLDER: Final = Path(__file__).parent
_STANDARDS: Final[tuple[Literal["a-3a", "ua-1"], ...]] = ("a-3a", "ua-1")
_NO_GLYPH: Final = re.compile(r"the text `\"(.+?)\"` could not be displayed", re.DOTALL)
_log = logging.getLogger("leadline.certificate")


class CertificateError(FileError):
    """A paper that could not be made: one line that says what is wrong and what would be right."""


@dataclass(frozen=True, slots=True)
class Paper:
    """One paper before it is printed.

    Attributes:
        template: file name of the template in this package.
        content: what the template reads as data.json.
        files: pictures and attachments by the name that the template uses.
    """

    template: str
    content: Mapping[str, Any]
    files: Mapping[str, bytes]

    @property
    def number(self) -> str:
        """Its unique number."""
        return str(self.content["number"])

    def sources(self) -> Any:
        """Everything that typst reads, by name (its stubs do not allow a mapping here)."""
        return {
            "main": (_FOLDER / self.template).read_bytes(),
            "style.typ": (_FOLDER / "style.typ").read_bytes(),
            "data.json": json.dumps(self.content, ensure_ascii=False).encode(),
            **self.files,
        }


def print_pdf(paper: Paper, *, font_folders: Sequence[Path] = ()) -> bytes:
    """Make a tagged, archival PDF (PDF/A-3a and PDF/UA-1).

    Characters that no font has do not stop a paper: they are printed by their code point and a warning is
    logged. The attached data keep them as they are.

    Args:
        paper: what to print.
        font_folders: more fonts, for scripts that DejaVu lacks.

    Raises:
        CertificateError: the paper cannot be made.
    """
    import typst

    folders = (FONTS, *font_folders)
    try:
        return _compile(paper, folders, _STANDARDS)
    except typst.TypstError as error:
        missing = _NO_GLYPH.findall(error.diagnostic or error.message)
        if not missing:
            raise CertificateError(f"{paper.number}: {_one_line(error)}") from None
    _log.warning(
        "%s: no font here has %s; printed by code point instead (give a folder of fonts that have them)",
        paper.number,
        ", ".join(f"'{text}'" for text in dict.fromkeys(missing)),
    )
    spelled = replace(paper, content=without_missing(paper.content, folders))
    try:
        return _compile(spelled, folders, _STANDARDS)
    except typst.TypstError as error:
        _log.warning("%s: not an archival PDF: %s", paper.number, _one_line(error))
    try:
        return _compile(spelled, folders, ())
    except typst.TypstError as error:
        raise CertificateError(f"{paper.number}: {_one_line(error)}") from None


def _compile(paper: Paper, folders: tuple[Path, ...], standards: Sequence[Literal["a-3a", "ua-1"]]) -> bytes:
    import typst

    pdf: bytes = typst.compile(
        paper.sources(),
        font_paths=fonts(folders),
        ignore_system_fonts=True,
        pdf_standards=list(standards),
        timestamp=paper.content["timestamp"],
    )
    return pdf


@lru_cache(maxsize=2)
def fonts(folders: tuple[Path, ...] = (FONTS,)) -> typst.Fonts:
    """The fonts of these folders only."""
    import typst

    return typst.Fonts(
        include_system_fonts=False,
        include_embedded_fonts=False,
        font_paths=[str(folder) for folder in folders],
    )


def _one_line(error: typst.TypstError) -> str:
    text = error.message or (error.diagnostic or "").split("\n", 1)[0] or "the typesetter gave no reason"
    return " ".join(text.split())
