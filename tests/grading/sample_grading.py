"""An invented grading of six cells in different condition, for tests of pictures and papers.

The outputs follow V = z + ((S p)^-n + V_lim^-n)^(-1/n); scatter is a fixed pattern, so that every call gives
the same numbers.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, replace

from grading.results import (
    CellDetail,
    CellInfo,
    CellResult,
    Contribution,
    Direction,
    Figure,
    FigureGrade,
    Grade,
    Grading,
    InstrumentLine,
    ResponseCurve,
    RunConditions,
    StepResponse,
    StepResult,
)

UP = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0)
DOWN = (1.8, 1.6, 1.4, 1.2, 1.0)
AIR_PO2_BAR = 0.2081
WAVE = (0.4, -0.7, 0.2, 0.9, -0.3, -0.8, 0.6, 0.1, -0.5, 0.7, -0.2, 0.3)

Limit = tuple[float | None, float | None]


@dataclass(frozen=True)
class Made:
    """One invented cell."""

    serial: str
    maker: str
    model: str
    slope_mv: float
    zero_mv: float = 0.03
    ceiling_mv: float | None = None
    sharpness: float = 6.0
    tau_s: float = 2.0
    fade_percent_per_min: float = 0.08
    hysteresis_percent: float = 0.2
    diagnosis: tuple[str, ...] = ()
    condition: str = "clean, contacts bright"
    date_code: str = "2025-11"

    def output_mv(self, po2_bar: float) -> float:
        straight = self.slope_mv * po2_bar
        if self.ceiling_mv is None:
            return self.zero_mv + straight
        n = self.sharpness
        return self.zero_mv + (straight**-n + self.ceiling_mv**-n) ** (-1 / n)


CELLS = (
    Made("TB-0417", "Tarnby", "T3", 50.2, diagnosis=("On the line up to the highest step.",)),
    Made(
        "TB-0188",
        "Tarnby",
        "T3",
        38.6,
        tau_s=2.4,
        date_code="2022-04",
        condition="connector shell scratched",
        diagnosis=("Low, but linear: an old cell near the end of its life.", "Plan its replacement."),
    ),
    Made(
        "OS-1123",
        "Ostrand",
        "M-2",
        47.5,
        ceiling_mv=101.0,
        sharpness=5.0,
        date_code="2023-09",
        diagnosis=(
            "Current limited, softly: the output bends away from the line as PO2 rises.",
            "A current limited cell can't be repaired. Take it out of use.",
        ),
    ),
    Made(
        "OS-1140",
        "Ostrand",
        "M-2",
        48.1,
        ceiling_mv=72.5,
        sharpness=26.0,
        date_code="2023-02",
        diagnosis=(
            "Current limited, sharply: the output stops rising near PO2 1.5.",
            "A handset would show about 1.5 however much oxygen there is. Take the cell out of use.",
        ),
    ),
    Made(
        "TB-0402",
        "Tarnby",
        "T3",
        51.7,
        tau_s=4.3,
        condition="damp, salt on the face",
        diagnosis=("Slow: the membrane may be wet or dirty.", "Dry it for a day, then test again."),
    ),
    Made(
        "OS-1077",
        "Ostrand",
        "M-2",
        52.9,
        fade_percent_per_min=2.6,
        hysteresis_percent=1.7,
        date_code="2024-06",
        diagnosis=("Drop while held: the output falls at constant PO2 in the top hold.",),
    ),
)


def decide(value: float, u: float, passing: Limit, rejecting: Limit) -> FigureGrade:
    """The guarded rule in its simplest form, sufficient for invented data."""
    low, high = value - u, value + u
    if (rejecting[0] is not None and low < rejecting[0]) or (
        rejecting[1] is not None and high > rejecting[1]
    ):
        return "reject"
    if (passing[0] is None or low >= passing[0]) and (passing[1] is None or high <= passing[1]):
        return "pass"
    return "watch"


def inside(value: float, u: float, passing: Limit) -> float:
    """Probability that the truth is inside the pass limits, for a normal distribution."""

    def below(limit: float) -> float:
        return 0.5 * (1 + math.erf((limit - value) / (u / 2) / math.sqrt(2)))

    return (1.0 if passing[1] is None else below(passing[1])) - (
        0.0 if passing[0] is None else below(passing[0])
    )


def figure(
    key: str,
    unit: str,
    value: float,
    u: float,
    passing: Limit,
    rejecting: Limit,
    nominal: float | None = None,
    *,
    required: bool = False,
) -> Figure:
    """A graded figure with a small invented budget."""
    return Figure(
        key=key,
        unit=unit,
        value=value,
        expanded_uncertainty=u,
        nominal_po2_bar=nominal,
        coverage_factor=2.02,
        degrees_of_freedom=84.0,
        grade=decide(value, u, passing, rejecting),
        probability_of_conformity=inside(value, u, passing),
        pass_limits=passing,
        reject_limits=rejecting,
        required=required,
        budget=(
            Contribution("gauge gain", 0.42 * u, math.inf, 0.70),
            Contribution("scatter", 0.27 * u, 31.0, 0.30),
        ),
    )


def missing(key: str, unit: str, reason: str, nominal: float | None = None) -> Figure:
    """A figure without a value."""
    return Figure(key, unit, None, None, nominal_po2_bar=nominal, reason=reason)


def steps_of(made: Made) -> tuple[StepResult, ...]:
    """Air, then the oxygen steps up and down."""
    plan: list[tuple[float, Direction]] = [(p, "up") for p in UP]
    plan += [(p, "down") for p in DOWN]
    calibration_mv = made.output_mv(1.0)
    made_steps = [
        StepResult(
            0, "air", "up", None, 1.0124, 21.4, AIR_PO2_BAR, 0.0003,
            made.output_mv(AIR_PO2_BAR), 0.004, None, None, None, True,
        )
    ]  # fmt: skip
    for index, (nominal, direction) in enumerate(plan, start=1):
        po2 = nominal + 0.0011 * WAVE[index]
        on_the_way_down = 1.0 - made.hysteresis_percent / 100 if direction == "down" else 1.0
        output = made.output_mv(po2) * on_the_way_down * (1 + 0.0004 * WAVE[(3 * index) % 12])
        error = 100 * (output / calibration_mv / po2 - 1)
        first = index == 1
        made_steps.append(
            StepResult(
                step=index,
                gas="oxygen",
                direction=direction,
                nominal_po2_bar=nominal,
                pressure_bar=po2 / 0.9937,
                temperature_c=21.6 + 0.1 * WAVE[index],
                po2_bar=po2,
                u_po2_bar=0.0021,
                output_mv=output,
                u_output_mv=0.011,
                indication_error_percent=None if first else error,
                expanded_uncertainty_percent=None if first else 0.24 + 0.06 * nominal,
                shows_bar=output / calibration_mv,
                settled=True,
            )
        )
    return tuple(made_steps)


def curve_of(made: Made) -> ResponseCurve:
    """The curve itself, with a band that widens with PO2."""
    grid = tuple(i * 2.2 / 60 for i in range(1, 61))
    output = tuple(made.output_mv(p) for p in grid)
    band = tuple(0.05 + 0.006 * v for v in output)
    return ResponseCurve(
        model="linear" if made.ceiling_mv is None else "free sharpness",
        zero_mv=made.zero_mv,
        slope_mv_per_bar=made.slope_mv,
        ceiling_mv=made.ceiling_mv,
        sharpness=None if made.ceiling_mv is None else made.sharpness,
        po2_bar=grid,
        output_mv=output,
        lower_mv=tuple(v - b for v, b in zip(output, band, strict=True)),
        upper_mv=tuple(v + b for v, b in zip(output, band, strict=True)),
    )


def response_of(made: Made, direction: Direction, step: int, low: float, high: float) -> StepResponse:
    """One ramp of 24 s seen by a one-pole cell."""
    begin, end = (low, high) if direction == "up" else (high, low)
    ramp_s = 24.0
    times = tuple(0.5 * i for i in range(-20, 141))
    po2 = tuple(begin + (end - begin) * min(max(t / ramp_s, 0.0), 1.0) for t in times)
    fitted, lagged = [], po2[0]
    for p in po2:
        lagged += (p - lagged) * (1 - math.exp(-0.5 / made.tau_s))
        fitted.append(made.output_mv(lagged))
    return StepResponse(
        direction=direction,
        step=step,
        model="one pole",
        t90_s=made.tau_s * math.log(10),
        u_t90_s=0.12,
        degrees_of_freedom=140.0,
        delay_s=0.05,
        t_s=times,
        po2_bar=po2,
        output_mv=tuple(v + 0.015 * WAVE[i % 12] for i, v in enumerate(fitted)),
        fitted_mv=tuple(fitted),
    )


def linear_to(made: Made) -> Figure:
    """Where the error of the curve itself passes 5 %."""
    calibration = made.output_mv(1.0)
    po2 = 1.0
    while po2 < 2.0 and abs(made.output_mv(po2) / calibration / po2 - 1) < 0.05:
        po2 += 0.001
    if po2 >= 2.0:
        return Figure(
            "linear_to_bar", "bar", None, None, grade="pass", probability_of_conformity=0.9995,
            pass_limits=(2.0, None), reject_limits=(1.6, None), at_least=2.0,
        )  # fmt: skip
    return figure("linear_to_bar", "bar", po2, 0.018, (2.0, None), (1.6, None))


def figures_of(made: Made, steps: tuple[StepResult, ...]) -> tuple[Figure, ...]:
    """All figures of DESIGN's default limits."""
    scaled_air = made.output_mv(0.2095)
    found = [
        figure("air_output_mv", "mV", scaled_air, 0.061, (8.4, 14.0), (7.2, 16.0)),
        figure(
            "oxygen_output_mv", "mV", made.output_mv(1.0), 0.21, (40.0, 67.0), (34.0, 76.0), required=True
        ),
    ]
    for step in steps:
        if step.direction == "up" and step.indication_error_percent is not None:
            nominal = step.nominal_po2_bar or 0.0
            narrow, wide = (2.5, 5.0) if nominal < 1.7 else (5.0, 10.0)
            found.append(
                figure(
                    "indication_error_percent",
                    "%",
                    step.indication_error_percent,
                    step.expanded_uncertainty_percent or 0.0,
                    (-narrow, narrow),
                    (-wide, wide),
                    nominal,
                    required=nominal == 1.6,
                )
            )
    slope = 100 * ((made.output_mv(0.2095) / 0.2095) / (made.output_mv(1.0)) - 1)
    t90 = made.tau_s * math.log(10)
    found += [
        linear_to(made),
        figure("air_slope_agreement_percent", "%", slope, 0.62, (-3.0, 3.0), (-6.0, 6.0)),
        figure("t90_s", "s", t90 * 1.04, 0.33, (None, 6.0), (None, 15.0)),
        figure("hysteresis_percent", "%", made.hysteresis_percent, 0.11, (None, 1.0), (None, 2.5)),
        figure("fade_percent_per_min", "%/min", made.fade_percent_per_min, 0.07, (None, 0.5), (None, 2.0)),
        figure("noise_percent", "%", 0.031, 0.012, (None, 0.2), (None, 1.0)),
    ]
    return tuple(found)


