"""Strict reading of TOML files that a person edits: every problem is reported with file, line and key.

Shared by every kind of file (bench, procedure, limits): a pydantic model defines what is allowed, this module
words the errors. Unknown keys are errors, reported with the nearest valid key.
"""

from __future__ import annotations

import hashlib
import re
import stat
import tomllib
import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo

from rig_configs.files.suggestions import suggestion

KeyPath = tuple[str | int, ...]

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_LONGEST_SHOWN = 60
_MOST_BYTES = 2_000_000


class FileError(Exception):
    """A file that cannot be used as it is.

    Attributes:
        problems: one sentence each, with file, line if known, key, what is wrong, what would be right.
    """

    def __init__(self, *problems: str) -> None:
        super().__init__("\n".join(problems))
        self.problems = problems


class StrictModel(BaseModel):
    """Base of every model of an edited file: unknown keys, wrong types, NaN and infinity are refused."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class TomlText:
    """The text of one file, with the line numbers of its keys.

    Attributes:
        file: its name in messages.
        text: exactly as read; goes into the record.
        sha256: hex digest of the UTF-8 bytes.
        lines: line number, from 1, of each table and key.
    """

    file: str
    text: str
    sha256: str = field(init=False)
    lines: dict[KeyPath, int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "sha256", hashlib.sha256(self.text.encode()).hexdigest())
        object.__setattr__(self, "lines", key_lines(self.text))

    def where(self, path: Sequence[str | int]) -> str:
        """Return `file:line` of a key, or of the nearest table around it that has a line."""
        for length in range(len(path), 0, -1):
            line = self.lines.get(tuple(path[:length]))
            if line is not None:
                return f"{self.file}:{line}"
        return self.file

    def problem(self, path: Sequence[str | int], what: str) -> str:
        """Return one sentence that names file, line and key."""
        key = dotted(path)
        return f"{self.where(path)}: {key}: {what}" if key else f"{self.where(path)}: {what}"


ModelT = TypeVar("ModelT", bound=BaseModel)


def read_text(path: Path) -> TomlText:
    """Read a file as UTF-8 text.

    Raises:
        FileError: it is missing, not a regular file, far too large, not readable or not UTF-8.
    """
    try:
        about = path.stat()
        # Checked before it is opened: reading a pipe could block without end, and some devices never end.
        if not (stat.S_ISREG(about.st_mode) or stat.S_ISDIR(about.st_mode)):
            raise FileError(f"{path}: is a pipe or a device, not a file; save its text as a file")
        if about.st_size > _MOST_BYTES:
            raise FileError(
                f"{path}: holds {about.st_size / 1e6:.0f} MB where a few kB are usual and "
                f"{_MOST_BYTES / 1e6:.0f} MB is the most; is it the right file?"
            )
        return TomlText(str(path), path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise FileError(f"{path}: no such file") from None
    except IsADirectoryError:
        raise FileError(f"{path}: is a folder, not a file") from None
    except UnicodeDecodeError as error:
        raise FileError(f"{path}: not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    except OSError as error:
        raise FileError(f"{path}: cannot be read: {error.strerror or error}") from None


def parse(source: TomlText, model: type[ModelT]) -> ModelT:
    """Read TOML text into a model.

    Raises:
        FileError: with every problem found, one sentence each.
    """
    try:
        content = tomllib.loads(source.text)
    except tomllib.TOMLDecodeError as error:
        raise FileError(_syntax_problem(source, str(error))) from None
    except RecursionError:
        raise FileError(f"{source.file}: not valid TOML: brackets nested too deep") from None
    _check_kind(source, model, content)
    try:
        return model.model_validate(content)
    except ValidationError as error:
        raise FileError(
            *(source.problem(item["loc"], what_is_wrong(model, item)) for item in error.errors())
        ) from None


def _check_kind(source: TomlText, model: type[BaseModel], content: dict[str, Any]) -> None:
    """Refuse a file of another kind at once: a list of all its unknown keys would not show that."""
    field_ = _fields(model).get("schema")
    given = content.get("schema")
    if field_ is None or not isinstance(given, str):
        return
    wanted = str(typing.get_args(field_.annotation)[0])
    kind, _, version = given.partition("/")
    if kind != wanted.partition("/")[0] and kind.startswith("leadline.") and version:
        raise FileError(
            source.problem(("schema",), f"'{given}' is another kind of file; '{wanted}' is needed here")
        )


def dotted(path: Sequence[str | int]) -> str:
    """Return `limits.ramp` or `steps[2].po2_bar`, items counted from 1."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            text += f".{part}" if text else part
    return text


def key_lines(text: str) -> dict[KeyPath, int]:
    """Return the line, from 1, of every table header and key. Keys inside inline tables are left out."""
    lines: dict[KeyPath, int] = {}
    arrays: dict[KeyPath, int] = {}
    table: KeyPath = ()
    until: str | None = None
    depth = 0
    for number, line in enumerate(text.splitlines(), start=1):
        if until is not None:
            if until in line:
                until = None
            continue
        stripped = line.strip()
        if depth > 0:
            depth += _open_brackets(stripped)
            continue
        if not stripped or stripped.startswith("#"):
            continue
        if stripped.startswith("["):
            header = stripped.lstrip("[").split("]")[0]
            names, _ = _split_keys(header)
            path = _indexed(names, arrays)
            if stripped.startswith("[["):
                lines.setdefault(path, number)
                arrays[path] = arrays.get(path, -1) + 1
                path = (*path, arrays[path])
            table = path
            lines.setdefault(path, number)
            continue
        names, rest = _split_keys(stripped)
        if not names or not rest.lstrip().startswith("="):
            continue
        lines.setdefault((*table, *names), number)
        value = rest.lstrip()[1:].strip()
        quote = value[:3]
        if quote in ('"""', "'''"):
            until = quote if quote not in value[3:] else None
        else:
            depth = max(0, _open_brackets(value))
    return lines


