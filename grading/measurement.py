"""The form that every source is reduced to before it is graded: settled outputs of N cells at K steps.

Records, readings tables and trace tables all end here, so that one cell at home and ten thousand cells of
an archive go through the same arithmetic.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from grading.results import CellInfo, Direction, Gas, RunConditions, StepResponse

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """Standard uncertainties (k = 1) that are common to all steps of a run, and their degrees of freedom.

    A gauge's gain or zero error affects every step alike, so it largely cancels in the ratio of two outputs.
    These errors must be propagated as common, never as independent per step.

    Attributes:
        gauge_gain: relative.
        gauge_zero_bar: bar.
        gauge_nonlinearity: relative, peak of a parabola that is zero at 0 bar and at `gauge_span_bar`.
        gauge_span_bar: bar.
        gauge_resolution_bar: half-width / sqrt 3, independent per step.
        barometer_bar: bar; the reference of ambient-air readings.
        bottle_oxygen_fraction: absolute.
        purge_oxygen_fraction: absolute; imperfect mixing, common to all oxygen steps.
        air_oxygen_fraction: absolute.
        relative_humidity: absolute (0 to 1).
        temperature_k: thermometer error, common.
        cell_temperature_percent_per_k: residual temperature coefficient of the cells; acts through the
            temperature differences between steps and through `temperature_gradient_k`.
        temperature_gradient_k: how far a cell's membrane may be from the thermometer, independent per step.
        voltmeter_gain: relative.
        voltmeter_zero_mv: mV, common.
        voltmeter_resolution_mv: half-width / sqrt 3, independent per step.
        cell_repeatability_percent: of the output, independent per step.
        drift_percent_per_hour: of gauge against voltmeter over the run, acts through time between steps.
        degrees_of_freedom: by attribute name; missing means infinite.
        source: "bench file NAME" or the stated default instrument set.
    """

    gauge_gain: float = 0.001
    gauge_zero_bar: float = 0.001
    gauge_nonlinearity: float = 0.0003
    gauge_span_bar: float = 4.0
    gauge_resolution_bar: float = 0.0003
    barometer_bar: float = 0.0005
    bottle_oxygen_fraction: float = 0.002
    purge_oxygen_fraction: float = 0.001
    air_oxygen_fraction: float = 0.0001
    relative_humidity: float = 0.1
    temperature_k: float = 0.5
    cell_temperature_percent_per_k: float = 0.2
    temperature_gradient_k: float = 0.1
    voltmeter_gain: float = 0.0002
    voltmeter_zero_mv: float = 0.005
    voltmeter_resolution_mv: float = 0.0005
    cell_repeatability_percent: float = 0.03
    drift_percent_per_hour: float = 0.02
    degrees_of_freedom: dict[str, float] = field(default_factory=dict)
    source: str = "stated default instrument set"


@dataclass(frozen=True, slots=True)
class StepTable:
    """Settled outputs; N cells by K steps. NaN marks a step that a cell does not have.

    Attributes:
        step: number of each step, shape (K,).
        gas, direction: length K.
        nominal_po2_bar: shape (K,); NaN where a step has no nominal value (air, nitrogen).
        time_s: middle of the settled window after the start of the run, shape (K,); NaN where unknown.
        pressure_bar: absolute, mean over the settled window, shape (N, K). In air: the barometer.
        u_pressure_bar: standard uncertainty of that mean from scatter alone, shape (N, K).
        oxygen_fraction: dry, shape (N, K).
        temperature_c: shape (N, K).
        relative_humidity: 0 to 1, shape (N, K); zero in bottle gas.
        output_mv, u_output_mv, output_dof: settled mean, standard uncertainty from scatter (autocorrelation
            included) and its degrees of freedom, shape (N, K).
        settled: 1 yes, 0 no, -1 the source does not say; shape (N, K).
        noise_percent: rms over the hold after removing slow drift, of the output, shape (N, K); NaN where the
            output is not above zero, like the fade.
        fade_percent_per_min: fall of the output during the hold at constant PO2 (positive falls), (N, K).
        u_fade_percent_per_min: its standard uncertainty, shape (N, K).
    """

    step: IntArray
    gas: tuple[Gas, ...]
    direction: tuple[Direction, ...]
    nominal_po2_bar: FloatArray
    time_s: FloatArray
    pressure_bar: FloatArray
    u_pressure_bar: FloatArray
    oxygen_fraction: FloatArray
    temperature_c: FloatArray
    relative_humidity: FloatArray
    output_mv: FloatArray
    u_output_mv: FloatArray
    output_dof: FloatArray
    settled: IntArray
    noise_percent: FloatArray
    fade_percent_per_min: FloatArray
    u_fade_percent_per_min: FloatArray


@dataclass(frozen=True, slots=True)
class Measurement:
    """One source, reduced.

    Attributes:
        responses: per cell (index as in `cells`), the lag on each pressure change that could be fitted.
        ungraded: run-level reasons why no cell of this source can be graded (interrupted, trip, purge).
        cell_ungraded: per cell, reasons why this one cannot be graded (unplugged, rapid decompression).
        cell_notes: per cell, findings that do not prevent a grade ("not settled at 2.0 bar").
        cell_findings: per cell, what the rig or the reduction found, in the words of the record's `cell`
            events: "no_cell", "shorted", "unplugged", "swapped", "rapid_decompression"; the diagnosis says
            what to do.
        typed_pressure: the pressure was read off a dial by a person: figures that depend on it are watch
            at best.
        suspect: what the rig saw of cells off alike; no cell is graded then without a second run or a check
            cell that agrees.
        air_barred: why the reading in air is not used; empty where it is.
        bottle: serial of the bottle; empty where it is not stated.
    """

    source: str
    source_kind: Literal["record", "readings", "trace"]
    cells: tuple[CellInfo, ...]
    steps: StepTable
    errors: ErrorModel
    conditions: RunConditions
    responses: tuple[tuple[StepResponse, ...], ...] = ()
    ungraded: tuple[str, ...] = ()
    cell_ungraded: tuple[tuple[str, ...], ...] = ()
    cell_notes: tuple[tuple[str, ...], ...] = ()
    cell_findings: tuple[tuple[str, ...], ...] = ()
    typed_pressure: bool = False
    suspect: tuple[str, ...] = ()
    air_barred: str = ""
    bottle: str = ""


class SourceError(Exception):
    """A source that cannot be used as it is: one line with file, line, column and what would be right."""
