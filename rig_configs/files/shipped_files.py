"""Finds the file for a name on the command line: a shipped file of `rig_configs`, or a user's path."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Literal

from rig_configs.files.checked_toml import FileError, TomlText, read_text
from rig_configs.files.suggestions import nearest

Kind = Literal["benches", "procedures", "limits", "cells"]

_SUFFIX: dict[Kind, str] = {"benches": ".toml", "procedures": ".toml", "limits": ".toml", "cells": ".csv"}
_SINGULAR: dict[Kind, str] = {
    "benches": "bench",
    "procedures": "procedure",
    "limits": "limits file",
    "cells": "cells file",
}


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """What every checked file keeps of its source.

    Attributes:
        source: the file as read; its text and hash go into the record.
    """

    source: TomlText

    @property
    def file(self) -> str:
        """The file's name in messages."""
        return self.source.file

    @property
    def text(self) -> str:
        """The file's whole content."""
        return self.source.text

    @property
    def sha256(self) -> str:
        """Hash of the content, in lower-case hex."""
        return self.source.sha256


def open_config(kind: Kind, name_or_path: str | Path) -> TomlText:
    """Return the text of a shipped file (by bare name) or of a user's file (by path).

    Raises:
        FileError: nothing is there; with the nearest shipped file.
    """
    given = str(name_or_path)
    path = Path(given)
    if path.suffix.lower() == _SUFFIX[kind] or path.parent != Path() or path.is_file():
        return read_text(path)
    shipped = _folder(kind) / f"{given}{_SUFFIX[kind]}"
    if not shipped.is_file():
        names = shipped_names(kind)
        near = nearest(given, names)
        mend = f"did you mean '{near}'?" if near else f"shipped: {', '.join(names)}."
        raise FileError(f"no {_SINGULAR[kind]} is called '{given}'; {mend} Your own file needs a path")
    return TomlText(f"{given}{_SUFFIX[kind]}", shipped.read_text(encoding="utf-8"))


def shipped_names(kind: Kind) -> list[str]:
    """Return the names of the shipped files of one kind, sorted."""
    suffix = _SUFFIX[kind]
    return sorted(
        entry.name.removesuffix(suffix) for entry in _folder(kind).iterdir() if entry.name.endswith(suffix)
    )


def _folder(kind: Kind) -> Traversable:
    return files("rig_configs") / kind
