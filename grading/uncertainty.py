"""Propagation of uncertainty after JCGM 100, batched over cells.

Derivatives are taken by the complex step (exact to rounding, no step to choose), so every function
passed in here must be analytic: no abs, max, interpolation or comparison on values. Coverage is 95.45 %
throughout (k = 2 for infinite degrees of freedom), Student's t at the effective degrees of freedom otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from grading import gas
from grading.measurement import ErrorModel, FloatArray, StepTable
from grading.results import Contribution

COVERAGE: Final = 0.9544997361036416
"""Probability inside plus and minus two standard deviations of a normal distribution."""

COMPLEX_STEP: Final = 1e-30

ArrayFunction = Callable[[NDArray[Any]], NDArray[Any]]
"""Maps (..., M) to (..., Q), row by row."""


def coverage_factor(degrees_of_freedom: float | FloatArray, coverage: float = COVERAGE) -> FloatArray:
    """Student's t for two-sided `coverage`; JCGM 100 G.3. NaN where the degrees of freedom are NaN or < 1.

    Args:
        degrees_of_freedom: effective; infinity is allowed. Not truncated to integers.
        coverage: probability inside the interval.
    """
    dof = np.asarray(degrees_of_freedom, dtype=np.float64)
    # stdtrit wants finite degrees of freedom; at 1e9 Student's t is normal to nine digits.
    factor = stdtrit(np.where(dof >= 1.0, np.minimum(dof, 1e12), np.nan), 0.5 * (1.0 + coverage))
    return np.asarray(factor, dtype=np.float64)


def effective_degrees_of_freedom(contributions: FloatArray, degrees_of_freedom: FloatArray) -> FloatArray:
    """Welch-Satterthwaite, JCGM 100 G.4.1: u^4 / sum(u_i^4 / nu_i) over the last axis.

    Args:
        contributions: |sensitivity| * u of independent inputs, shape (..., M).
        degrees_of_freedom: of each, broadcastable to the same shape.

    Returns:
        Shape (...); infinity where every contribution has infinite degrees of freedom.
    """
    largest = np.max(np.abs(contributions), axis=-1, keepdims=True, initial=0.0)
    # Contributions relative to the largest one, so that nothing overflows.
    variance = (contributions / np.where(largest > 0.0, largest, 1.0)) ** 2
    total = np.sum(variance, axis=-1, keepdims=True)
    share = variance / np.where(total > 0.0, total, 1.0)
    weakness = np.sum(share**2 / degrees_of_freedom, axis=-1)
    with np.errstate(divide="ignore"):
        return np.asarray(1.0 / weakness)


def complex_step_jacobian(function: ArrayFunction, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Value and Jacobian of a row-wise function.

    Args:
        function: maps (..., M) to (..., Q), analytic.
        x: shape (..., M).

    Returns:
        Value of shape (..., Q) and Jacobian of shape (..., Q, M).
    """
    x = np.asarray(x, dtype=np.float64)
    columns: list[FloatArray] = []
    value: FloatArray | None = None
    for m in range(x.shape[-1]):
        stepped = x.astype(np.complex128)
        stepped[..., m] += 1j * COMPLEX_STEP
        # Missing values are NaN and stay NaN; complex arithmetic would warn about each of them.
        with np.errstate(invalid="ignore"):
            result = function(stepped)
        columns.append(np.imag(result) / COMPLEX_STEP)
        if value is None:
            value = np.asarray(np.real(result), dtype=np.float64)
    if value is None:
        raise ValueError("a function of no inputs has no Jacobian")
    return value, np.stack(columns, axis=-1)