def worst(figures: tuple[Figure, ...]) -> Grade:
    """The worst of the figures."""
    grades = {f.grade for f in figures}
    if "reject" in grades:
        return "reject"
    return "watch" if "watch" in grades else "pass"


NAMES = {
    "air_output_mv": "Output in air",
    "oxygen_output_mv": "Output in oxygen",
    "indication_error_percent": "Indication error",
    "linear_to_bar": "Linear range",
    "t90_s": "T90",
    "hysteresis_percent": "Hysteresis",
    "fade_percent_per_min": "Fade",
}


def reasons_of(figures: tuple[Figure, ...], grade: Grade) -> tuple[str, ...]:
    """Sentences as from grading."""
    if grade == "pass":
        return ("Every figure tested lies inside its pass limits with its whole uncertainty.",)
    said = []
    for f in figures:
        if f.grade not in {"watch", "reject"} or f.value is None:
            continue
        where = "" if f.nominal_po2_bar is None else f" at {f.nominal_po2_bar:.1f} bar"
        limits = f.reject_limits if f.grade == "reject" else f.pass_limits
        sides = " to ".join("no limit" if x is None else f"{x:g}" for x in limits or ())
        word = (
            "reaches beyond the reject limits"
            if f.grade == "reject"
            else "is not fully inside the pass limits"
        )
        said.append(
            f"{NAMES.get(f.key, f.key)}{where} is {f.value:.2f} ± {f.expanded_uncertainty:.2f} {f.unit} and "
            f"{word} ({sides} {f.unit})."
        )
    return tuple(said)


