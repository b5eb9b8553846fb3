"""What a limits file may contain: a table for each row of `grading.figure_kinds`."""

from __future__ import annotations

import operator
from functools import lru_cache
from typing import Any, Final, Literal, Self

from pydantic import Field, create_model, model_validator

from grading.figure_kinds import FIGURE_KINDS, FigureKind, LimitPair
from rig_configs.files.checked_toml import StrictModel

_SCHEMA: Final = "leadline.limits/"


class Sides(StrictModel):
    """The four numbers of a pair of limits; each side whole and in order."""

    pass_least: float | None = None
    pass_most: float | None = None
    reject_below: float | None = None
    reject_above: float | None = None
    justification: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for inner, outer, order, is_inside in (
            ("pass_least", "reject_below", "less", operator.ge),
            ("pass_most", "reject_above", "more", operator.le),
        ):
            here, there = getattr(self, inner), getattr(self, outer)
            if (here is None) != (there is None):
                given, wanted = (outer, inner) if here is None else (inner, outer)
                raise ValueError(f"{given} is given without {wanted}; a side needs both or neither")
            if here is not None and is_inside(there, here):
                raise ValueError(f"{outer} {there:g} must be {order} than {inner} {here:g}")
        if self.pass_least is not None and self.pass_most is not None and self.pass_least >= self.pass_most:
            raise ValueError(f"pass_least {self.pass_least:g} must be less than pass_most {self.pass_most:g}")
        return self

    def pass_pair(self) -> LimitPair:
        """Lower and upper pass limit."""
        return self.pass_least, self.pass_most

    def reject_pair(self) -> LimitPair:
        """Lower and upper reject limit."""
        return self.reject_below, self.reject_above


class FigureSection(Sides):
    """The table of a figure that a cell has once."""

    use: bool = True
    required: bool = False

    @model_validator(mode="after")
    def _has_a_limit(self) -> Self:
        if self.use and self.pass_pair() == (None, None):
            raise ValueError(
                "has no limit; give pass_least and reject_below, pass_most and reject_above, or both"
            )
        if self.required and not self.use:
            raise ValueError("is switched off (use = false) and required; it can't be both")
        return self


class Band(Sides):
    """The limits of a figure of every step from one nominal PO2 to another, both included."""

    from_po2_bar: float = Field(gt=1.0)
    to_po2_bar: float = Field(gt=1.0)

    @model_validator(mode="after")
    def _is_a_band(self) -> Self:
        if self.from_po2_bar > self.to_po2_bar:
            raise ValueError(f"from_po2_bar {self.from_po2_bar:g} is above to_po2_bar {self.to_po2_bar:g}")
        if self.pass_pair() == (None, None):
            raise ValueError("has no limit; give pass_least, pass_most, reject_below and reject_above")
        return self


class StepsSection(StrictModel):
    """The table of a figure that a cell has for each step in oxygen."""

    use: bool = True
    required_from_po2_bar: float | None = None
    justification: str = ""
    bands: list[Band] = Field(default_factory=list)

    @model_validator(mode="after")
    def _bands_rise(self) -> Self:
        if self.use and not self.bands:
            raise ValueError("has no bands; give at least one [[figures.NAME.bands]] with its name")
        if not self.use and self.required_from_po2_bar is not None:
            raise ValueError("is switched off (use = false) and required; it can't be both")
        for before, after in zip(self.bands, self.bands[1:], strict=False):
            if after.from_po2_bar <= before.to_po2_bar:
                raise ValueError(
                    f"bands must rise and not overlap: one ends at {before.to_po2_bar:g}, "
                    f"the next begins at {after.from_po2_bar:g}"
                )
        return self


class LimitsFile(StrictModel):
    """A limits file as written; `limits_form` makes its tables from `FIGURE_KINDS`."""

    schema_: str = Field(alias="schema")
    name: str = Field(min_length=1)
    version: str = Field(min_length=1)
    basis: str = Field(min_length=1)
    reference_temperature_c: float = Field(default=25.0, ge=-5.0, le=60.0)
    figures: StrictModel

    @property
    def schema_version(self) -> int:
        """N of `leadline.limits/N`."""
        return int(self.schema_.removeprefix(_SCHEMA))

    def section(self, key: str) -> FigureSection | StepsSection | None:
        """Return the table of a figure, None when the file has none."""
        found: FigureSection | StepsSection | None = getattr(self.figures, key)
        return found


def schema_of(version: int) -> str:
    """Return the schema line of a version of the limits file."""
    return f"{_SCHEMA}{version}"


def limits_form() -> type[LimitsFile]:
    """Return the form of a limits file with a table for each of `FIGURE_KINDS`."""
    return _form(tuple(FIGURE_KINDS.values()))


@lru_cache(maxsize=2)
def _form(kinds: tuple[FigureKind, ...]) -> type[LimitsFile]:
    newest = max(kind.since for kind in kinds)
    # A Literal, so that the error for a wrong schema lists the valid ones; to the type checker it is text.
    schemas: Any = Literal.__getitem__(tuple(schema_of(version) for version in range(1, newest + 1)))
    tables: dict[str, Any] = {}
    for kind in kinds:
        section = StepsSection if kind.by_step else FigureSection
        tables[kind.key] = (section, ...) if kind.must_stand else (section | None, None)
    figures = create_model("FigureSections", __base__=StrictModel, **tables)
    return create_model(
        "LimitsFile", __base__=LimitsFile, schema_=(schemas, Field(alias="schema")), figures=(figures, ...)
    )