@dataclass(frozen=True, slots=True)
class Propagated:
    """Q quantities of N cells with their uncertainty.

    Attributes:
        value: shape (N, Q).
        covariance: shape (N, Q, Q).
        names: length M, the contributions' names.
        contributions: |sensitivity| * u by name, shape (N, Q, M). Their squares add up to the variance.
        degrees_of_freedom: effective, shape (N, Q).
        input_degrees_of_freedom: of each contribution, shape (N, Q, M).
    """

    value: FloatArray
    covariance: FloatArray
    names: tuple[str, ...]
    contributions: FloatArray
    degrees_of_freedom: FloatArray
    input_degrees_of_freedom: FloatArray

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Combined standard uncertainty, shape (N, Q)."""
        return np.asarray(np.sqrt(np.diagonal(self.covariance, axis1=-2, axis2=-1)))

    @property
    def coverage_factor(self) -> FloatArray:
        """Student factor at the effective degrees of freedom, shape (N, Q)."""
        return coverage_factor(self.degrees_of_freedom)

    @property
    def expanded_uncertainty(self) -> FloatArray:
        """U = k u, shape (N, Q)."""
        return self.coverage_factor * self.standard_uncertainty

    def budget(self, cell: int, quantity: int, least_share: float = 0.0) -> tuple[Contribution, ...]:
        """Return the contributions to one quantity of one cell, largest first.

        Args:
            cell: row.
            quantity: column.
            least_share: leave out contributions below this part of the variance.
        """
        return budget_lines(
            self.names,
            self.contributions[cell, quantity],
            self.input_degrees_of_freedom[cell, quantity],
            least_share,
        )


def budget_lines(
    names: Sequence[str], contributions: FloatArray, degrees_of_freedom: FloatArray, least_share: float = 0.0
) -> tuple[Contribution, ...]:
    """Budget of one quantity, largest contribution first; `contributions` of shape (M,)."""
    variance = contributions**2
    total = float(np.sum(variance))
    share = variance / total if total > 0.0 else np.zeros_like(variance)
    order = np.argsort(-variance, kind="stable")
    return tuple(
        Contribution(names[m], float(contributions[m]), float(degrees_of_freedom[m]), float(share[m]))
        for m in order
        if contributions[m] > 0.0 and share[m] >= least_share
    )


@dataclass(frozen=True, slots=True)
class StepErrors:
    """Reference PO2 and output of every step with the whole covariance between them, by source of error.

    The last axis of length 2K is the K reference PO2 values, then the K outputs. Rows of `common` affect all
    steps together (a gauge's gain); rows of `independent` affect each step alone (scatter). Missing steps
    have NaN values and zero sensitivities.

    Attributes:
        po2_bar, output_mv: shape (N, K).
        common: sensitivity times standard uncertainty, shape (N, C, 2K).
        common_names: length C.
        common_dof: shape (C,).
        independent: the same for independent sources, shape (N, G, 2K).
        independent_names: length G.
        independent_dof: shape (N, G, 2K).
    """

    po2_bar: FloatArray
    output_mv: FloatArray
    common: FloatArray
    common_names: tuple[str, ...]
    common_dof: FloatArray
    independent: FloatArray
    independent_names: tuple[str, ...]
    independent_dof: FloatArray

    @property
    def names(self) -> tuple[str, ...]:
        """Names of all contributions, the order of a budget's columns."""
        return self.common_names + self.independent_names

    @property
    def u_po2_bar(self) -> FloatArray:
        """Combined standard uncertainty of the reference PO2, shape (N, K); NaN for missing steps."""
        k = self.po2_bar.shape[1]
        variance = np.sum(self.common[..., :k] ** 2, axis=1) + np.sum(self.independent[..., :k] ** 2, axis=1)
        return np.asarray(np.where(np.isfinite(self.po2_bar), np.sqrt(variance), np.nan))

    def cell(self, index: int) -> StepErrors:
        """Return one cell alone, still with a cell axis."""
        rows = slice(index, index + 1)
        return StepErrors(
            po2_bar=self.po2_bar[rows],
            output_mv=self.output_mv[rows],
            common=self.common[rows],
            common_names=self.common_names,
            common_dof=self.common_dof,
            independent=self.independent[rows],
            independent_names=self.independent_names,
            independent_dof=self.independent_dof[rows],
        )

    def propagate(self, figures: Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]) -> Propagated:
        """Propagate to any analytic figures of PO2 and output.

        Args:
            figures: maps PO2 (N, K) and output (N, K) to (N, Q), cell by cell. A figure that uses a missing
                step comes out NaN; put several figures into one call, since they share the work.
        """
        k = self.po2_bar.shape[1]

        def joined(x: NDArray[Any]) -> NDArray[Any]:
            return figures(x[..., :k], x[..., k:])

        value, jacobian = complex_step_jacobian(
            joined, np.concatenate([self.po2_bar, self.output_mv], axis=1)
        )
        return self.propagate_jacobian(value, jacobian)

    def propagate_jacobian(self, value: FloatArray, jacobian: FloatArray) -> Propagated:
        """Propagate with a Jacobian that is already known.

        Args:
            value: shape (N, Q).
            jacobian: with respect to (PO2, output), shape (N, Q, 2K).
        """
        jacobian = np.where(np.isfinite(value)[..., None], jacobian, 0.0)
        # Derivatives by a missing step are NaN only where the figure uses it, and then its value is NaN too.
        jacobian = np.where(np.isfinite(jacobian), jacobian, 0.0)
        n, q = value.shape
        common = np.einsum("nqi,nci->nqc", jacobian, self.common)
        covariance = np.einsum("nqc,nrc->nqr", common, common)
        covariance += np.einsum("nqi,nri,ni->nqr", jacobian, jacobian, np.sum(self.independent**2, axis=1))
        groups = len(self.independent_names)
        independent = np.empty((n, q, groups))
        independent_dof = np.empty((n, q, groups))
        quartic = np.sum(common**4 / self.common_dof, axis=-1)
        for g in range(groups):
            parts = (jacobian * self.independent[:, None, g, :]) ** 2
            variance = parts.sum(axis=-1)
            group_quartic = np.sum(parts**2 / self.independent_dof[:, None, g, :], axis=-1)
            independent[..., g] = np.sqrt(variance)
            with np.errstate(divide="ignore", invalid="ignore"):
                independent_dof[..., g] = np.where(group_quartic > 0.0, variance**2 / group_quartic, np.inf)
            quartic += group_quartic
        total = np.diagonal(covariance, axis1=1, axis2=2)
        with np.errstate(divide="ignore", invalid="ignore"):
            effective = np.where(quartic > 0.0, total**2 / quartic, np.inf)
        missing = ~np.isfinite(value)
        covariance = np.where(missing[:, :, None] | missing[:, None, :], np.nan, covariance)
        return Propagated(
            value=value,
            covariance=covariance,
            names=self.names,
            contributions=np.concatenate([np.abs(common), independent], axis=-1),
            degrees_of_freedom=np.where(missing, np.nan, effective),
            input_degrees_of_freedom=np.concatenate(
                [np.broadcast_to(self.common_dof, common.shape), independent_dof], axis=-1
            ),
        )