def mirror_of(made: Made) -> tuple[tuple[float, float], ...]:
    """Display and truth, for every display that the cell reaches below 2.0 bar."""
    calibration = made.output_mv(1.0)
    pairs = []
    for shown in (1.2, 1.3, 1.4, 1.5, 1.6):
        truth = 1.0
        while truth < 2.0 and made.output_mv(truth) / calibration < shown:
            truth += 0.001
        if truth < 2.0:
            pairs.append((shown, truth))
    return tuple(pairs)


def statements_of(steps: tuple[StepResult, ...], mirror: tuple[tuple[float, float], ...]) -> tuple[str, ...]:
    """Sentences as from grading."""
    shown = {s.nominal_po2_bar: s.shows_bar for s in steps if s.direction == "up"}
    truth = dict(mirror)[1.3]
    return (
        f"Calibrated on this cell at PO2 1.00 bar, a handset shows {shown[1.6]:.2f} where the truth is "
        f"1.60 bar, and {shown[2.0]:.2f} where it is 2.00 bar.",
        f"When it shows 1.30, the truth is {truth:.2f} bar.",
    )


def cell_of(made: Made, socket: int) -> CellResult:
    """One graded cell with all data behind it."""
    steps = steps_of(made)
    figures = figures_of(made, steps)
    grade = worst(figures)
    mirror = mirror_of(made)
    return CellResult(
        info=CellInfo(
            cell=made.serial,
            socket=socket,
            maker=made.maker,
            model=made.model,
            date_code=made.date_code,
            customer="JOB-2207",
            lot="L-25-11",
            condition=made.condition,
        ),
        grade=grade,
        reasons=reasons_of(figures, grade),
        diagnosis=made.diagnosis,
        figures=figures,
        detail=CellDetail(
            steps=steps,
            curve=curve_of(made),
            responses=(
                response_of(made, "up", 2, 1.0, 1.2),
                response_of(made, "down", 11, 1.0, 1.2),
            ),
            calibration_po2_bar=1.0004,
            statements=statements_of(steps, mirror),
            true_po2_when_display_says=mirror,
        ),
    )


