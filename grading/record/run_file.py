"""Checked models of `run.json` and `end.json`: members, types and bounds.

Members that are not listed here come from a later version; they are kept in the file and not checked.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any, Final, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from grading.measurement import ErrorModel, SourceError
from grading.record.events import Count, Fraction, Moment, Socket
from grading.record.format import END_SCHEMA, RUN_SCHEMA
from grading.results import CellInfo, InstrumentLine
from rig_configs.files.checked_toml import dotted, what_is_wrong

_LARGEST: Final = 1e6


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False)


class FrozenFile(_Part):
    """A file that a person edits, kept whole in the record."""

    name: str = ""
    version: str = ""
    file: str = ""
    sha256: str = ""
    text: str = ""


class GasMembers(_Part):
    """The bottle: dry oxygen fraction and its standard uncertainty."""

    oxygen_fraction: Fraction
    u_oxygen_fraction: Fraction


class AmbientMembers(_Part):
    """The room: relative humidity, 0 to 1, and its standard uncertainty."""

    relative_humidity: Fraction
    u_relative_humidity: Fraction


class PotMembers(_Part):
    """The pot: free volume, plate value (absolute), number of sockets."""

    volume_l: float | None = None
    working_pressure_bar: float | None = None
    sockets: int | None = None


class TimeBase(_Part):
    """The clock of the record's times, and what that means in words."""

    clock: str = ""
    note: str = ""


def _is_usable(model: ErrorModel) -> ErrorModel:
    for name in ErrorModel.__dataclass_fields__:
        value = getattr(model, name)
        least = sys.float_info.min if name == "gauge_span_bar" else 0.0
        if isinstance(value, float) and not least <= value <= _LARGEST:
            raise ValueError(f"{name}: {value:g} is no valid uncertainty")
    for name, value in model.degrees_of_freedom.items():
        if value <= 0.0:
            raise ValueError(f"degrees_of_freedom.{name}: {value:g} is not above 0")
    return model


class RunFile(_Part):
    """`run.json`. Members without a default are read by grading."""

    record_id: str = Field(min_length=1)
    started_utc: Moment
    sockets: tuple[Socket, ...] = Field(max_length=1000)
    cells: tuple[CellInfo, ...] = Field(max_length=100_000)
    error_model: Annotated[ErrorModel, AfterValidator(_is_usable)]
    gas: GasMembers
    ambient: AmbientMembers
    software: dict[str, str] = {}
    time_base: TimeBase = TimeBase()
    operator: str = ""
    place: str = ""
    purpose: str = ""
    typed_pressure: bool = False
    bench: FrozenFile = FrozenFile()
    procedure: FrozenFile = FrozenFile()
    limits: FrozenFile | None = None
    pot: PotMembers = PotMembers()
    instruments: tuple[InstrumentLine, ...] = ()

    @model_validator(mode="after")
    def _names_each_socket_once(self) -> Self:
        if len(set(self.sockets)) < len(self.sockets):
            raise ValueError("sockets: one is listed twice")
        return self


def parse_run(where: Path, data: bytes) -> RunFile:
    """Read the bytes of a `run.json`.

    Args:
        where: the file, for the error.
        data: its bytes.

    Raises:
        SourceError: not JSON, of a version from the future, or a member that is missing or wrong; one line.
    """
    try:
        content: Any = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise SourceError(f"{where}: not readable as JSON ({error})") from None
    schema = content.get("schema") if isinstance(content, dict) else None
    if schema != RUN_SCHEMA:
        raise SourceError(f"{where}: schema is {schema!r}; this version of leadline reads {RUN_SCHEMA!r}")
    try:
        return RunFile.model_validate_json(data)
    except ValidationError as error:
        raise SourceError(f"{where}: {_in_words(RunFile, error)}") from None


class EndFile(_Part):
    """`end.json`: how the run ended, and the SHA-256 of the other files by name in `files`."""

    how: Literal["completed", "stopped", "tripped", "aborted"]
    why: str
    ended_utc: Moment
    files: dict[str, str]
    rows: Count
    events: Count


class BadEnd(ValueError):
    """An `end.json` that no run writes; the message says what is wrong, without the file."""


def parse_end(data: bytes) -> EndFile:
    """Read the bytes of an `end.json`.

    Raises:
        BadEnd: not JSON, of another version, or a member that is missing or wrong.
    """
    try:
        content: Any = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise BadEnd(f"not readable as JSON ({error})") from None
    if not isinstance(content, dict) or content.get("schema") != END_SCHEMA:
        raise BadEnd("not as a run writes it")
    try:
        return EndFile.model_validate_json(data)
    except ValidationError as error:
        raise BadEnd(f"not as a run writes it ({_in_words(EndFile, error)})") from None


def _in_words(model: type[BaseModel], error: ValidationError) -> str:
    first, *more = error.errors(include_url=False)
    key = dotted(first["loc"])
    return (
        (f"{key}: " if key else "")
        + what_is_wrong(model, first)
        + (f" (and {len(more)} more)" if more else "")
    )