def step_errors(
    steps: StepTable,
    errors: ErrorModel,
    temperature_coefficient_percent_per_k: FloatArray | None = None,
    reference_temperature_c: float | FloatArray = 20.0,
) -> StepErrors:
    """Reference PO2 and output of every step, with their uncertainties by source.

    The chain is one function of all inputs: gauge or barometer to pressure; pressure, fraction and vapour to
    PO2; volts to output; output to the reference temperature where the cell's coefficient is known. It is
    differentiated by the complex step, common inputs one by one and independent ones all steps at once.

    Args:
        steps: N cells by K steps.
        errors: the standard uncertainties of the instruments.
        temperature_coefficient_percent_per_k: known coefficient of each cell, shape (N,); NaN or None for a
            cell that is not corrected.
        reference_temperature_c: temperature that corrected outputs are brought to; number or shape (N,).

    Returns:
        PO2 and output with their covariance by source.
    """
    coefficient_per_k = np.zeros(len(steps.pressure_bar))
    if temperature_coefficient_percent_per_k is not None:
        coefficient_per_k = np.nan_to_num(np.asarray(temperature_coefficient_percent_per_k)) / 100.0
    present = (
        np.isfinite(steps.pressure_bar) & np.isfinite(steps.output_mv) & np.isfinite(steps.oxygen_fraction)
    )
    chain = _chain_of(steps, errors.gauge_span_bar, coefficient_per_k, reference_temperature_c, present)
    common = _common_sources(errors)
    independent = _independent_sources(steps, errors, coefficient_per_k)
    po2_bar, output_mv = chain.values(lambda _: 0.0)
    effects = _effects(chain, independent, present)
    return StepErrors(
        po2_bar=np.where(present, po2_bar, np.nan),
        output_mv=np.where(present, output_mv, np.nan),
        common=_effects(chain, common, present),
        common_names=tuple(source.name for source in common),
        common_dof=np.array([source.degrees_of_freedom for source in common]),
        independent=effects,
        independent_names=tuple(source.name for source in independent),
        independent_dof=np.stack(
            [np.broadcast_to(source.degrees_of_freedom, effects[:, 0].shape) for source in independent],
            axis=1,
        ),
    )


