"""Our chain from readings to PO2, output and indication error against GTC and `uncertainties`, to rounding.

Both libraries are given the inputs one by one and the plain formulas; ours differentiates whole arrays.
"""

import GTC
import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from grading.measurement import ErrorModel, StepTable
from grading.response.indication import indication_error
from grading.uncertainty import step_errors

NOMINAL = np.array([np.nan, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 1.8, 1.6, 1.4, 1.2, 1.0])
K = NOMINAL.size
AIR = np.isnan(NOMINAL)
COEFFICIENT_PERCENT_PER_K = 0.15
REFERENCE_C = 20.0
ERRORS = ErrorModel(degrees_of_freedom={"gauge_gain": 12.0, "cell_repeatability_percent": 30.0})


def table():
    rng = np.random.default_rng(101)
    fraction = np.where(AIR, 0.20946, 0.9937)
    pressure = np.where(AIR, 1.0087, np.nan_to_num(NOMINAL) / 0.994) + 0.002 * rng.standard_normal(K)
    output = np.array([49.3 * f * p * (1 - 0.02 * f * p) for f, p in zip(fraction, pressure, strict=True)])
    one = np.ones((1, K))
    return StepTable(
        step=np.arange(K),
        gas=tuple("air" if air else "oxygen" for air in AIR),
        direction=("up",) * 7 + ("down",) * 5,
        nominal_po2_bar=NOMINAL,
        time_s=np.arange(K) * 95.0,
        pressure_bar=pressure[None],
        u_pressure_bar=1.5e-4 * one,
        oxygen_fraction=fraction[None],
        temperature_c=(21.5 + 0.7 * rng.standard_normal(K))[None],
        relative_humidity=np.where(AIR, 0.47, 0.0)[None],
        output_mv=output[None],
        u_output_mv=0.006 * one,
        output_dof=14.0 * one,
        settled=np.ones((1, K), dtype=np.int64),
        noise_percent=one,
        fade_percent_per_min=0.0 * one,
        u_fade_percent_per_min=one,
    )


def saturation_bar(temperature_c, exp):
    """Wagner-Pruss (IAPWS SR1-86), written out again."""
    kelvin = temperature_c + 273.15
    x = 1.0 - kelvin / 647.096
    sum_ = (
        -7.85951783 * x
        + 1.84408259 * x**1.5
        - 11.7866497 * x**3
        + 22.6807411 * x**3.5
        - 15.9618719 * x**4
        + 1.80122502 * x**7.5
    )
    return 220.64 * exp(647.096 / kelvin * sum_)


