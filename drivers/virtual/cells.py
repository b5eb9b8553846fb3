"""Galvanic oxygen cells as mechanisms: each part is modelled, not the cell as a whole.

Gas dissolves in the membrane and diffuses through it (planar diffusion, its own series of time constants).
The flux that arrives is reduced at the cathode as far as cathode kinetics, the electrolyte's resistance and
the lead anode allow: the remaining oxygen accumulates behind the membrane and slows further diffusion. The
current runs through a load resistor with a thermistor, which follows the membrane's temperature late. A
polarisation that builds up slowly under high current makes the output of some cells drop while held.

Electrical quantities are in millivolts over the load at 20 degrees Celsius, which is current times the load.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from math import asinh, exp, expm1, log

from drivers.virtual.noise import Wander, WhiteNoise, stream_of
from drivers.virtual.pot import Breakpoint
from drivers.virtual_spec import CellTruth, VirtualBenchError

AIR_PO2_BAR = 0.2095
LINEAR_WITHIN_PERCENT = 5.0
HIGHEST_PO2_BAR = 8.0
_GRID_BAR = 0.005
_MODES = 5
_REGULAR_US = 1000  # steps of whole milliseconds come again; those between moves of a valve do not


@dataclass(frozen=True, slots=True)
class CellModel:
    """One cell's parts.

    Attributes:
        serial, maker, kind: its names, and its health in plain words.
        sensitivity_mv_per_bar: output per bar when diffusion alone limits, at 20 degrees Celsius.
        cathode_surplus: how many times faster than diffusion the cathode would reduce oxygen with its whole
            overpotential; a wetted or poisoned cathode has little.
        ohmic_scale_mv: rise of output that costs the cathode a factor e of its rate: Tafel slope over the
            resistance of electrolyte and leads. Dries out with age.
        anode_scale_mv: output at which the anode's own activation begins to cost; large when lead is left.
        anode_limit_mv: output that the anode cannot exceed (lead covered by oxide, hydroxide starved).
        anode_order: how the cathode's rate falls towards that limit.
        membrane_s: thickness^2 / (pi^2 D) of the membrane with whatever water lies on it, in seconds.
        zero_mv: output without oxygen.
        permeation_per_k: relative rise of permeation, per kelvin.
        compensation_error_per_k: the part that the thermistor leaves, per kelvin.
        fade_at_2_bar: final share of the output lost to polarisation at PO2 2.0 bar.
        fade_s, recovery_s: its time constants up and down, in seconds.
        noise_mv: white noise, rms. wander_percent: slow wander, rms, in percent of the output.
    """

    serial: str
    maker: str
    kind: str
    sensitivity_mv_per_bar: float
    cathode_surplus: float = 2e5
    ohmic_scale_mv: float = 24.0
    anode_scale_mv: float = 400.0
    anode_limit_mv: float = 900.0
    anode_order: float = 2.0
    membrane_s: float = 1.67
    zero_mv: float = 0.05
    permeation_per_k: float = 0.030
    compensation_error_per_k: float = 0.001
    fade_at_2_bar: float = 0.0
    fade_s: float = 150.0
    recovery_s: float = 80.0
    noise_mv: float = 0.004
    wander_percent: float = 0.01

    def po2_needed_bar(self, output_mv: float) -> float:
        """PO2 that drives `output_mv` through the cell in the steady state, at 20 degrees Celsius, in bar.

        The current i is at once the flux through the membrane, S (p - c), and the cathode's rate, k(i) c,
        where c is the oxygen pressure left at the cathode. The rate constant falls with the current, as
        resistance, anode activation and the anode's limit use up the overpotential:
        k(i) = S surplus exp(-i/ohmic) exp(-asinh(i/2 anode)) (1 - i/limit)^order. Eliminating c gives
        p = i/S + i/k(i), implicit in i.
        """
        left = 1.0 - output_mv / self.anode_limit_mv
        if left <= 0.0:
            return float("inf")
        log_slowing = (
            output_mv / self.ohmic_scale_mv
            + asinh(output_mv / (2.0 * self.anode_scale_mv))
            - self.anode_order * log(left)
        )
        if log_slowing > 600.0:
            return float("inf")
        ideal_bar = output_mv / self.sensitivity_mv_per_bar
        return ideal_bar * (1.0 + exp(log_slowing) / self.cathode_surplus)

    def steady_mv(self, po2_bar: float) -> float:
        """Settled output at `po2_bar` and 20 degrees Celsius without polarisation, in mV; bisection."""
        low, high = 0.0, min(self.sensitivity_mv_per_bar * po2_bar, self.anode_limit_mv)
        for _ in range(60):
            middle = 0.5 * (low + high)
            if self.po2_needed_bar(middle) < po2_bar:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high) + self.zero_mv

    def settled_mv(self, po2_bar: float, temperature_c: float = 20.0) -> float:
        """Settled output at a temperature that membrane and thermistor have both reached, in mV."""
        warmer_k = temperature_c - 20.0
        compensation = exp(-(self.permeation_per_k - self.compensation_error_per_k) * warmer_k)
        driven_bar = po2_bar * exp(self.permeation_per_k * warmer_k)
        return (self.steady_mv(driven_bar) - self.zero_mv) * compensation + self.zero_mv

    def indication_error_percent(self, po2_bar: float, temperature_c: float = 20.0) -> float:
        """What a handset calibrated at PO2 1.0 bar shows, less the truth, in percent of the truth."""
        calibration_mv = self.settled_mv(1.0, temperature_c)
        return (self.settled_mv(po2_bar, temperature_c) / calibration_mv / po2_bar - 1.0) * 100.0


@lru_cache(maxsize=4096)
def _table(model: CellModel) -> tuple[float, ...]:
    """Settled output without zero at 0, 5, 10 ... mbar of PO2, in mV, from the implicit equation.

    The inverse is explicit, so it is evaluated in fine steps of current and interpolated backwards.
    """
    steps = int(HIGHEST_PO2_BAR / _GRID_BAR) + 2
    ceiling = min(model.anode_limit_mv, model.sensitivity_mv_per_bar * HIGHEST_PO2_BAR)
    fine = ceiling / (2.0 * steps)
    table = [0.0]
    low_mv, low_bar, high_mv = 0.0, 0.0, fine
    high_bar = model.po2_needed_bar(high_mv)
    for index in range(1, steps):
        wanted = index * _GRID_BAR
        while high_bar < wanted:
            low_mv, low_bar = high_mv, high_bar
            high_mv += fine
            high_bar = model.po2_needed_bar(high_mv)
        if high_bar - low_bar < 4.0 * fine / model.sensitivity_mv_per_bar:
            table.append(low_mv + (high_mv - low_mv) * (wanted - low_bar) / (high_bar - low_bar))
        else:
            table.append(model.steady_mv(wanted) - model.zero_mv)
    return tuple(table)


class Cell:
    """A cell in its socket; it follows the pot's past up to each reading.

    Attributes:
        model: the parts.
        socket: socket number.
        contact: "good", "open" (unplugged), "short" or "noisy".
    """

    __slots__ = (
        "_coefficients",
        "_index",
        "_lags_bar",
        "_noise",
        "_now_us",
        "_past",
        "_po2_bar",
        "_polarised",
        "_rate_per_us",
        "_table",
        "_thermistor_per_k",
        "_wander",
        "contact",
        "model",
        "socket",
    )

    def __init__(self, model: CellModel, socket: int, past: list[Breakpoint], seed: int) -> None:
        stream = stream_of(seed, f"cell {model.serial}")
        self.model = model
        self.socket = socket
        self.contact = "good"
        self._table = _table(model)
        self._thermistor_per_k = model.permeation_per_k - model.compensation_error_per_k
        self._noise = WhiteNoise(stream)
        self._wander = Wander(stream, 40.0, 150.0)
        self._past = past
        self._index = 1
        self._now_us, _, self._po2_bar, _, _ = past[0]
        self._lags_bar = (0.0,) * _MODES
        self._rate_per_us = 1e-6 / model.membrane_s
        self._polarised = 0.0
        self._coefficients: dict[int, tuple[float, ...]] = {}

    def follow(self, until_us: int) -> None:
        """Bring the membrane up to `until_us`, which the pot must have reached.

        Between breakpoints PO2 is a straight line, for which the lag of every mode has an exact
        solution: lag e^-x - rise (1 - e^-x) / x, x being the time over the mode's time constant.
        """
        past, index = self._past, self._index
        end = len(past)
        now_us, was_bar = self._now_us, self._po2_bar
        lag1, lag2, lag3, lag4, lag5 = self._lags_bar
        fades = self.model.fade_at_2_bar > 0.0
        kept = self._coefficients
        while index < end:
            at_us, _, po2_bar, _, _ = past[index]
            if at_us <= until_us:
                index += 1
            elif now_us < until_us:
                po2_bar = was_bar + (until_us - now_us) / (at_us - now_us) * (po2_bar - was_bar)
                at_us = until_us
            else:
                break
            step_us = at_us - now_us
            if step_us <= 0:
                continue
            coefficients = kept.get(step_us) or self._coefficients_of(step_us)
            keep1, take1, keep2, take2, keep3, take3, keep4, take4, keep5, take5 = coefficients
            rise_bar = po2_bar - was_bar
            lag1 = keep1 * lag1 - take1 * rise_bar
            lag2 = keep2 * lag2 - take2 * rise_bar
            lag3 = keep3 * lag3 - take3 * rise_bar
            lag4 = keep4 * lag4 - take4 * rise_bar
            lag5 = keep5 * lag5 - take5 * rise_bar
            if fades:
                self._polarise(step_us * 1e-6, 0.5 * (was_bar + po2_bar))
            was_bar, now_us = po2_bar, at_us
        self._index, self._now_us, self._po2_bar = index, now_us, was_bar
        self._lags_bar = (lag1, lag2, lag3, lag4, lag5)

    def forget(self, count: int) -> None:
        """Catch up, so that the pot can forget its first `count` breakpoints."""
        self.follow(self._past[count][0])
        self._index -= count

    def output_mv(self, at_us: int) -> float:
        """Voltage over the load at `at_us`, in mV; instants must not run backwards."""
        self.follow(at_us)
        contact = self.contact
        if contact == "short":
            return 0.0
        noise = self._noise
        if contact == "open":
            # A floating input picks up whatever is near.
            return 2.5 * noise.at(at_us // 1000)
        model = self.model
        _, _, _, membrane_k, thermistor_k = self._past[min(self._index, len(self._past) - 1)]
        lag1, lag2, lag3, lag4, lag5 = self._lags_bar
        # Planar diffusion behind a step: 1 - 2 e1 + 2 e2 - 2 e3 + ..., the last term halved so that the sum
        # is exactly zero at the start.
        flux_bar = self._po2_bar + 2.0 * (lag1 - lag2 + lag3 - lag4) + lag5
        driven_bar = flux_bar * exp(model.permeation_per_k * membrane_k)
        if self._polarised:
            driven_bar *= 1.0 - self._polarised
        position = driven_bar / _GRID_BAR
        cell_index = int(position)
        table = self._table
        if position < 0.0:
            settled_mv = table[1] * position
        elif cell_index + 1 < len(table):
            below = table[cell_index]
            settled_mv = below + (table[cell_index + 1] - below) * (position - cell_index)
        else:
            settled_mv = table[-1]
        value_mv = (
            settled_mv
            * exp(-self._thermistor_per_k * thermistor_k)
            * (1.0 + 0.01 * model.wander_percent * self._wander.at(at_us * 1e-6))
            + model.zero_mv
            + model.noise_mv * noise.at(at_us // 1000)
        )
        if contact == "noisy":
            spike = noise.at(at_us // 1000 + 3571)
            if spike > 0.8:
                value_mv *= 1.0 - 0.06 * spike
        return value_mv

    def _polarise(self, step_s: float, po2_bar: float) -> None:
        """Advance the polarisation by one step at this mean PO2."""
        model = self.model
        square = (0.5 * po2_bar) ** 2
        aim = min(model.fade_at_2_bar * square**4, 0.6)
        lag_s = model.fade_s if aim > self._polarised else model.recovery_s
        self._polarised = aim + (self._polarised - aim) * exp(-step_s / lag_s)

    def _coefficients_of(self, step_us: int) -> tuple[float, ...]:
        """Per mode, what is kept of its lag over one step, and what it takes of the rise."""
        x = self._rate_per_us * step_us
        # The decay of mode n is that of the first one to the power n^2.
        keep1 = exp(-x)
        square = keep1 * keep1
        keep2 = square * square
        eighth = keep2 * keep2
        keep3, keep4 = eighth * keep1, eighth * eighth
        keep5 = keep3 * keep4
        coefficients = (
            keep1, (1.0 - keep1) / x,
            keep2, (1.0 - keep2) / (4.0 * x),
            keep3, (1.0 - keep3) / (9.0 * x),
            keep4, (1.0 - keep4) / (16.0 * x),
            keep5, (1.0 - keep5) / (25.0 * x),
        )  # fmt: skip
        if step_us % _REGULAR_US == 0:
            self._coefficients[step_us] = coefficients
        return coefficients


def step_answer(model: CellModel, after_s: float) -> float:
    """Answer of the membrane to an ideal unit step of PO2, `after_s` seconds later."""
    return 1.0 + sum(
        (1.0 if mode == _MODES else 2.0) * (-1.0) ** mode * exp(-mode * mode * after_s / model.membrane_s)
        for mode in range(1, _MODES + 1)
    )


def truth_of(model: CellModel, temperature_c: float = 20.0) -> CellTruth:
    """Calculate the true figures of `model` from its parts, at a temperature in degrees Celsius."""

    def beyond(po2_bar: float) -> bool:
        return abs(model.indication_error_percent(po2_bar, temperature_c)) > LINEAR_WITHIN_PERCENT

    low, high = 0.0, 20.0 * model.membrane_s
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if step_answer(model, middle) < 0.9 else (low, middle)
    t90_s = 0.5 * (low + high)
    linear_to: float | None = None
    po2_bar = 1.0
    while po2_bar < 6.0:
        if beyond(po2_bar + 0.02):
            below, above = po2_bar, po2_bar + 0.02
            for _ in range(30):
                middle = 0.5 * (below + above)
                below, above = (below, middle) if beyond(middle) else (middle, above)
            linear_to = 0.5 * (below + above)
            break
        po2_bar += 0.02
    taken = model.fade_at_2_bar * -expm1(-60.0 / model.fade_s)
    return CellTruth(
        serial=model.serial,
        kind=model.kind,
        temperature_c=temperature_c,
        output_at_1_bar_mv=model.settled_mv(1.0, temperature_c),
        linear_to_bar=linear_to,
        t90_s=t90_s,
        fade_percent_per_min=100.0 * taken,
        indication_error_percent={
            po2: model.indication_error_percent(po2, temperature_c) for po2 in (1.0, 1.2, 1.4, 1.6, 1.8, 2.0)
        },
    )


class Truths(Mapping[str, CellTruth]):
    """Truth by serial at one temperature, calculated on request."""

    def __init__(self, models: Mapping[str, CellModel], temperature_c: float) -> None:
        self._models = dict(models)
        self._temperature_c = temperature_c

    def __getitem__(self, serial: str) -> CellTruth:
        return truth_of(self._models[serial], self._temperature_c)

    def __iter__(self) -> Iterator[str]:
        return iter(self._models)

    def __len__(self) -> int:
        return len(self._models)


SIX_CELLS: tuple[CellModel, ...] = (
    CellModel("TB-0417", "Tarnby", "new", 50.2, zero_mv=0.04, membrane_s=1.62),
    CellModel(
        "OS-1123",
        "Ostrand",
        "old but linear",
        40.6,
        ohmic_scale_mv=17.0,
        zero_mv=0.09,
        membrane_s=1.78,
        compensation_error_per_k=0.0015,
    ),
    CellModel(
        "TB-0388",
        "Tarnby",
        "current limited, soft",
        48.5,
        cathode_surplus=420.0,
        ohmic_scale_mv=21.0,
        zero_mv=0.07,
        membrane_s=1.70,
    ),
    CellModel(
        "OS-1090",
        "Ostrand",
        "current limited, hard, near 1.5 bar",
        49.0,
        cathode_surplus=1e4,
        anode_limit_mv=85.5,
        zero_mv=0.06,
        membrane_s=1.66,
    ),
    CellModel("TB-0402", "Tarnby", "slow, wet membrane", 51.4, zero_mv=0.05, membrane_s=6.68),
    CellModel(
        "OS-1131",
        "Ostrand",
        "drops while held",
        47.6,
        zero_mv=0.08,
        membrane_s=1.74,
        fade_at_2_bar=0.10,
    ),
)
"""The drawer of the demo: one cell of every kind of health."""


def drawn_cell(serial: str, stream: random.Random) -> CellModel:
    """Draw one healthy cell: 44 to 56 mV at PO2 1.0 bar, T90 4.5 to 5.5 s, linear beyond 2.5 bar."""
    return CellModel(
        serial,
        stream.choice(("Tarnby", "Ostrand")),
        "healthy",
        sensitivity_mv_per_bar=stream.uniform(44.0, 56.0),
        cathode_surplus=10.0 ** stream.uniform(5.0, 6.0),
        ohmic_scale_mv=stream.uniform(22.0, 30.0),
        membrane_s=stream.uniform(1.52, 1.82),
        zero_mv=stream.uniform(0.0, 0.12),
        compensation_error_per_k=stream.gauss(0.0, 0.001),
        noise_mv=stream.uniform(0.002, 0.006),
        wander_percent=stream.uniform(0.004, 0.015),
    )


def drawn_population(count: int, seed: int) -> tuple[CellModel, ...]:
    """Draw `count` cells of mixed health, serials PB-0001 and on.

    The mix is assumed, not field data: 75 % healthy, 15 % ageing (low output, early shortfall), 10 % with one
    of: soft ceiling, hard ceiling, slow, drop while held.
    """
    cells = []
    for number in range(1, count + 1):
        serial = f"PB-{number:04d}"
        stream = stream_of(seed, f"population {serial}")
        healthy = drawn_cell(serial, stream)
        lot = stream.random()
        if lot < 0.75:
            cells.append(healthy)
        elif lot < 0.90:
            cells.append(
                replace(
                    healthy,
                    kind="ageing",
                    sensitivity_mv_per_bar=stream.uniform(34.0, 46.0),
                    ohmic_scale_mv=stream.uniform(8.0, 16.0),
                    cathode_surplus=10.0 ** stream.uniform(3.5, 5.0),
                )
            )
        else:
            cells.append(_drawn_bad(healthy, stream))
    return tuple(cells)


def _drawn_bad(healthy: CellModel, stream: random.Random) -> CellModel:
    kind = stream.choice(("soft", "hard", "slow", "fading"))
    if kind == "soft":
        return replace(
            healthy,
            kind="current limited, soft",
            cathode_surplus=10.0 ** stream.uniform(2.3, 3.0),
            ohmic_scale_mv=stream.uniform(16.0, 28.0),
        )
    if kind == "hard":
        return replace(
            healthy,
            kind="current limited, hard",
            cathode_surplus=10.0 ** stream.uniform(3.5, 5.0),
            anode_limit_mv=healthy.sensitivity_mv_per_bar * stream.uniform(1.2, 2.0),
        )
    if kind == "slow":
        return replace(healthy, kind="slow, wet membrane", membrane_s=stream.uniform(4.0, 12.0))
    return replace(healthy, kind="drops while held", fade_at_2_bar=stream.uniform(0.04, 0.15))


def drawer_of(name: str, seed: int) -> dict[str, CellModel]:
    """Cells of a drawer by serial: "six_cells", or "population:N".

    Raises:
        VirtualBenchError: when there is no such drawer.
    """
    if name == "six_cells":
        return {model.serial: model for model in SIX_CELLS}
    kind, _, count = name.partition(":")
    if kind == "population" and count.isdecimal() and 0 < int(count) <= 100_000:
        return {model.serial: model for model in drawn_population(int(count), seed)}
    raise VirtualBenchError(
        f"virtual bench: there is no drawer {name!r}; use 'six_cells', "
        "or 'population:N' with N from 1 to 100000"
    )


def model_of(serial: str, drawer: Mapping[str, CellModel]) -> CellModel:
    """The drawer's cell of that serial, or a healthy one drawn by the serial itself."""
    known = drawer.get(serial)
    return known if known is not None else drawn_cell(serial, random.Random(f"unknown serial {serial}"))
