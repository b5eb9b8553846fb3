"""A procedure file, checked: the list of steps that a run takes, and how it purges and holds."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from grading.results import Direction
from rig_configs.files.checked_toml import FileError, StrictModel, TomlText, parse
from rig_configs.files.shipped_files import CheckedFile, open_config

SCHEMA = "leadline.procedure/1"
_LARGEST_STEP_BAR = 0.5
SAME_PO2_BAR = 0.005
FADE_NEEDS_S = 60.0
"""A hold that measures the drop while held is at least this long after its thermal part."""


class AirReading(StrictModel):
    """The ambient-air reading that comes first."""

    hold: bool = Field(default=True, description="whether to hold in ambient air before the purge")


class Purge(StrictModel):
    """How the air is purged from the pot."""

    method: Literal["swings", "flow"] = "swings"
    low_bar: float = Field(default=1.05, gt=0.8, lt=10, description="absolute pressure a swing vents to")
    high_bar: float = Field(default=2.0, gt=0.9, lt=10, description="absolute pressure a swing fills to")
    swings: int = Field(default=7, ge=1, le=40, description="number of swings")
    flow_volumes: float = Field(default=6.0, gt=0, le=40, description="pot volumes to flow through")
    least_oxygen_fraction: float = Field(
        default=0.985, gt=0.5, le=1.0, description="oxygen fraction below which no reading is taken"
    )


class Hold(StrictModel):
    """When a step counts as settled."""

    cap_s: float = Field(default=120.0, gt=0, le=3600, description="longest hold, in seconds")
    least_s: float = Field(default=30.0, ge=5, le=3600, description="shortest hold, in seconds")
    remainder_percent: float = Field(
        default=0.1,
        gt=0,
        le=5,
        description="remainder that the fitted exponential may have, in percent",
    )
    slope_percent_per_10s: float = Field(
        default=0.1, gt=0, le=5, description="how fast the output may still change, in percent per 10 s"
    )


class Leak(StrictModel):
    """The leak test inside the hold at the highest pressure."""

    settle_s: float = Field(default=30.0, ge=0, le=600, description="wait before the leak is judged")
    hold_s: float = Field(default=90.0, ge=30, le=1800, description="time over which the leak is judged")
    warn_mbar_per_min: float = Field(default=1.0, gt=0, description="leak that is reported")
    stop_mbar_per_min: float = Field(default=4.0, gt=0, description="leak that ends the run")


class Step(StrictModel):
    """One hold in bottle oxygen."""

    po2_bar: float = Field(gt=0.1, le=10, description="nominal PO2 of the step, in bar")
    direction: Direction
    cap_s: float | None = Field(default=None, gt=0, le=3600, description="longest hold of this step")


class _ProcedureModel(StrictModel):
    schema_: Literal["leadline.procedure/1"] = Field(alias="schema")
    name: str = Field(min_length=1, description="name printed on certificates")
    version: str = Field(min_length=1, description="version printed on certificates")
    calibration_po2_bar: float = Field(
        default=1.0, gt=0, le=3, description="PO2 at which a handset would be calibrated"
    )
    air: AirReading = AirReading()
    purge: Purge = Purge()
    hold: Hold = Hold()
    leak: Leak = Leak()
    steps: Annotated[tuple[Step, ...], Field(strict=False, min_length=1)]


@dataclass(frozen=True, slots=True)
class ProcedureFile(CheckedFile):
    """A checked procedure. Step numbers in a record count from 1 in the order of `steps`; air is step 0.

    Attributes:
        steps: nominal PO2 in bar and direction of each hold. The last one is at the calibration PO2, where
            the gas, the gauges and the meter are checked again; it is added where the file has none.
        closing_step_added: whether it was.
    """

    name: str
    version: str
    calibration_po2_bar: float
    air: AirReading
    purge: Purge
    hold: Hold
    leak: Leak
    steps: tuple[Step, ...]
    closing_step_added: bool = False

    @property
    def highest_po2_bar(self) -> float:
        """Nominal PO2 of the highest step, in bar."""
        return max(step.po2_bar for step in self.steps)

    @property
    def top_hold_s(self) -> float:
        """Shortest first hold at the highest pressure, in seconds: the leak test, or the drop while held."""
        return max(self.leak.settle_s + self.leak.hold_s + 1.0, FADE_NEEDS_S + self.hold.least_s)

    def is_top(self, step: Step) -> bool:
        """Whether a step is at the highest pressure, where the leak is tested."""
        return step.po2_bar >= self.highest_po2_bar - 0.005

    def target_bar(self, step: Step, oxygen_fraction: float) -> float:
        """Return the absolute pressure that gives the step's PO2 in gas of this dry oxygen fraction."""
        return step.po2_bar / oxygen_fraction

    def highest_target_bar(self) -> float:
        """Return the highest absolute pressure this procedure may ask for, in bar.

        Calculated for the lowest oxygen fraction that the purge rule accepts, so that a limit checked against
        it holds for every accepted purge.
        """
        highest_step = self.highest_po2_bar / self.purge.least_oxygen_fraction
        return max(highest_step, self.purge.high_bar) if self.purge.method == "swings" else highest_step

    def cap_s(self, step: Step) -> float:
        """Return the longest hold of a step, in seconds."""
        return step.cap_s if step.cap_s is not None else self.hold.cap_s


