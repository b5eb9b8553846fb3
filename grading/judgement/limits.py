"""Limits that a workshop grades by: a TOML file, checked, versioned and hashed.

Each figure has a pass limit and, further out, a reject limit, on one side or on both; a figure of every step,
such as the indication error, has them by bands of nominal PO2. A figure without a table is not graded under
these limits, and every grade says so. A file may be tighter than the general one without a reason. Where a
table of it is looser (a wider limit, a figure switched off, a required figure made optional) it must give a
`justification`, which is kept with every grade and printed with it. A figure newer than the file's schema
does not make it looser.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files
from pathlib import Path

from grading import wording
from grading.figure_kinds import FIGURE_KINDS, FigureKey, LimitPair
from grading.judgement.limits_file import FigureSection, LimitsFile, StepsSection, limits_form, schema_of
from grading.results import Figure
from rig_configs.files.checked_toml import FileError, TomlText, parse
from rig_configs.files.shipped_files import open_config

GENERAL = "general"


@dataclass(frozen=True, slots=True)
class FigureLimits:
    """Limits of one figure.

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
class Band:
    """Limits of a figure for steps from one nominal PO2 to another, both included."""

    from_po2_bar: float
    to_po2_bar: float
    limits: FigureLimits


@dataclass(frozen=True, slots=True)
class StepLimits:
    """Limits of a figure of every step.

    Attributes:
        bands: rising; at least one.
        required_from_po2_bar: a cell needs this figure of one step at this nominal PO2 or above; None when
            the file does not ask for it.
    """

    bands: tuple[Band, ...]
    required_from_po2_bar: float | None = None

    def at(self, nominal_po2_bar: float) -> FigureLimits | None:
        """Return the limits of a step.

        A step between two bands takes the upper of the two. A step below the lowest band or above the highest
        one has no limit.
        """
        nominal = round(nominal_po2_bar, 1)
        if nominal < self.bands[0].from_po2_bar:
            return None
        for band in self.bands:
            if nominal <= band.to_po2_bar:
                return band.limits
        return None


@dataclass(frozen=True, slots=True)
class Limits:
    """A checked limits file.

    Attributes:
        schema_version: N of its `leadline.limits/N`, which says which figures it can contain.
        sha256: of the text, in hex; printed on every certificate.
        basis: where the numbers come from, in the file's own words.
        figures: limits of a figure that a cell has once; without those that are switched off.
        by_step: likewise for a figure of every step.
        not_graded: figures without a table in the file; `ungraded` adds those that are switched off.
        reference_temperature_c: temperature that outputs are scaled to when the cell's coefficient is known.
        loosened: one sentence for each way in which the file is looser than the general one, with the
            justification it gives.
    """

    name: str
    version: str
    schema_version: int
    basis: str
    file: str
    text: str
    sha256: str
    reference_temperature_c: float
    figures: Mapping[FigureKey, FigureLimits]
    by_step: Mapping[FigureKey, StepLimits]
    not_graded: tuple[FigureKey, ...] = ()
    loosened: tuple[str, ...] = ()

    @property
    def ungraded(self) -> tuple[FigureKey, ...]:
        """The figures that this file does not grade: without a table, or switched off."""
        return tuple(kind.key for kind in FIGURE_KINDS.values() if not self.is_used(kind.key))

    def find(self, key: FigureKey, nominal_po2_bar: float | None = None) -> FigureLimits | None:
        """Return the limits of a figure, at a step where it has a value for each; None without any."""
        if key not in self.by_step:
            return self.figures.get(key)
        return None if nominal_po2_bar is None else self.by_step[key].at(nominal_po2_bar)

    def is_used(self, key: FigureKey) -> bool:
        """Whether the file grades this figure at all."""
        return key in self.figures or key in self.by_step


@lru_cache(maxsize=1)
def general_limits() -> Limits:
    """Return the general limits file, which every other one is compared with."""
    # By its place: a file of that name in the working folder must not become the reference for others.
    text = files("rig_configs").joinpath("limits", f"{GENERAL}.toml").read_text(encoding="utf-8")
    return parse_limits(text, f"{GENERAL}.toml", check_loosening=False)


def load_limits(name_or_path: str | Path = GENERAL) -> Limits:
    """Load a limits file by the name of one that comes with the program, or by its path.

    Raises:
        FileError: not there, not readable or not valid; one sentence for each problem.
    """
    return _checked(open_config("limits", name_or_path), check_loosening=True)


def parse_limits(text: str, file: str, *, check_loosening: bool = True) -> Limits:
    """Check the text of a limits file.

    Args:
        text: the file as read; its hash is taken over this text in UTF-8.
        file: its name, for messages and for the record.
        check_loosening: refuse a file that is looser than the general one and does not say why. Off for the
            text kept in a record: it was checked at the time of the run, by the general file of that time.

    Raises:
        FileError: names file, line and field, and what would be right; one sentence a problem.
    """
    return _checked(TomlText(file, text), check_loosening=check_loosening)


