"""Checks the `options` table of one instrument against what its driver lets a bench file set."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from types import NoneType
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator
from pydantic_core import ErrorDetails

from drivers.errors import BadSpec
from drivers.ports import InstrumentSpec

_LONGEST_SHOWN: Final = 60


class Options(BaseModel):
    """Base of every driver's options: unknown keys are refused, values do not change afterwards.

    A bench file has no word for "none": `false` switches off a part that an instrument does not have.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    @model_validator(mode="before")
    @classmethod
    def _false_is_none(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        optional = {
            name for name, field in cls.model_fields.items() if NoneType in get_args(field.annotation)
        }
        return {key: None if value is False and key in optional else value for key, value in given.items()}


OptionsT = TypeVar("OptionsT", bound=Options)


def nearest(word: str, words: Iterable[str]) -> str | None:
    """Return the one of `words` that looks most like `word`, or None when none does."""
    found = difflib.get_close_matches(word, sorted(words), n=1, cutoff=0.5)
    return found[0] if found else None


def read_options(model: type[OptionsT], spec: InstrumentSpec) -> OptionsT:
    """Check `spec.options` and return them typed.

    Raises:
        BadSpec: naming the first key that is unknown or has an unusable value.
    """
    try:
        return model.model_validate(dict(spec.options))
    except ValidationError as error:
        # A misspelt key also makes the right one missing; the misspelling is what must be told.
        problems = error.errors(include_url=False)
        first = next((one for one in problems if one["type"] == "extra_forbidden"), problems[0])
        path = tuple(first["loc"])
        key = ".".join(["options", *map(str, path)])
        if first["type"] == "extra_forbidden":
            raise BadSpec(spec.name, key, _unknown_key(model, path)) from None
        raise BadSpec(spec.name, key, _plain_sentence(first)) from None


def _plain_sentence(problem: ErrorDetails) -> str:
    """Return what is wrong with a value, in the words of somebody who edits TOML."""
    if problem["type"] == "missing":
        return "missing"
    message = problem["msg"].removeprefix("Value error, ").replace("Input should be", "should be")
    found = problem["input"]
    shown = "a table" if isinstance(found, dict) else "a list" if isinstance(found, list) else repr(found)
    if len(shown) > _LONGEST_SHOWN:
        shown = f"{shown[:_LONGEST_SHOWN]}..."
    return f"{message.replace('a valid dictionary', 'a table')}, found {shown}"


def _unknown_key(model: type[BaseModel], path: tuple[int | str, ...]) -> str:
    for part in path[:-1]:
        inner = _model_in(model.model_fields[str(part)].annotation) if part in model.model_fields else None
        if inner is None:
            break
        model = inner
    valid = sorted(model.model_fields)
    guess = nearest(str(path[-1]), valid)
    return (
        f"unknown option; did you mean {guess!r}?" if guess else f"unknown option; one of {', '.join(valid)}"
    )


def _model_in(annotation: Any) -> type[BaseModel] | None:
    for candidate in (annotation, *get_args(annotation)):
        if isinstance(candidate, type) and issubclass(candidate, BaseModel):
            return candidate
    return None