_Deviation = Callable[[str], complex]
"""How far a source of error is from its estimate, by its name: nothing, or a complex step."""


@dataclass(frozen=True, slots=True)
class _Chain:
    """N cells at K steps, with the chain from readings to reference PO2 and output.

    Attributes:
        steps: the readings.
        gauge_span_bar: where the parabola of the gauge's non-linearity comes back to zero.
        air, oxygen: which steps are in this gas, shape (K,).
        dilution: how much of the air left by the purge is still there, shape (N, K).
        relative_humidity: shape (N, K), 0 where unknown.
        temperature_c: shape (N, K), 20 where unknown.
        above_mean_k: temperature less the cell's mean over its steps, shape (N, K).
        above_reference_k: temperature less the reference that outputs are brought to, shape (N, K); 0 where
            unknown, because an unknown temperature corrects nothing.
        hours: time less the mean time, shape (K,).
        coefficient_per_k: temperature coefficient of each cell, shape (N,); 0 for one that is not corrected.
    """

    steps: StepTable
    gauge_span_bar: float
    air: NDArray[np.bool_]
    oxygen: NDArray[np.bool_]
    dilution: FloatArray
    relative_humidity: FloatArray
    temperature_c: FloatArray
    above_mean_k: FloatArray
    above_reference_k: FloatArray
    hours: FloatArray
    coefficient_per_k: FloatArray

    def values(self, of: _Deviation) -> tuple[NDArray[Any], NDArray[Any]]:
        """PO2 in bar and output in mV, both (N, K), both NaN where one is."""
        humidity: NDArray[Any] = self.relative_humidity + self.air * of("relative humidity")
        temperature_c: NDArray[Any] = self.temperature_c + of("thermometer")
        po2_bar = gas.po2_bar(self._pressure_bar(of), self._oxygen_fraction(of), humidity, temperature_c)
        output_mv = self._output_mv(of) / self._correction(of)
        return po2_bar + 0.0 * output_mv, output_mv + 0.0 * po2_bar

    def sensitivity(self, name: str) -> FloatArray:
        """Derivative of PO2, then of the output, by one source at all steps, shape (N, 2K)."""
        values = self.values(lambda source: 1j * COMPLEX_STEP if source == name else 0.0)
        return np.concatenate([np.imag(value) for value in values], axis=1) / COMPLEX_STEP

    def _pressure_bar(self, of: _Deviation) -> NDArray[Any]:
        """Pressure by the gauge; in air, by the barometer."""
        pressure_bar = self.steps.pressure_bar
        x = pressure_bar / self.gauge_span_bar
        gauge_error_bar = (
            of("gauge gain") * pressure_bar
            + of("gauge zero")
            + of("gauge non-linearity") * self.gauge_span_bar * 4.0 * x * (1.0 - x)
            + of("gauge resolution")
        )
        return (
            pressure_bar + ~self.air * gauge_error_bar + self.air * of("barometer") + of("pressure scatter")
        )

    def _oxygen_fraction(self, of: _Deviation) -> NDArray[Any]:
        return (
            self.steps.oxygen_fraction
            + self.oxygen * (of("bottle oxygen") + of("purge") * self.dilution)
            + self.air * of("air oxygen")
        )

    def _output_mv(self, of: _Deviation) -> NDArray[Any]:
        """Output of the cell at the temperature of its step."""
        read_mv = (
            self.steps.output_mv * (1.0 + of("voltmeter gain") + of("drift") * self.hours)
            + of("voltmeter zero")
            + of("voltmeter resolution")
            + of("output scatter")
        )
        return read_mv * (
            1.0
            + of("cell temperature coefficient") * self.above_mean_k
            + of("temperature gradient")
            + of("cell repeatability")
        )

    def _correction(self, of: _Deviation) -> NDArray[Any]:
        """Divisor that brings an output to the reference temperature."""
        known = np.isfinite(self.steps.temperature_c)
        excess_k = self.above_reference_k + known * of("thermometer")
        return 1.0 + self.coefficient_per_k[:, None] * excess_k