INSTRUMENTS = tuple(
    InstrumentLine(name, role, serial, identity, calibrated, due, overdue, uncertainty)
    for name, role, serial, identity, calibrated, due, overdue, uncertainty in (
        (
            "scanner",
            "voltmeter",
            "TW-8-0031",
            "Tideway Works TW-8 firmware 1.2",
            "2026-02-10",
            "2027-02-10",
            False,
            "gain 0.02 %, zero 0.005 mV, resolution 0.0005 mV",
        ),
        (
            "gauge_a",
            "gauge",
            "TG-20117",
            "",
            "2026-01-20",
            "2027-01-20",
            False,
            "gain 0.05 %, zero 0.0008 bar, nonlinearity 0.02 %, span 4 bar, resolution 3e-05 bar",
        ),
        (
            "gauge_b",
            "second_gauge",
            "TG-20118",
            "",
            "2025-01-18",
            "2026-01-18",
            True,
            "gain 0.1 %, zero 2 mbar",
        ),
        ("barometer", "barometer", "TB-10042", "", "", "", False, "zero 0.0004 bar"),
        (
            "thermometer",
            "thermometer",
            "TT-4-0113",
            "Tideway Works TW-T2 firmware 1.2",
            "2026-02-10",
            "2027-02-10",
            False,
            "temperature 0.2 K",
        ),
        ("valves", "valves", "TV-00058", "", "", "", False, ""),
    )
)