def chain_with(number, exp):
    """PO2 and output of every step; `number(x, u, dof, name)` makes an uncertain number."""
    steps, e = table(), ERRORS
    row = {name: getattr(steps, name)[0] for name in ("pressure_bar", "temperature_c", "output_mv")}
    inf = float("inf")
    gain = number(0.0, e.gauge_gain, 12.0, "gauge gain")
    zero = number(0.0, e.gauge_zero_bar, inf, "gauge zero")
    bend = number(0.0, e.gauge_nonlinearity, inf, "gauge non-linearity")
    barometer = number(0.0, e.barometer_bar, inf, "barometer")
    bottle = number(0.0, e.bottle_oxygen_fraction, inf, "bottle oxygen")
    purge = number(0.0, e.purge_oxygen_fraction, inf, "purge")
    air_fraction = number(0.0, e.air_oxygen_fraction, inf, "air oxygen")
    humidity = number(0.0, e.relative_humidity, inf, "relative humidity")
    thermometer = number(0.0, e.temperature_k, inf, "thermometer")
    alpha = number(0.0, e.cell_temperature_percent_per_k / 100, inf, "cell temperature coefficient")
    volt_gain = number(0.0, e.voltmeter_gain, inf, "voltmeter gain")
    volt_zero = number(0.0, e.voltmeter_zero_mv, inf, "voltmeter zero")
    drift = number(0.0, e.drift_percent_per_hour / 100, inf, "drift")
    hours = (steps.time_s - steps.time_s.mean()) / 3600.0
    gradient = e.temperature_gradient_k * np.hypot(
        COEFFICIENT_PERCENT_PER_K / 100, e.cell_temperature_percent_per_k / 100
    )
    po2, output = [], []
    highest = np.maximum.accumulate(np.where(AIR, 0.0, row["pressure_bar"]))
    for k in range(K):
        p, t, v = (float(row[name][k]) for name in ("pressure_bar", "temperature_c", "output_mv"))
        pressure = p + number(0.0, 1.5e-4, inf, "pressure scatter")
        resolution = number(0.0, e.gauge_resolution_bar, inf, "gauge resolution")
        if AIR[k]:
            pressure = pressure + barometer
            vapour = (0.47 + humidity) * saturation_bar(t + thermometer, exp)
            po2.append((0.20946 + air_fraction) * (pressure - vapour))
        else:
            curve = bend * e.gauge_span_bar * 4 * (p / e.gauge_span_bar) * (1 - p / e.gauge_span_bar)
            pressure = pressure + gain * p + zero + curve + resolution
            # Filling further from the bottle dilutes the air left by the purge.
            left = float(row["pressure_bar"][1] / highest[k])
            po2.append((0.9937 + bottle + purge * left) * pressure)
        volts = v * (1 + volt_gain + drift * float(hours[k])) + volt_zero
        volts = volts + number(0.0, e.voltmeter_resolution_mv, inf, "voltmeter resolution")
        volts = volts + number(0.0, 0.006, 14.0, "output scatter")
        volts = volts * (
            1
            + alpha * (t - float(row["temperature_c"].mean()))
            + number(0.0, gradient, inf, "temperature gradient")
            + number(0.0, e.cell_repeatability_percent / 100, 30.0, "cell repeatability")
        )
        output.append(volts / (1 + COEFFICIENT_PERCENT_PER_K / 100 * (t - REFERENCE_C + thermometer)))
    return po2, output


def ours():
    return step_errors(table(), ERRORS, np.array([COEFFICIENT_PERCENT_PER_K]), REFERENCE_C)


def test_covariance_of_the_chain_agrees_with_uncertainties():
    errors = ours()
    po2, output = chain_with(lambda x, u, dof, name: uncertainties.ufloat(x, u, name), umath.exp)
    theirs = np.array(uncertainties.covariance_matrix([*po2, *output]))
    assert errors.po2_bar[0] == pytest.approx([x.nominal_value for x in po2], rel=1e-12)
    assert errors.output_mv[0] == pytest.approx([x.nominal_value for x in output], rel=1e-12)
    found = errors.propagate(lambda p, v: np.concatenate([p, v], axis=-1)).covariance[0]
    scale = np.sqrt(np.diag(theirs))
    assert found / np.outer(scale, scale) == pytest.approx(theirs / np.outer(scale, scale), abs=1e-9)
    assert np.diag(found) == pytest.approx(np.diag(theirs), rel=1e-9)


def test_indication_errors_budget_and_degrees_of_freedom_agree_with_gtc():
    errors = ours()
    inputs = []

    def number(x, u, dof, name):
        made = GTC.ureal(x, u, df=dof, label=name)
        inputs.append((name, made))
        return made

    po2, output = chain_with(number, GTC.exp)
    steps = [4, 6, 11]
    found = errors.propagate(
        lambda p, v: np.stack(
            [indication_error(p[..., k], v[..., k], p[..., 1], v[..., 1]) for k in steps], -1
        )
    )
    for column, k in enumerate(steps):
        theirs = output[k] / output[1] * po2[1] / po2[k] - 1
        assert found.value[0, column] == pytest.approx(theirs.x, rel=1e-9)
        assert found.standard_uncertainty[0, column] == pytest.approx(theirs.u, rel=1e-9)
        assert found.degrees_of_freedom[0, column] == pytest.approx(theirs.df, rel=1e-9)
        parts = {}
        for name, made in inputs:
            parts[name] = parts.get(name, 0.0) + GTC.rp.u_component(theirs, made) ** 2
        lines = {line.name: line.standard_uncertainty for line in found.budget(0, column)}
        for name, variance in parts.items():
            expected = np.sqrt(variance)
            assert lines.get(name, 0.0) == pytest.approx(expected, rel=1e-9, abs=1e-15)
