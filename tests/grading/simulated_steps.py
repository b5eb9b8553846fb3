"""Simulated runs: N cells of any response, each in its own run with newly drawn instrument errors.

Independent of the chain under test: true values first, then what the instruments would have shown.
"""

import numpy as np

from grading.measurement import ErrorModel, StepTable

FULL = np.array([np.nan, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 1.8, 1.6, 1.4, 1.2, 1.0, np.nan])
"""Nominal PO2 of the full procedure; NaN is ambient air."""
BOTTLE = 0.994


def steps(response, cells, seed, errors=None, nominal=FULL, scatter_mv=0.005, hysteresis=0.0):
    """Draw a StepTable of `cells` rows.

    Args:
        response: maps true PO2 (N, K) to true output (N, K).
        hysteresis: relative rise of the output on the way down.
    """
    e = errors or ErrorModel()
    rng = np.random.default_rng(seed)
    k = nominal.size
    air = np.isnan(nominal)
    one = np.ones((cells, k))
    hours = np.arange(k) * 95.0 / 3600.0

    def per_run():
        return rng.standard_normal((cells, 1))

    def per_step():
        return rng.standard_normal((cells, k))

    pressure = one * np.where(air, 1.013, np.nan_to_num(nominal) / BOTTLE)
    x = pressure / e.gauge_span_bar
    gauge_error = (
        e.gauge_gain * per_run() * pressure
        + e.gauge_zero_bar * per_run()
        + e.gauge_nonlinearity * per_run() * e.gauge_span_bar * 4 * x * (1 - x)
        + e.gauge_resolution_bar * per_step()
    )
    # Filling further from the bottle dilutes the air left by the purge; venting does not.
    left = np.where(air, 0.0, 1.0 / np.fmax.accumulate(np.where(air, 1.0, np.nan_to_num(nominal, nan=1.0))))
    shown = pressure - np.where(air, e.barometer_bar * per_run(), gauge_error) - 1e-4 * per_step()
    fraction = np.where(air, 0.20946, BOTTLE) + np.where(
        air,
        e.air_oxygen_fraction * per_run(),
        e.bottle_oxygen_fraction * per_run() + e.purge_oxygen_fraction * per_run() * left,
    )
    temperature = 21.0 + 0.4 * per_step()
    humidity = np.where(air, 0.5 + e.relative_humidity * per_run(), 0.0)
    # Magnus's formula is good to 0.3 % of the vapour, 0.01 % of the PO2.
    vapour = 6.112e-3 * np.exp(17.62 * temperature / (243.12 + temperature))
    po2 = fraction * (pressure - humidity * vapour)
    output = np.asarray(response(po2), dtype=float) * one
    warm = temperature - temperature.mean(axis=1, keepdims=True)
    per_k = e.cell_temperature_percent_per_k / 100
    output = output * (
        1
        - per_k * per_run() * warm
        + per_k * e.temperature_gradient_k * per_step()
        + e.cell_repeatability_percent / 100 * per_step()
    )
    output = output * np.where(np.arange(k) > k // 2, 1.0 + hysteresis, 1.0)
    drift = e.drift_percent_per_hour / 100 * per_run() * (hours - hours.mean())
    output = (
        output * (1 - e.voltmeter_gain * per_run() - drift)
        - e.voltmeter_zero_mv * per_run()
        + e.voltmeter_resolution_mv * per_step()
        + scatter_mv * per_step()
    )
    return StepTable(
        step=np.arange(k),
        gas=tuple("air" if a else "oxygen" for a in air),
        direction=tuple("up" if i <= k // 2 else "down" for i in range(k)),
        nominal_po2_bar=nominal,
        time_s=hours * 3600.0,
        pressure_bar=shown,
        u_pressure_bar=1e-4 * one,
        oxygen_fraction=one * np.where(air, 0.20946, BOTTLE),
        temperature_c=temperature,
        relative_humidity=one * np.where(air, 0.5, 0.0),
        output_mv=output,
        u_output_mv=scatter_mv * one,
        output_dof=60.0 * one,
        settled=np.ones((cells, k), dtype=np.int64),
        noise_percent=0.05 * one,
        fade_percent_per_min=0.0 * one,
        u_fade_percent_per_min=0.05 * one,
    )


def line(slope=50.0):
    return lambda p: slope * p


def blended(slope, ceiling, sharpness):
    """Our own family."""
    return lambda p: slope * p * (1 + (slope * p / ceiling) ** sharpness) ** (-1 / sharpness)


def clipped(slope, ceiling):
    """A hard ceiling."""
    return lambda p: np.minimum(slope * p, ceiling)


def hyperbolic(slope, ceiling):
    return lambda p: ceiling * np.tanh(slope * p / ceiling)


def exponential(slope, ceiling):
    return lambda p: ceiling * (1 - np.exp(-slope * p / ceiling))


def soft_knee(slope, ceiling, width_bar):
    return lambda p: slope * (p - width_bar * np.logaddexp(0.0, (p - ceiling / slope) / width_bar))


def true_linear_to(response, calibration=1.0, band=0.05, highest=6.0):
    """Lowest PO2 above the calibration point where the error leaves the band; infinite when it never does."""
    p = np.linspace(calibration, highest, 500_001)
    error = response(p) / response(np.array(calibration)) * calibration / p - 1.0
    outside = np.abs(error) > band
    return float(p[np.argmax(outside)]) if outside.any() else np.inf
