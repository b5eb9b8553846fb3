"""Checks the `options` table of one instrument against what its driver lets a bench file set."""

from __future__ import annotations

from types import NoneType
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError, model_validator

from drivers.errors import BadSpec
from drivers.ports import InstrumentSpec
from rig_configs.files.checked_toml import dotted, what_is_wrong


class Options(BaseModel):
    """Base of every driver's options: unknown keys are refused, values do not change afterwards.

    TOML has no "none": `false` switches off a part that an instrument does not have.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    @model_validator(mode="before")
    @classmethod
    def _false_is_none(cls, given: Any) -> Any:
        if not isinstance(given, dict):
            return given
        optional = {
            name for name, field in cls.model_fields.items() if NoneType in get_args(field.annotation)
        }
        usable = {key: tuple(value) if isinstance(value, list) else value for key, value in given.items()}
        return {key: None if value is False and key in optional else value for key, value in usable.items()}


OptionsT = TypeVar("OptionsT", bound=Options)


def read_options(model: type[OptionsT], spec: InstrumentSpec) -> OptionsT:
    """Check `spec.options` and return them typed.

    Raises:
        BadSpec: naming the first key that is unknown or has an unusable value.
    """
    try:
        return model.model_validate(dict(spec.options))
    except ValidationError as error:
        # A misspelt key also makes the right one missing; the misspelling must be reported.
        problems = error.errors(include_url=False)
        first = next((one for one in problems if one["type"] == "extra_forbidden"), problems[0])
        key = dotted(("options", *first["loc"]))
        raise BadSpec(spec.name, key, what_is_wrong(model, first)) from None