def _checked(source: TomlText, *, check_loosening: bool) -> Limits:
    parsed = parse(source, limits_form())
    _refuse_later_figures(parsed, source)
    figures: dict[FigureKey, FigureLimits] = {}
    by_step: dict[FigureKey, StepLimits] = {}
    for kind in FIGURE_KINDS.values():
        section = parsed.section(kind.key)
        if section is None or not section.use:
            continue
        if isinstance(section, StepsSection):
            by_step[kind.key] = _step_limits(kind.key, section)
        else:
            figures[kind.key] = _figure_limits(kind.key, section)
    missing = [kind for kind in FIGURE_KINDS.values() if parsed.section(kind.key) is None]
    limits = Limits(
        name=parsed.name,
        version=parsed.version,
        schema_version=parsed.schema_version,
        basis=parsed.basis,
        file=source.file,
        text=source.text,
        sha256=source.sha256,
        reference_temperature_c=parsed.reference_temperature_c,
        figures=figures,
        by_step=by_step,
        not_graded=tuple(kind.key for kind in missing),
        loosened=tuple(
            f"{kind.name}: has no table, looser than the general limits"
            for kind in missing
            if kind.since <= parsed.schema_version
        ),
    )
    return _with_loosening(limits, parsed, source) if check_loosening else limits


def _refuse_later_figures(parsed: LimitsFile, source: TomlText) -> None:
    """Refuse the table of a figure that came after the file's schema.

    The schema shows which figures its author can have left out on purpose.
    """
    later = [
        source.problem(
            ("figures", kind.key),
            f'came with {schema_of(kind.since)}; write schema = "{schema_of(kind.since)}" to grade it',
        )
        for kind in FIGURE_KINDS.values()
        if kind.since > parsed.schema_version and parsed.section(kind.key) is not None
    ]
    if later:
        raise FileError(*later)


def _figure_limits(key: FigureKey, section: FigureSection) -> FigureLimits:
    return FigureLimits(
        key, section.pass_pair(), section.reject_pair(), section.required, section.justification
    )


def _step_limits(key: FigureKey, section: StepsSection) -> StepLimits:
    bands = tuple(
        Band(
            band.from_po2_bar,
            band.to_po2_bar,
            FigureLimits(
                key,
                band.pass_pair(),
                band.reject_pair(),
                justification=band.justification or section.justification,
            ),
        )
        for band in section.bands
    )
    return StepLimits(bands, section.required_from_po2_bar)


def _with_loosening(limits: Limits, parsed: LimitsFile, source: TomlText) -> Limits:
    """Return the limits with the list of what is looser; FileError where no justification is given."""
    sentences: list[str] = []
    problems: list[str] = []
    for key, how in _loosenings(limits, general_limits()):
        section = parsed.section(key)
        assert section is not None, "what has no table is listed already"
        justification = section.justification.strip()
        if isinstance(section, StepsSection) and not justification:
            justification = "; ".join(band.justification for band in section.bands if band.justification)
        if justification:
            sentences.append(f"{key}: {how}, looser than the general limits; justification: {justification}")
        else:
            what = f'{how}, which is looser than the general limits; add justification = "why"'
            problems.append(source.problem(("figures", key), what))
    if problems:
        raise FileError(*problems)
    return replace(limits, loosened=(*limits.loosened, *sentences))


def _loosenings(limits: Limits, general: Limits) -> Iterator[tuple[FigureKey, str]]:
    """List every way in which the tables of `limits` are looser than those of `general`."""
    for kind in sorted(FIGURE_KINDS.values(), key=lambda kind: kind.by_step):
        key = kind.key
        if key in limits.not_graded or not general.is_used(key):
            continue
        if not limits.is_used(key):
            yield key, "is switched off"
        elif kind.by_step:
            for how in _looser_steps(limits.by_step[key], general.by_step[key]):
                yield key, how
        else:
            here, there = limits.figures[key], general.figures[key]
            for how in _wider(here, there):
                yield key, how
            if there.required and not here.required:
                yield key, "is not required"


def _looser_steps(here: StepLimits, there: StepLimits) -> Iterator[str]:
    required_from = there.required_from_po2_bar
    mine = here.required_from_po2_bar
    if required_from is not None and (mine is None or mine < required_from):
        yield "is not required" if mine is None else f"is required from {mine:g} bar only"
    for tenths in range(11, 31):
        step = tenths / 10.0
        there_limits, here_limits = there.at(step), here.at(step)
        if there_limits is None:
            continue
        if here_limits is None:
            yield f"has no limit at {step:.1f} bar"
        else:
            yield from (f"{how} at {step:.1f} bar" for how in _wider(here_limits, there_limits))


def _wider(here: FigureLimits, there: FigureLimits) -> list[str]:
    """Say which of the limits `here` are wider than `there`."""
    sentences = []
    for word, mine, theirs in (
        ("pass", here.pass_limits, there.pass_limits),
        ("reject", here.reject_limits, there.reject_limits),
    ):
        lower = -math.inf if mine[0] is None else mine[0]
        upper = math.inf if mine[1] is None else mine[1]
        their_lower = -math.inf if theirs[0] is None else theirs[0]
        their_upper = math.inf if theirs[1] is None else theirs[1]
        if lower < their_lower or upper > their_upper:
            sentences.append(
                f"its {word} limits are {_written(here.key, mine)}, not {_written(here.key, theirs)}"
            )
    return sentences


def _written(key: FigureKey, pair: LimitPair) -> str:
    """Write a pair of limits with its unit."""
    unit = FIGURE_KINDS[key].unit
    return f"{wording.pass_limits(Figure(key, unit, None, None, pass_limits=pair))} {unit}"
