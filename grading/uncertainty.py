"""Propagation of uncertainty after JCGM 100, batched over cells.

Derivatives are taken by the complex step (exact to rounding, no step to choose), so every function that goes
in here must be analytic: no abs, max, interpolation or comparison on values. Coverage is 95.45 % throughout
(k = 2 for infinite degrees of freedom), Student's t at the effective degrees of freedom otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
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
    # Shares of the variance, by way of the largest, so that nothing overflows.
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
        # Missing values are NaN and stay NaN; complex arithmetic would warn of each of them.
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
            least_share: leave out what contributes less than this part of the variance.
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

    The last axis of length 2K is the K reference PO2 values, then the K outputs. Rows of `common` hit all
    steps together (a gauge's gain); rows of `independent` hit every step on its own (scatter). Missing steps
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
                step comes out NaN; put several figures into one call, they share the work.
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
    """Reference PO2 and output of every step, with what makes them uncertain.

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
    pressure = np.asarray(steps.pressure_bar, dtype=np.float64)
    n, k = pressure.shape
    air = np.array([gas_name == "air" for gas_name in steps.gas])
    oxygen = np.array([gas_name == "oxygen" for gas_name in steps.gas])
    gauge = ~air
    span = errors.gauge_span_bar
    temperature = np.where(np.isfinite(steps.temperature_c), steps.temperature_c, 20.0)
    present = np.isfinite(pressure) & np.isfinite(steps.output_mv) & np.isfinite(steps.oxygen_fraction)
    coefficient = np.zeros(n)
    if temperature_coefficient_percent_per_k is not None:
        coefficient = np.nan_to_num(np.asarray(temperature_coefficient_percent_per_k)) / 100.0
    reference = np.broadcast_to(np.asarray(reference_temperature_c, dtype=np.float64), (n,))
    known_temperature = np.isfinite(steps.temperature_c)
    # An unknown temperature corrects nothing.
    excess_k = np.where(known_temperature, temperature - reference[:, None], 0.0)
    mean_k = _row_mean(temperature, present)
    hours = np.nan_to_num(np.asarray(steps.time_s, dtype=np.float64)) / 3600.0
    hours = hours - hours.mean() if k else hours
    dilution = _dilution(pressure, oxygen, np.asarray(steps.time_s, dtype=np.float64))
    humidity = np.nan_to_num(np.asarray(steps.relative_humidity, dtype=np.float64))

    def chain(d: Mapping[str, Any]) -> tuple[NDArray[Any], NDArray[Any]]:
        """PO2 and output for the deviations `d` from the estimates, by name of the source."""

        def of(name: str) -> Any:
            return d.get(name, 0.0)

        x = pressure / span
        gauge_error = (
            of("gauge gain") * pressure
            + of("gauge zero")
            + of("gauge non-linearity") * span * 4.0 * x * (1.0 - x)
            + of("gauge resolution")
        )
        true_pressure = pressure + gauge * gauge_error + air * of("barometer") + of("pressure scatter")
        fraction = (
            steps.oxygen_fraction
            + oxygen * (of("bottle oxygen") + of("purge") * dilution)
            + air * of("air oxygen")
        )
        po2 = gas.po2_bar(
            true_pressure, fraction, humidity + air * of("relative humidity"), temperature + of("thermometer")
        )
        output = (
            steps.output_mv * (1.0 + of("voltmeter gain") + of("drift") * hours)
            + of("voltmeter zero")
            + of("voltmeter resolution")
            + of("output scatter")
        )
        output = output * (
            1.0
            + of("cell temperature coefficient") * (temperature - mean_k[:, None])
            + of("temperature gradient")
            + of("cell repeatability")
        )
        correction = 1.0 + coefficient[:, None] * (excess_k + known_temperature * of("thermometer"))
        return po2 + 0.0 * output, output / correction + 0.0 * po2

    common_inputs = (
        ("gauge gain", errors.gauge_gain, "gauge_gain"),
        ("gauge zero", errors.gauge_zero_bar, "gauge_zero_bar"),
        ("gauge non-linearity", errors.gauge_nonlinearity, "gauge_nonlinearity"),
        ("barometer", errors.barometer_bar, "barometer_bar"),
        ("bottle oxygen", errors.bottle_oxygen_fraction, "bottle_oxygen_fraction"),
        ("purge", errors.purge_oxygen_fraction, "purge_oxygen_fraction"),
        ("air oxygen", errors.air_oxygen_fraction, "air_oxygen_fraction"),
        ("relative humidity", errors.relative_humidity, "relative_humidity"),
        ("thermometer", errors.temperature_k, "temperature_k"),
        (
            "cell temperature coefficient",
            errors.cell_temperature_percent_per_k / 100.0,
            "cell_temperature_percent_per_k",
        ),
        ("voltmeter gain", errors.voltmeter_gain, "voltmeter_gain"),
        ("voltmeter zero", errors.voltmeter_zero_mv, "voltmeter_zero_mv"),
        ("drift", errors.drift_percent_per_hour / 100.0, "drift_percent_per_hour"),
    )
    # A gradient acts through whatever coefficient the cell really has: the known one and its doubt.
    gradient = errors.temperature_gradient_k * np.hypot(
        coefficient, errors.cell_temperature_percent_per_k / 100.0
    )
    full = np.ones((n, k))
    independent_inputs = (
        ("gauge resolution", errors.gauge_resolution_bar * full, "gauge_resolution_bar"),
        ("pressure scatter", np.nan_to_num(steps.u_pressure_bar), "u_pressure_bar"),
        ("temperature gradient", gradient[:, None] * full, "temperature_gradient_k"),
        ("voltmeter resolution", errors.voltmeter_resolution_mv * full, "voltmeter_resolution_mv"),
        (
            "cell repeatability",
            errors.cell_repeatability_percent / 100.0 * full,
            "cell_repeatability_percent",
        ),
        ("output scatter", np.nan_to_num(steps.u_output_mv), "u_output_mv"),
    )

    def sensitivity(name: str) -> FloatArray:
        po2, output = chain({name: 1j * COMPLEX_STEP})
        both = np.concatenate([np.imag(po2), np.imag(output)], axis=1) / COMPLEX_STEP
        return np.where(np.concatenate([present, present], axis=1), both, 0.0)

    common = np.stack([sensitivity(name) * u for name, u, _ in common_inputs], axis=1)
    independent = np.stack(
        [sensitivity(name) * np.concatenate([u, u], axis=1) for name, u, _ in independent_inputs], axis=1
    )
    dof = errors.degrees_of_freedom
    independent_dof = np.empty_like(independent)
    for g, (_, _, attribute) in enumerate(independent_inputs):
        independent_dof[:, g, :] = dof.get(attribute, np.inf)
    scatter_dof = np.where(np.isfinite(steps.output_dof) & (steps.output_dof > 0), steps.output_dof, np.inf)
    independent_dof[:, -1, k:] = scatter_dof
    po2, output = chain({})
    return StepErrors(
        po2_bar=np.where(present, po2, np.nan),
        output_mv=np.where(present, output, np.nan),
        common=common,
        common_names=tuple(name for name, _, _ in common_inputs),
        common_dof=np.array([dof.get(attribute, np.inf) for _, _, attribute in common_inputs]),
        independent=independent,
        independent_names=tuple(name for name, _, _ in independent_inputs),
        independent_dof=independent_dof,
    )


def _dilution(pressure_bar: FloatArray, oxygen: NDArray[np.bool_], time_s: FloatArray) -> FloatArray:
    """How much of the air that a purge left behind is still there at each step, against the first, (N, K).

    Filling on from the bottle dilutes it by the rise of pressure; venting leaves the mixture as it is.
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