def load_procedure(name_or_path: str | Path) -> ProcedureFile:
    """Load a procedure file.

    Raises:
        FileError: naming file, line, key, what is wrong and what would be right.
    """
    return parse_procedure(open_config("procedures", name_or_path))


def parse_procedure(source: TomlText) -> ProcedureFile:
    """Check the text of a procedure file.

    Raises:
        FileError: naming file, line, key, what is wrong and what would be right.
    """
    model = parse(source, _ProcedureModel)
    problems = _contradictions(source, model)
    if problems:
        raise FileError(*problems)
    steps = model.steps
    closes = abs(steps[-1].po2_bar - model.calibration_po2_bar) < SAME_PO2_BAR
    if not closes:
        direction: Direction = "down" if steps[-1].po2_bar > model.calibration_po2_bar else "up"
        steps = (*steps, Step(po2_bar=model.calibration_po2_bar, direction=direction))
    return ProcedureFile(
        source=source,
        name=model.name,
        version=model.version,
        calibration_po2_bar=model.calibration_po2_bar,
        air=model.air,
        purge=model.purge,
        hold=model.hold,
        leak=model.leak,
        steps=steps,
        closing_step_added=not closes,
    )


def _contradictions(source: TomlText, model: _ProcedureModel) -> list[str]:
    """Return the contradictions between keys that are each valid alone."""
    problems = []
    purge, hold, leak = model.purge, model.hold, model.leak
    if purge.method == "swings" and purge.high_bar < purge.low_bar + 0.1:
        problems.append(
            source.problem(
                ("purge", "high_bar"),
                f"{purge.high_bar} bar is not above low_bar {purge.low_bar} bar by at least 0.1 bar",
            )
        )
    if hold.cap_s < hold.least_s:
        problems.append(
            source.problem(("hold", "cap_s"), f"{hold.cap_s} s is shorter than least_s {hold.least_s} s")
        )
    if leak.stop_mbar_per_min < leak.warn_mbar_per_min:
        problems.append(
            source.problem(
                ("leak", "stop_mbar_per_min"),
                f"{leak.stop_mbar_per_min} is below warn_mbar_per_min {leak.warn_mbar_per_min}",
            )
        )
    nominal = [step.po2_bar for step in model.steps]
    if not any(abs(po2_bar - model.calibration_po2_bar) < SAME_PO2_BAR for po2_bar in nominal):
        problems.append(
            source.problem(
                ("calibration_po2_bar",),
                f"no step is at {model.calibration_po2_bar} bar, so no cell could be calibrated; "
                f"steps are at {', '.join(str(value) for value in sorted(set(nominal)))}",
            )
        )
    for number, step in enumerate(model.steps):
        path = ("steps", number, "po2_bar")
        if step.cap_s is not None and step.cap_s < hold.least_s:
            problems.append(
                source.problem(
                    ("steps", number, "cap_s"),
                    f"{step.cap_s} s is shorter than the shortest hold of {hold.least_s} s",
                )
            )
        if number == 0:
            continue
        change = step.po2_bar - nominal[number - 1]
        # The last way down is no further than the vent after it, on the same ramp.
        closes = number == len(model.steps) - 1 and change < 0
        if abs(change) > _LARGEST_STEP_BAR + 1e-9 and not closes:
            problems.append(
                source.problem(
                    path,
                    f"{abs(change):.2f} bar from the step before; changes above "
                    f"{_LARGEST_STEP_BAR} bar stress cells: add a step between",
                )
            )
        if (change > 0 and step.direction == "down") or (change < 0 and step.direction == "up"):
            problems.append(
                source.problem(
                    ("steps", number, "direction"),
                    f"'{step.direction}', but {step.po2_bar} bar comes after {nominal[number - 1]} bar; "
                    f"write '{'up' if change > 0 else 'down'}'",
                )
            )
    return problems