def _indexed(names: Sequence[str], arrays: dict[KeyPath, int]) -> KeyPath:
    """Return the path with the index of the current item after every array of tables on the way."""
    path: KeyPath = ()
    for position, name in enumerate(names):
        path = (*path, name)
        if path in arrays and position < len(names) - 1:
            path = (*path, arrays[path])
    return path


def _split_keys(text: str) -> tuple[list[str], str]:
    """Split a dotted key off the front of `text`; return its parts and what follows."""
    names: list[str] = []
    rest = text.lstrip()
    while rest:
        if rest[0] in "\"'":
            end = rest.find(rest[0], 1)
            if end < 0:
                break
            names.append(rest[1:end])
            rest = rest[end + 1 :].lstrip()
        else:
            match = _BARE_KEY.match(rest)
            if match is None:
                break
            names.append(match.group())
            rest = rest[match.end() :].lstrip()
        if not rest.startswith("."):
            break
        rest = rest[1:].lstrip()
    return names, rest


def _open_brackets(text: str) -> int:
    """Return how many brackets `text` opens and does not close, outside strings and comments."""
    depth = 0
    quote = ""
    for character in text:
        if quote:
            if character == quote:
                quote = ""
        elif character in "\"'":
            quote = character
        elif character == "#":
            break
        elif character in "[{":
            depth += 1
        elif character in "]}":
            depth -= 1
    return depth


def _syntax_problem(source: TomlText, message: str) -> str:
    found = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if found is None:
        return f"{source.file}: not valid TOML: {message}"
    what = message[: found.start()]
    if found.group(1) is None:
        return f"{source.file}: not valid TOML: {what} at the end of the file"
    return f"{source.file}:{found.group(1)}: not valid TOML: {what} (column {found.group(2)})"


def what_is_wrong(model: type[BaseModel], error: Mapping[str, Any]) -> str:
    """Return pydantic's error as a clause for a person, without the place and the key.

    Args:
        model: the model that the file was read into.
        error: one item of a `ValidationError`'s `errors()`.
    """
    path: KeyPath = tuple(error["loc"])
    kind = error["type"]
    if kind == "extra_forbidden":
        return f"unknown key; {suggestion(str(path[-1]), _keys_at(model, path[:-1]))}"
    if kind == "missing":
        meaning = _description(model, path)
        return f"missing{f'; it gives the {meaning}' if meaning else ''}"
    found = error.get("input")
    if kind == "value_error":
        what = str(error["ctx"]["error"])
        return f"{what}, found {_shown(found)}" if what.startswith("should") else what
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        near = suggestion(found, choices) if isinstance(found, str) else f"valid: {', '.join(choices)}"
        return f"{_shown(found)} is not a valid word; {near}"
    return f"{_plain_message(kind, str(error['msg']), found)}, found {_shown(found)}"


def _shown(found: object) -> str:
    if isinstance(found, dict):
        return "a table"
    if isinstance(found, list):
        return "a list"
    text = repr(found)
    return text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."


def _plain_message(kind: str, message: str, found: object) -> str:
    """Return pydantic's message on a wrong value, in TOML terms."""
    if kind in ("float_type", "int_type") and isinstance(found, str):
        return "should be a number without quotes"
    if kind == "string_type" and not isinstance(found, (dict, list)):
        return "should be text in quotes"
    if kind in ("date_type", "date_from_datetime_parsing", "date_parsing") and isinstance(found, str):
        return "should be a date without quotes, such as 2027-02-10"
    if kind == "string_too_short":
        return "should not be empty"
    if kind in ("model_type", "dict_type"):
        return "should be a table"
    return message.replace("Input should be", "should be")


def _keys_at(model: type[BaseModel], path: Sequence[str | int]) -> list[str]:
    """Return the valid keys of the table at `path`, or none where the model does not fix them."""
    reached = _model_at(model, path)
    return list(_fields(reached)) if reached is not None else []


def _description(model: type[BaseModel], path: Sequence[str | int]) -> str:
    """Return the description of the field at `path`, or an empty string."""
    reached = _model_at(model, path[:-1])
    if reached is None:
        return ""
    found = _fields(reached).get(str(path[-1]))
    return (found.description or "") if found is not None else ""


def _model_at(model: type[BaseModel], path: Sequence[str | int]) -> type[BaseModel] | None:
    """Follow `path` through the annotations of nested models, dicts, lists and optionals."""
    here: Any = model
    for part in path:
        if isinstance(here, type) and issubclass(here, BaseModel):
            found = _fields(here).get(str(part))
            here = _unwrapped(found.annotation) if found is not None else None
        else:
            arguments = typing.get_args(here)
            origin = typing.get_origin(here)
            if origin is dict and len(arguments) == 2:
                here = _unwrapped(arguments[1])
            elif origin in (list, tuple) and arguments:
                here = _unwrapped(arguments[0])
            else:
                here = None
        if here is None:
            return None
    return here if isinstance(here, type) and issubclass(here, BaseModel) else None


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return a model's fields by the key that a file writes."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def _unwrapped(annotation: Any) -> Any:
    """Return X of `X | None`; anything else as it is."""
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        inner = [item for item in typing.get_args(annotation) if item is not type(None)]
        return inner[0] if len(inner) == 1 else None
    return annotation