def conditions() -> RunConditions:
    """The run that the cells were in."""
    return RunConditions(
        record_id="2026-03-02T101500Z-a1b2",
        started_utc="2026-03-02T10:15:00Z",
        ended="2026-03-02T10:41:32Z",
        operator="A. Operator",
        place="Skerry Point Bench, test room",
        bench="Skerry Point Bench (virtual)",
        bench_sha256=hashlib.sha256(b"bench").hexdigest(),
        procedure="full, version 1",
        procedure_sha256=hashlib.sha256(b"procedure").hexdigest(),
        record_sha256=hashlib.sha256(b"record").hexdigest(),
        barometer_bar=1.0124,
        temperature_c=(21.2, 21.9),
        relative_humidity=0.48,
        oxygen_fraction=0.9937,
        u_oxygen_fraction=0.0013,
        purge="7 swings 1.05 to 2.00 bar; oxygen 99.37 ± 0.26 %",
        leak="0.14 ± 0.21 mbar/min at 2.01 bar: tight",
        highest_pressure_bar=2.0131,
        fastest_ramp_bar_per_min=0.52,
        missing_readings=3,
        instruments=INSTRUMENTS,
        notes=("Room oxygen was not monitored.",),
        uncertainty_source="bench file virtual_bench.toml",
    )


def sample() -> Grading:
    """A record of six cells: pass, watch, and rejects of several kinds."""
    return Grading(
        source="records/2026-03-02T101500Z-a1b2",
        source_kind="record",
        limits_name="general",
        limits_version="1",
        limits_sha256=hashlib.sha256(b"limits").hexdigest(),
        software_version="0.1.0",
        conditions=conditions(),
        cells=tuple(cell_of(made, socket) for socket, made in enumerate(CELLS, start=1)),
    )


def interrupted() -> Grading:
    """A run that ended without its end: nothing can be graded."""
    why = "The run was interrupted in the hold at 1.6 bar: the record has no end."
    whole = sample()
    cells = tuple(
        replace(
            cell,
            grade="ungraded",
            reasons=(why,),
            diagnosis=("Run the test again from the start.",),
            figures=tuple(
                replace(f, value=None, expanded_uncertainty=None, grade=None, at_least=None,
                        probability_of_conformity=None, reason="the run was interrupted")
                for f in cell.figures
            ),
            detail=CellDetail(steps=cell.detail.steps[:4]),
        )
        for cell in whole.cells
    )  # fmt: skip
    return replace(whole, cells=cells, conditions=replace(whole.conditions, ended=""))


def pen_and_paper() -> Grading:
    """One cell from a typed readings table: three steps, hardly any conditions, no trace."""
    made = CELLS[0]
    cell = cell_of(made, 1)
    steps = tuple(s for s in cell.detail.steps if s.step in {1, 4, 6})
    untested = "the table has no such reading"
    figures = tuple(
        f if f.key == "oxygen_output_mv" or f.nominal_po2_bar in {1.6, 2.0}
        else missing(f.key, f.unit, untested, f.nominal_po2_bar)
        for f in cell.figures
    )  # fmt: skip
    detail = CellDetail(steps=steps, calibration_po2_bar=1.0, statements=cell.detail.statements)
    return Grading(
        source="readings.csv",
        source_kind="readings",
        limits_name="general",
        limits_version="1",
        limits_sha256=hashlib.sha256(b"limits").hexdigest(),
        software_version="0.1.0",
        conditions=RunConditions(uncertainty_source="stated default instrument set"),
        cells=(CellResult(CellInfo(cell="TB-0417"), "pass", cell.reasons, (), figures, detail),),
    )


def many(count: int) -> Grading:
    """A lot of `count` cells, for long summaries."""
    whole = sample()
    cells = []
    for index in range(count):
        cell = whole.cells[index % len(whole.cells)]
        info = replace(cell.info, cell=f"TB-{2000 + index}", socket=index % 8 + 1)
        cells.append(replace(cell, info=info))
    return replace(whole, cells=tuple(cells))