def _chain_of(
    steps: StepTable,
    gauge_span_bar: float,
    coefficient_per_k: FloatArray,
    reference_temperature_c: float | FloatArray,
    present: NDArray[np.bool_],
) -> _Chain:
    """The chain of these readings; `present` (N, K) says which steps a cell has."""
    known = np.isfinite(steps.temperature_c)
    temperature_c = np.where(known, steps.temperature_c, 20.0)
    reference_c = np.broadcast_to(np.asarray(reference_temperature_c, dtype=np.float64), len(temperature_c))
    oxygen = np.array([gas_name == "oxygen" for gas_name in steps.gas])
    hours = np.nan_to_num(steps.time_s) / 3600.0
    return _Chain(
        steps=steps,
        gauge_span_bar=gauge_span_bar,
        air=np.array([gas_name == "air" for gas_name in steps.gas]),
        oxygen=oxygen,
        dilution=_dilution(steps.pressure_bar, oxygen, steps.time_s),
        relative_humidity=np.nan_to_num(steps.relative_humidity),
        temperature_c=temperature_c,
        above_mean_k=temperature_c - _row_mean(temperature_c, present)[:, None],
        above_reference_k=np.where(known, temperature_c - reference_c[:, None], 0.0),
        hours=hours - hours.mean() if hours.size else hours,
        coefficient_per_k=coefficient_per_k,
    )


@dataclass(frozen=True, slots=True)
class _Source:
    """One source of error.

    Attributes:
        name: in the chain and in a budget.
        u: standard uncertainty, broadcastable to PO2 and output of all steps, (N, 2K).
        degrees_of_freedom: of `u`, broadcastable likewise.
    """

    name: str
    u: float | FloatArray
    degrees_of_freedom: float | FloatArray


def _of_instrument(errors: ErrorModel, name: str, attribute: str, per: float = 1.0) -> _Source:
    """A source that the error model gives under `attribute`; `per` is 100 where it is in percent."""
    return _Source(name, getattr(errors, attribute) / per, errors.degrees_of_freedom.get(attribute, np.inf))


