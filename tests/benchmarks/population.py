"""Simulated cells and runs for the statistical benchmarks: truths from five families, readings with errors.

The errors that a run's cells share (gauge gain and zero, non-linearity, bottle, purge, voltmeter, drift) are
drawn afresh for every cell, as if each were tested in a separate run; that makes the cells independent.
All populations are invented; none is field data.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from drivers.virtual.cells import CellModel
from grading.measurement import ErrorModel, Measurement, StepTable
from grading.results import CellInfo, RunConditions

AIR_FRACTION = 0.20946
BOTTLE_FRACTION = 0.995
NOMINAL = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 1.8, 1.6, 1.4, 1.2, 1.0)
DIRECTIONS = ("up",) * 6 + ("down",) * 5
STEPS_ABOVE = (1.2, 1.4, 1.6, 1.8, 2.0)
BAROMETER_BAR = 1.005
TEMPERATURE_C = 21.0
SCATTER_MV = 0.003
SCATTER_DOF = 60.0
PRESSURE_SCATTER_BAR = 0.00005

Response = Callable[[np.ndarray], np.ndarray]
"""Maps PO2 in bar, (N, K), to output in mV, (N, K); row i belongs to cell i."""


@dataclass(frozen=True)
class Population:
    """N cells of one family.

    Attributes:
        name: of the family.
        response: settled output.
    """

    name: str
    count: int
    response: Response

    def true_error_percent(self, po2_bar: np.ndarray) -> np.ndarray:
        """Indication error after calibration at PO2 1.0, for PO2 of shape (G,): (N, G)."""
        grid = np.broadcast_to(po2_bar, (self.count, len(po2_bar)))
        at_one = self.response(np.ones((self.count, 1)))
        return 100.0 * (self.response(grid) / at_one / grid - 1.0)

    def true_linear_to_bar(self, highest_bar: float = 3.0) -> np.ndarray:
        """Highest PO2 up to which the error stays within 5 %, (N,); infinite beyond `highest_bar`."""
        grid = np.arange(1.0, highest_bar + 1e-9, 0.0005)
        linear_to = np.full(self.count, np.inf)
        block = 500
        for start in range(0, self.count, block):
            rows = slice(start, start + block)
            part = replace(
                self, count=len(range(*rows.indices(self.count))), response=_rows(self.response, rows)
            )
            beyond = np.abs(part.true_error_percent(grid)) > 5.0
            first = np.argmax(beyond, axis=1)
            linear_to[rows] = np.where(beyond.any(axis=1), grid[first], np.inf)
        return linear_to


def _rows(response: Response, rows: slice) -> Response:
    def of_some(po2: np.ndarray) -> np.ndarray:
        return response.rows(rows)(po2) if hasattr(response, "rows") else response(po2)

    return of_some


class Family:
    """A response with one set of parameters a cell, each of shape (N,)."""

    def __init__(self, formula: Callable[..., np.ndarray], *parameters: np.ndarray) -> None:
        self.formula = formula
        self.parameters = parameters

    def __call__(self, po2: np.ndarray) -> np.ndarray:
        return self.formula(po2, *(parameter[:, None] for parameter in self.parameters))

    def rows(self, rows: slice) -> Family:
        return Family(self.formula, *(parameter[rows] for parameter in self.parameters))


def _blend(p, slope, knee, sharpness, zero):
    return zero + slope * p / (1.0 + (p / knee) ** sharpness) ** (1.0 / sharpness)


def _hard_clip(p, slope, knee, zero):
    return zero + slope * np.minimum(p, knee)


def _tanh(p, slope, knee, zero):
    return zero + slope * knee * np.tanh(p / knee)


def _exponential(p, slope, knee, zero):
    return zero - slope * knee * np.expm1(-p / knee)


def _mechanism(p, slope, surplus, ohmic, limit, zero):
    """The virtual bench's mechanism, solved for all cells at once by bisection."""
    low, high = np.zeros(np.broadcast(p, slope).shape), np.minimum(slope * p, limit * (1 - 1e-12))
    for _ in range(50):
        middle = 0.5 * (low + high)
        slowing = middle / ohmic + np.arcsinh(middle / 800.0) - 2.0 * np.log1p(-middle / limit)
        needed = middle / slope * (1.0 + np.exp(np.minimum(slowing, 600.0)) / surplus)
        below = needed < p
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return 0.5 * (low + high) + zero


