"""The limits that a shop grades by: a TOML file, checked, versioned and hashed.

Each figure has a pass limit and, further out, a reject limit, on one side or on both; the indication error
has them by bands of nominal PO2. A file may tighten what the general file says as it likes. Where it loosens
(a wider limit, a figure switched off, a required figure made optional) it must give a `justification`, which
is kept with every grade and printed with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, model_validator

from grading import wording
from grading.figure_kinds import FIGURE_KINDS, FigureKey
from grading.results import Figure
from rig_configs.files.checked_toml import FileError, StrictModel, TomlText, parse, read_text, suggestion

GENERAL = "general"

LimitPair = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class FigureLimits:
    """What one figure is held to.

    Attributes:
        pass_limits, reject_limits: (lower, upper); None on a side without a limit.
        required: a cell without this figure is ungraded.
        justification: why it is looser than the general file; empty when it is not.
    """

    key: FigureKey
    pass_limits: LimitPair
    reject_limits: LimitPair
    required: bool = False
    justification: str = ""


@dataclass(frozen=True, slots=True)
class ErrorBand:
    """Limits of the indication error for steps from one nominal PO2 to another, both included."""

    from_po2_bar: float
    to_po2_bar: float
    limits: FigureLimits


@dataclass(frozen=True, slots=True)
class Limits:
    """A checked limits file.

    Attributes:
        sha256: of the text, in hex; stands on every certificate.
        basis: where the numbers come from, in the file's own words.
        figures: by key, without the indication error; a figure that is switched off is not in it.
        error_bands: of the indication error, rising; empty when it is switched off.
        error_required_from_po2_bar: a cell needs the indication error of one step at this nominal PO2 or
            above; None when the file does not ask for it.
        reference_temperature_c: what outputs are scaled to when the cell's coefficient is known.
        loosened: one sentence for each way in which the file is looser than the general one, with the
            justification it gives.
    """

    name: str
    version: str
    basis: str
    file: str
    text: str
    sha256: str
    reference_temperature_c: float
    figures: Mapping[FigureKey, FigureLimits]
    error_bands: tuple[ErrorBand, ...]
    error_required_from_po2_bar: float | None
    loosened: tuple[str, ...] = ()

    def find(self, key: FigureKey, nominal_po2_bar: float | None = None) -> FigureLimits | None:
        """Return the limits of a figure; None when there are none or it is switched off.

        A step between two bands of the indication error is held to the upper of the two; one below the
        lowest or above the highest band has no limit.
        """
        if key != "indication_error_percent":
            return self.figures.get(key)
        if nominal_po2_bar is None or not self.error_bands:
            return None
        nominal = round(nominal_po2_bar, 1)
        if nominal < self.error_bands[0].from_po2_bar - 1e-9:
            return None
        for band in self.error_bands:
            if nominal <= band.to_po2_bar + 1e-9:
                return band.limits
        return None

    def is_used(self, key: FigureKey) -> bool:
        """Whether the file grades this figure at all."""
        return bool(self.error_bands) if key == "indication_error_percent" else key in self.figures


class _Sides(StrictModel):
    """The four numbers of a pair of limits; at least one side, each side whole and in order."""

    pass_least: float | None = None
    pass_most: float | None = None
    reject_below: float | None = None
    reject_above: float | None = None
    justification: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for inner, outer in (("pass_least", "reject_below"), ("pass_most", "reject_above")):
            here, there = getattr(self, inner), getattr(self, outer)
            if (here is None) != (there is None):
                given, wanted = (outer, inner) if here is None else (inner, outer)
                raise ValueError(f"{given} is given without {wanted}; a side needs both or neither")
        least, below, most, above = self.pass_least, self.reject_below, self.pass_most, self.reject_above
        if least is not None and below is not None and below >= least:
            raise ValueError(f"reject_below {below:g} must be less than pass_least {least:g}")
        if most is not None and above is not None and above <= most:
            raise ValueError(f"reject_above {above:g} must be more than pass_most {most:g}")
        if self.pass_least is not None and self.pass_most is not None and self.pass_least >= self.pass_most:
            raise ValueError(f"pass_least {self.pass_least:g} must be less than pass_most {self.pass_most:g}")
        return self

    def pass_pair(self) -> LimitPair:
        return self.pass_least, self.pass_most

    def reject_pair(self) -> LimitPair:
        return self.reject_below, self.reject_above


class _FigureSection(_Sides):
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


class _Band(_Sides):
    from_po2_bar: float = Field(gt=1.0)
    to_po2_bar: float = Field(gt=1.0)

    @model_validator(mode="after")
    def _is_a_band(self) -> Self:
        if self.from_po2_bar > self.to_po2_bar:
            raise ValueError(f"from_po2_bar {self.from_po2_bar:g} is above to_po2_bar {self.to_po2_bar:g}")
        if self.pass_pair() == (None, None):
            raise ValueError("has no limit; give pass_least, pass_most, reject_below and reject_above")
        return self


class _ErrorSection(StrictModel):
    use: bool = True
    required_from_po2_bar: float | None = None
    justification: str = ""
    bands: list[_Band] = Field(default_factory=list)

    @model_validator(mode="after")
    def _bands_rise(self) -> Self:
        if self.use and not self.bands:
            raise ValueError("has no bands; give at least one [[figures.indication_error_percent.bands]]")
        if not self.use and self.required_from_po2_bar is not None:
            raise ValueError("is switched off (use = false) and required; it can't be both")
        for before, after in zip(self.bands, self.bands[1:], strict=False):
            if after.from_po2_bar <= before.to_po2_bar:
                raise ValueError(
                    f"bands must rise and not overlap: one ends at {before.to_po2_bar:g}, "
                    f"the next begins at {after.from_po2_bar:g}"
                )
        return self


class _FigureSections(StrictModel):
    air_output_mv: _FigureSection
    oxygen_output_mv: _FigureSection
    indication_error_percent: _ErrorSection
    linear_to_bar: _FigureSection
    air_slope_agreement_percent: _FigureSection
    t90_s: _FigureSection
    hysteresis_percent: _FigureSection
    fade_percent_per_min: _FigureSection
    noise_percent: _FigureSection


class _LimitsFile(StrictModel):
    schema_: Literal["leadline.limits/1"] = Field(alias="schema")
    name: str = Field(min_length=1)
    version: str = Field(min_length=1)
    basis: str = Field(min_length=1)
    reference_temperature_c: float = Field(default=25.0, ge=-5.0, le=60.0)
    figures: _FigureSections


def limits_folder() -> Path:
    """Return the folder of the limits files that come with the program."""
    return Path(str(resources.files("rig_configs"))) / "limits"


def limits_names() -> tuple[str, ...]:
    """Return the names of the limits files that come with the program."""
    return tuple(sorted(path.stem for path in limits_folder().glob("*.toml")))


@lru_cache(maxsize=1)
def general_limits() -> Limits:
    """Return the general limits file, which every other one is compared with."""
    path = limits_folder() / f"{GENERAL}.toml"
    return parse_limits(path.read_text(encoding="utf-8"), path.name, check_loosening=False)


def load_limits(name_or_path: str | Path = GENERAL) -> Limits:
    """Load a limits file by the name of one that comes with the program, or by its path.

    Raises:
        FileError: not there, not readable or not valid; one sentence a problem.
    """
    path = Path(name_or_path)
    by_name = isinstance(name_or_path, str) and path.suffix != ".toml" and len(path.parts) == 1
    if by_name and not path.exists():
        path = limits_folder() / f"{name_or_path}.toml"
        if not path.is_file():
            hint = suggestion(str(name_or_path), limits_names())
            raise FileError(
                f"there is no limits file named '{name_or_path}'; {hint} (or give the path of a .toml file)"
            )
        return parse_limits(read_text(path).text, path.name)
    return parse_limits(read_text(path).text, str(path))


def parse_limits(text: str, file: str, *, check_loosening: bool = True) -> Limits:
    """Check the text of a limits file.

    Args:
        text: the file as read; its hash is taken over this text in UTF-8.
        file: its name, for messages and for the record.
        check_loosening: refuse a file that is looser than the general one and does not say why. Off for the
            text kept in a record: it was checked when the run was made, against the general file of then.

    Raises:
        FileError: names file, line and field, and what would be right; one sentence a problem.
    """
    source = TomlText(file, text)
    parsed = parse(source, _LimitsFile)
    figures: dict[FigureKey, FigureLimits] = {}
    for key in FIGURE_KINDS:
        section = getattr(parsed.figures, key)
        if isinstance(section, _FigureSection) and section.use:
            figures[key] = FigureLimits(
                key, section.pass_pair(), section.reject_pair(), section.required, section.justification
            )
    errors = parsed.figures.indication_error_percent
    bands = tuple(
        ErrorBand(
            band.from_po2_bar,
            band.to_po2_bar,
            FigureLimits(
                "indication_error_percent",
                band.pass_pair(),
                band.reject_pair(),
                justification=band.justification or errors.justification,
            ),
        )
        for band in (errors.bands if errors.use else [])
    )
    limits = Limits(
        name=parsed.name,
        version=parsed.version,
        basis=parsed.basis,
        file=file,
        text=text,
        sha256=source.sha256,
        reference_temperature_c=parsed.reference_temperature_c,
        figures=figures,
        error_bands=bands,
        error_required_from_po2_bar=errors.required_from_po2_bar,
    )
    return _with_loosening(limits, parsed, source) if check_loosening else limits


def _with_loosening(limits: Limits, parsed: _LimitsFile, source: TomlText) -> Limits:
    """Return the limits with what they loosen; FileError where no justification is given."""
    told: list[str] = []
    problems: list[str] = []
    for key, how in _loosenings(limits, general_limits()):
        section = getattr(parsed.figures, key)
        justification = section.justification.strip()
        if isinstance(section, _ErrorSection) and not justification:
            justification = "; ".join(band.justification for band in section.bands if band.justification)
        if justification:
            told.append(f"{key}: {how}, looser than the general limits; justification: {justification}")
        else:
            what = f'{how}, which is looser than the general limits; add justification = "why"'
            problems.append(source.problem(("figures", key), what))
    if problems:
        raise FileError(*problems)
    return replace(limits, loosened=tuple(told))


def _loosenings(limits: Limits, general: Limits) -> list[tuple[FigureKey, str]]:
    """List every way in which `limits` let a cell through that `general` would not."""
    found: list[tuple[FigureKey, str]] = []
    for key, there in general.figures.items():
        here = limits.figures.get(key)
        if here is None:
            found.append((key, "is switched off"))
            continue
        found += [(key, how) for how in _wider(here, there)]
        if there.required and not here.required:
            found.append((key, "is not required"))
    key = "indication_error_percent"
    if not limits.error_bands:
        found.append((key, "is switched off"))
        return found
    required_from = general.error_required_from_po2_bar
    mine = limits.error_required_from_po2_bar
    if required_from is not None and (mine is None or mine < required_from - 1e-9):
        how = "is not required" if mine is None else f"is required from {mine:g} bar only"
        found.append((key, how))
    for tenths in range(11, 31):
        step = tenths / 10.0
        there_limits, here_limits = general.find(key, step), limits.find(key, step)
        if there_limits is None:
            continue
        if here_limits is None:
            found.append((key, f"has no limit at {step:.1f} bar"))
        else:
            found += [(key, f"{how} at {step:.1f} bar") for how in _wider(here_limits, there_limits)]
    return found


def _wider(here: FigureLimits, there: FigureLimits) -> list[str]:
    """Say which of the limits `here` are wider than `there`."""
    told = []
    for word, mine, theirs in (
        ("pass", here.pass_limits, there.pass_limits),
        ("reject", here.reject_limits, there.reject_limits),
    ):
        lower = -math.inf if mine[0] is None else mine[0]
        upper = math.inf if mine[1] is None else mine[1]
        their_lower = -math.inf if theirs[0] is None else theirs[0]
        their_upper = math.inf if theirs[1] is None else theirs[1]
        if lower < their_lower or upper > their_upper:
            told.append(f"its {word} limits are {_written(here.key, mine)}, not {_written(here.key, theirs)}")
    return told


def _written(key: FigureKey, pair: LimitPair) -> str:
    """Write a pair of limits with its unit."""
    unit = FIGURE_KINDS[key].unit
    return f"{wording.pass_limits(Figure(key, unit, None, None, pass_limits=pair))} {unit}"