def _common_sources(errors: ErrorModel) -> tuple[_Source, ...]:
    """Sources that affect all steps of a run alike."""
    return (
        _of_instrument(errors, "gauge gain", "gauge_gain"),
        _of_instrument(errors, "gauge zero", "gauge_zero_bar"),
        _of_instrument(errors, "gauge non-linearity", "gauge_nonlinearity"),
        _of_instrument(errors, "barometer", "barometer_bar"),
        _of_instrument(errors, "bottle oxygen", "bottle_oxygen_fraction"),
        _of_instrument(errors, "purge", "purge_oxygen_fraction"),
        _of_instrument(errors, "air oxygen", "air_oxygen_fraction"),
        _of_instrument(errors, "relative humidity", "relative_humidity"),
        _of_instrument(errors, "thermometer", "temperature_k"),
        _of_instrument(errors, "cell temperature coefficient", "cell_temperature_percent_per_k", per=100.0),
        _of_instrument(errors, "voltmeter gain", "voltmeter_gain"),
        _of_instrument(errors, "voltmeter zero", "voltmeter_zero_mv"),
        _of_instrument(errors, "drift", "drift_percent_per_hour", per=100.0),
    )


def _independent_sources(
    steps: StepTable, errors: ErrorModel, coefficient_per_k: FloatArray
) -> tuple[_Source, ...]:
    """Sources that affect each step of a cell on its own."""
    dof = errors.degrees_of_freedom
    # A gradient acts through the cell's true coefficient: the known one and its uncertainty.
    gradient = errors.temperature_gradient_k * np.hypot(
        coefficient_per_k, errors.cell_temperature_percent_per_k / 100.0
    )
    counted = np.isfinite(steps.output_dof) & (steps.output_dof > 0)
    output_dof = np.where(counted, steps.output_dof, np.inf)
    return (
        _of_instrument(errors, "gauge resolution", "gauge_resolution_bar"),
        _Source(
            "pressure scatter", _twice(np.nan_to_num(steps.u_pressure_bar)), dof.get("u_pressure_bar", np.inf)
        ),
        _Source("temperature gradient", gradient[:, None], dof.get("temperature_gradient_k", np.inf)),
        _of_instrument(errors, "voltmeter resolution", "voltmeter_resolution_mv"),
        _of_instrument(errors, "cell repeatability", "cell_repeatability_percent", per=100.0),
        _Source("output scatter", _twice(np.nan_to_num(steps.u_output_mv)), _twice(output_dof)),
    )


def _twice(values: NDArray[Any]) -> NDArray[Any]:
    """From (N, K) to (N, 2K): the same for PO2 and for output."""
    return np.concatenate([values, values], axis=1)


def _effects(chain: _Chain, sources: Sequence[_Source], present: NDArray[np.bool_]) -> FloatArray:
    """Sensitivity times standard uncertainty of each source, zero at missing steps, (N, sources, 2K)."""
    there = _twice(present)
    return np.stack(
        [np.where(there, chain.sensitivity(source.name), 0.0) * source.u for source in sources], axis=1
    )


def _dilution(pressure_bar: FloatArray, oxygen: NDArray[np.bool_], time_s: FloatArray) -> FloatArray:
    """How much of the air left by the purge is still there at each step, relative to the first, (N, K).

    Filling further from the bottle dilutes it by the rise of pressure; venting leaves the mixture as it is.
    """
    factor = np.ones_like(pressure_bar)
    columns = np.flatnonzero(oxygen)
    if np.all(np.isfinite(time_s[columns])):
        columns = columns[np.argsort(time_s[columns], kind="stable")]
    reached = np.zeros(pressure_bar.shape[0])
    first = np.full(pressure_bar.shape[0], np.nan)
    for k in columns:
        here = pressure_bar[:, k]
        first = np.where(np.isnan(first), here, first)
        reached = np.fmax(reached, here)
        factor[:, k] = np.where(reached > 0.0, first / np.where(reached > 0.0, reached, 1.0), 1.0)
    return np.nan_to_num(factor, nan=1.0)


def _row_mean(values: FloatArray, present: NDArray[np.bool_]) -> FloatArray:
    count = np.maximum(present.sum(axis=1), 1)
    return np.asarray(np.where(present, values, 0.0).sum(axis=1) / count)