def _slope_and_zero(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    return rng.uniform(42.0, 58.0, count), rng.uniform(0.0, 0.15, count)


def blend(count: int, rng: np.random.Generator, knees: tuple[float, float] = (1.5, 4.0)) -> Population:
    """The family of the fit, knees drawn log-uniformly."""
    slope, zero = _slope_and_zero(rng, count)
    knee = np.exp(rng.uniform(*np.log(knees), count))
    sharpness = np.exp(rng.uniform(np.log(2.0), np.log(16.0), count))
    return Population("blend (the fit's own)", count, Family(_blend, slope, knee, sharpness, zero))


def hard_clip(count: int, rng: np.random.Generator) -> Population:
    """Straight up to a knee, flat from there."""
    slope, zero = _slope_and_zero(rng, count)
    return Population("hard clip", count, Family(_hard_clip, slope, rng.uniform(1.3, 2.4, count), zero))


def tanh(count: int, rng: np.random.Generator) -> Population:
    """Hyperbolic tangent."""
    slope, zero = _slope_and_zero(rng, count)
    knee = np.exp(rng.uniform(np.log(2.0), np.log(12.0), count))
    return Population("tanh", count, Family(_tanh, slope, knee, zero))


def exponential(count: int, rng: np.random.Generator) -> Population:
    """Exponential saturation."""
    slope, zero = _slope_and_zero(rng, count)
    knee = np.exp(rng.uniform(np.log(4.0), np.log(80.0), count))
    return Population("exponential saturation", count, Family(_exponential, slope, knee, zero))


def mechanism(count: int, rng: np.random.Generator) -> Population:
    """The virtual bench's mechanism: a third each of healthy, soft and hard ceilings."""
    slope, zero = _slope_and_zero(rng, count)
    kind = rng.integers(0, 3, count)
    surplus = 10.0 ** np.choose(
        kind, [rng.uniform(5.0, 6.0, count), rng.uniform(2.3, 4.0, count), rng.uniform(3.5, 5.0, count)]
    )
    ohmic = rng.uniform(16.0, 30.0, count)
    limit = np.where(kind == 2, slope * rng.uniform(1.2, 2.4, count), 900.0)
    return Population(
        "mechanism (virtual bench)", count, Family(_mechanism, slope, surplus, ohmic, limit, zero)
    )


FAMILIES = (blend, hard_clip, tanh, exponential, mechanism)


def check_mechanism() -> None:
    """Hold the vectorised mechanism to the virtual bench's own."""
    model = CellModel("TB-0417", "Tarnby", "test", 48.0, cathode_surplus=900.0, ohmic_scale_mv=20.0)
    one = [np.array([x]) for x in (48.0, 900.0, 20.0, 900.0, model.zero_mv)]
    for po2 in (0.21, 1.0, 1.6, 2.0):
        ours = float(Family(_mechanism, *one)(np.array([[po2]]))[0, 0])
        if abs(ours - model.steady_mv(po2)) > 1e-6:
            raise SystemExit(f"mechanism: {ours} mV here, {model.steady_mv(po2)} mV in the virtual bench")


@dataclass(frozen=True)
class Simulated:
    """A measurement of a population, with the true PO2 of every step."""

    measurement: Measurement
    true_po2_bar: np.ndarray
    true_output_mv: np.ndarray


def simulate(population: Population, rng: np.random.Generator, errors: ErrorModel | None = None) -> Simulated:
    """Test every cell once: ambient air, then PO2 1.0 to 2.0 and back, each in a separate run.

    The forward chain is written out here on its own; it shares no code with the grading's budget.
    """
    errors = errors or ErrorModel()
    n, k = population.count, len(NOMINAL) + 1
    air = np.arange(k) == 0

    def common(u: float) -> np.ndarray:
        return u * rng.standard_normal((n, 1))

    def each(u: float) -> np.ndarray:
        return u * rng.standard_normal((n, k))

    read_bar = np.where(air, BAROMETER_BAR, np.array([0.0, *NOMINAL]) / BOTTLE_FRACTION) + np.zeros((n, k))
    x = read_bar / errors.gauge_span_bar
    gauge = (
        read_bar * (1.0 + common(errors.gauge_gain))
        + common(errors.gauge_zero_bar)
        + common(errors.gauge_nonlinearity) * errors.gauge_span_bar * 4.0 * x * (1.0 - x)
        + each(errors.gauge_resolution_bar)
    )
    true_bar = np.where(air, read_bar + common(errors.barometer_bar), gauge) + each(PRESSURE_SCATTER_BAR)
    # What the purge left behind is diluted by bottle gas as the pot is filled, and not by venting.
    thinned = np.concatenate([[0.0], 1.0 / np.maximum.accumulate(NOMINAL)])
    bottle = (
        BOTTLE_FRACTION
        + common(errors.bottle_oxygen_fraction)
        + common(errors.purge_oxygen_fraction) * thinned
    )
    fraction = np.where(air, AIR_FRACTION + common(errors.air_oxygen_fraction), bottle)
    humidity = np.where(air, 0.5 + common(errors.relative_humidity), 0.0)
    vapour_bar = 0.02488  # saturation at 21 degrees Celsius
    true_po2 = fraction * (true_bar - humidity * vapour_bar)
    true_mv = population.response(true_po2)
    gradient = errors.temperature_gradient_k * errors.cell_temperature_percent_per_k / 100.0
    given_mv = true_mv * (1.0 + each(gradient) + each(errors.cell_repeatability_percent / 100.0))
    hours = 2.0 * (np.arange(k) - (k - 1) / 2.0) / 60.0
    meter = 1.0 + common(errors.voltmeter_gain) + common(errors.drift_percent_per_hour / 100.0) * hours
    scale = SCATTER_MV * np.sqrt(rng.chisquare(SCATTER_DOF, (n, k)) / SCATTER_DOF)
    read_mv = (
        given_mv * meter
        + common(errors.voltmeter_zero_mv)
        + each(errors.voltmeter_resolution_mv)
        + each(SCATTER_MV)
    )
    full = np.ones((n, k))
    steps = StepTable(
        step=np.arange(k),
        gas=("air",) + ("oxygen",) * len(NOMINAL),
        direction=("up", *DIRECTIONS),
        nominal_po2_bar=np.array([np.nan, *NOMINAL]),
        time_s=120.0 * np.arange(k),
        pressure_bar=read_bar,
        u_pressure_bar=PRESSURE_SCATTER_BAR * full,
        oxygen_fraction=np.where(air, AIR_FRACTION, BOTTLE_FRACTION) * full,
        temperature_c=TEMPERATURE_C * full,
        relative_humidity=np.where(air, 0.5, 0.0) * full,
        output_mv=read_mv,
        u_output_mv=scale,
        output_dof=SCATTER_DOF * full,
        settled=np.ones((n, k), dtype=np.int64),
        noise_percent=0.02 * full,
        fade_percent_per_min=0.0 * full,
        u_fade_percent_per_min=0.02 * full,
    )
    measurement = Measurement(
        source=population.name,
        source_kind="readings",
        cells=tuple(CellInfo(f"PB-{i + 1:05d}") for i in range(n)),
        steps=steps,
        errors=errors,
        conditions=RunConditions(),
    )
    return Simulated(measurement, true_po2, true_mv)
