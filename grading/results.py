"""The result of grading a run: figures with uncertainty, grades with reasons, and what the pictures need.

These are plain data. `grading.document` turns them into JSON and back.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Grade = Literal["pass", "watch", "reject", "ungraded"]
FigureGrade = Literal["pass", "watch", "reject"]
Gas = Literal["air", "oxygen", "nitrogen"]
Direction = Literal["up", "down"]


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget, in the unit of its figure.

    Attributes:
        name: what it comes from ("gauge gain", "scatter").
        standard_uncertainty: |sensitivity| times the standard uncertainty of the input.
        degrees_of_freedom: of that input; infinity for a type B evaluation.
        share: its part of the combined variance, 0 to 1.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float
    share: float


@dataclass(frozen=True, slots=True)
class Figure:
    """One graded quantity of one cell.

    Attributes:
        key: `air_output_mv`, `indication_error_percent` and so on.
        nominal_po2_bar: the step, for figures that have one; else None.
        unit: as printed ("mV", "%", "bar", "s", "%/min").
        value: None when there is none; then `reason` says why.
        expanded_uncertainty: at about 95 %; None when undetermined, which is never the same as zero.
        coverage_factor: k of `expanded_uncertainty`.
        degrees_of_freedom: effective (Welch-Satterthwaite).
        grade: None when there is no value or no limit.
        probability_of_conformity: with the pass limits, 0 to 1.
        pass_limits, reject_limits: (lower, upper) in the same unit; None on a side without a limit.
        at_least: right-censored result: the value is at least this (95 %).
        required: whether the limits file requires this figure.
        budget: contributions, largest first.
    """

    key: str
    unit: str
    value: float | None
    expanded_uncertainty: float | None
    nominal_po2_bar: float | None = None
    coverage_factor: float | None = None
    degrees_of_freedom: float | None = None
    grade: FigureGrade | None = None
    probability_of_conformity: float | None = None
    pass_limits: tuple[float | None, float | None] | None = None
    reject_limits: tuple[float | None, float | None] | None = None
    at_least: float | None = None
    required: bool = False
    reason: str | None = None
    budget: tuple[Contribution, ...] = ()


@dataclass(frozen=True, slots=True)
class StepResult:
    """One settled step of one cell, as tables and pictures show it.

    Attributes:
        po2_bar, u_po2_bar: reference PO2 and its standard uncertainty.
        output_mv, u_output_mv: settled output and the standard uncertainty of its independent part.
        indication_error_percent, expanded_uncertainty_percent: None at the calibration step, in air, and
            where there is none.
        shows_bar: what a handset calibrated at the calibration point would show.
        settled: None where the source does not say.
    """

    step: int
    gas: Gas
    direction: Direction
    nominal_po2_bar: float | None
    pressure_bar: float
    temperature_c: float | None
    po2_bar: float
    u_po2_bar: float
    output_mv: float
    u_output_mv: float
    indication_error_percent: float | None
    expanded_uncertainty_percent: float | None
    shows_bar: float | None
    settled: bool | None


@dataclass(frozen=True, slots=True)
class ResponseCurve:
    """The fitted response V(p) = z + ((S p)^-n + V_lim^-n)^(-1/n), sampled for plotting.

    Attributes:
        model: "linear", "fixed sharpness" or "free sharpness".
        ceiling_mv: V_lim; None for a line, or where the data do not determine it.
        sharpness: n; None for a line.
        po2_bar, output_mv, lower_mv, upper_mv: the curve and its 95 % band on a common grid.
    """

    model: str
    zero_mv: float
    slope_mv_per_bar: float
    ceiling_mv: float | None
    sharpness: float | None
    po2_bar: tuple[float, ...]
    output_mv: tuple[float, ...]
    lower_mv: tuple[float, ...]
    upper_mv: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class StepResponse:
    """The lag of one cell on one pressure change.

    Attributes:
        direction: "up" or "down".
        model: "one pole", "one pole with delay", "membrane", "two modes", or "" when not described.
        t90_s, u_t90_s: for an ideal step; None when there is none, and `reason` says why.
        t_s, po2_bar, output_mv, fitted_mv: the trace around the change, time from the start of the ramp,
            thinned for plotting; empty when there is no trace.
    """

    direction: Direction
    step: int
    model: str
    t90_s: float | None
    u_t90_s: float | None
    degrees_of_freedom: float | None = None
    delay_s: float | None = None
    slow_fraction: float | None = None
    slow_t90_s: float | None = None
    reason: str | None = None
    t_s: tuple[float, ...] = ()
    po2_bar: tuple[float, ...] = ()
    output_mv: tuple[float, ...] = ()
    fitted_mv: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class CellDetail:
    """The data behind a cell's figures, for certificates and pictures.

    Attributes:
        calibration_po2_bar: where a handset would have been calibrated (nominally 1.0).
        statements: plain sentences such as "shows 1.41 where the truth is 1.60".
        true_po2_when_display_says: pairs (display, truth) in bar: what a diver needs to know.
    """

    steps: tuple[StepResult, ...] = ()
    curve: ResponseCurve | None = None
    responses: tuple[StepResponse, ...] = ()
    calibration_po2_bar: float | None = None
    statements: tuple[str, ...] = ()
    true_po2_when_display_says: tuple[tuple[float, float], ...] = ()


LONGEST_SERIAL = 40
"""Characters of a serial number that papers and labels have room for; longer ones are refused on input."""


@dataclass(frozen=True, slots=True)
class CellInfo:
    """A booked-in cell. Empty strings where nothing is known.

    Attributes:
        check_cell: booked as known to be good, so that it shows whether gas, gauges and meter are right.
    """

    cell: str
    socket: int | None = None
    maker: str = ""
    model: str = ""
    date_code: str = ""
    customer: str = ""
    lot: str = ""
    condition: str = ""
    temperature_coefficient_percent_per_k: float | None = None
    check_cell: bool = False


@dataclass(frozen=True, slots=True)
class CellResult:
    """The grade of one cell."""

    info: CellInfo
    grade: Grade
    reasons: tuple[str, ...]
    diagnosis: tuple[str, ...]
    figures: tuple[Figure, ...]
    detail: CellDetail = field(default_factory=CellDetail)


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """An instrument as a certificate lists it; dates are ISO days, empty when unknown."""

    name: str
    role: str
    serial: str = ""
    identity: str = ""
    calibrated: str = ""
    due: str = ""
    overdue: bool = False
    uncertainty: str = ""


@dataclass(frozen=True, slots=True)
class RunConditions:
    """What a certificate says about the run as a whole; empty where the source does not say.

    Attributes:
        simulated: the bench was a virtual one; every paper says so.
    """

    record_id: str = ""
    started_utc: str = ""
    ended: str = ""
    operator: str = ""
    place: str = ""
    bench: str = ""
    bench_sha256: str = ""
    procedure: str = ""
    procedure_sha256: str = ""
    record_sha256: str = ""
    barometer_bar: float | None = None
    temperature_c: tuple[float, float] | None = None
    relative_humidity: float | None = None
    oxygen_fraction: float | None = None
    u_oxygen_fraction: float | None = None
    purge: str = ""
    leak: str = ""
    highest_pressure_bar: float | None = None
    fastest_ramp_bar_per_min: float | None = None
    missing_readings: int = 0
    instruments: tuple[InstrumentLine, ...] = ()
    notes: tuple[str, ...] = ()
    uncertainty_source: str = ""
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class Grading:
    """The whole result for one source.

    Attributes:
        limits_not_graded: keys of figures that the limits file does not grade: switched off, or without a
            table, for example because the file is older than the figure.
        second_run: the record of a second run with another bottle that the grades depend on; empty without
        one.
    """

    source: str
    source_kind: Literal["record", "readings", "trace"]
    limits_name: str
    limits_version: str
    limits_sha256: str
    software_version: str
    conditions: RunConditions
    cells: tuple[CellResult, ...]
    limits_not_graded: tuple[str, ...] = ()
    second_run: str = ""
