"""The leak test finds the true leak, within its uncertainty, and not the thermometer's lag."""

import numpy as np
import pytest

from rig.phases.leak_test import LeakTest, leak_rate

T_S = np.arange(0.0, 60.0, 0.2)
LIMITS = {"warn_mbar_per_min": 1.0, "stop_mbar_per_min": 4.0}


def measured(leak_mbar_per_min, seed, warming_k_per_min=0.0, lag_k=0.0):
    """A pot of 2 bar at rest: gauge noise 0.3 mbar, thermometer noise 0.01 K, and a lag that decays."""
    noise = np.random.default_rng(seed)
    true_k = 294.0 + warming_k_per_min / 60.0 * T_S
    pressure = (2.0 - leak_mbar_per_min / 60e3 * T_S) * true_k / true_k[0]
    shown_c = true_k - 273.15 + lag_k * np.exp(-T_S / 20.0) + noise.normal(0.0, 0.01, T_S.size)
    return pressure + noise.normal(0.0, 0.0003, T_S.size), shown_c


@pytest.mark.parametrize("leak", [0.0, 0.5, 2.0, 10.0])
def test_the_true_leak_lies_within_the_uncertainty(leak):
    inside = 0
    for seed in range(60):
        found = leak_rate(T_S, *measured(leak, seed), **LIMITS)
        inside += abs(found.rate_mbar_per_min - leak) <= found.expanded_uncertainty_mbar_per_min
    assert inside >= 55


@pytest.mark.parametrize(
    ("leak", "verdict"),
    [(0.0, "tight"), (2.0, "leaks"), (10.0, "leaks too much"), (-2.0, "rises"), (-10.0, "rises too much")],
)
def test_the_verdict_says_which_way_and_how_badly(leak, verdict):
    assert leak_rate(T_S, *measured(leak, 3), **LIMITS).verdict == verdict


def test_a_room_that_warms_is_no_leak():
    """0.1 K/min lifts 2 bar by 0.7 mbar/min, which is taken out."""
    rates = [
        leak_rate(T_S, *measured(0.0, seed, warming_k_per_min=0.1), **LIMITS).rate_mbar_per_min
        for seed in range(30)
    ]
    assert abs(np.mean(rates)) < 0.1


def test_a_thermometer_that_still_lags_the_ramp_does_not_pass_for_a_leak():
    """A minute after the ramp a lag of 20 s leaves a twentieth of 2 K."""
    found = leak_rate(T_S, *measured(0.0, 1, lag_k=0.1), **LIMITS)
    assert found.verdict == "tight"
    assert abs(found.rate_mbar_per_min) < 0.6


def after_a_ramp(leak_mbar_per_min, seed, heat_lag_s):
    """Half a minute after a ramp to 2 bar: gas that still cools, and a probe that follows it 20 s behind."""
    noise = np.random.default_rng(seed)
    t_s = np.arange(0.0, 90.0, 0.2)
    excess_k, probe_k = 1.7 * np.exp(-30.0 / heat_lag_s), 0.6
    gas_k = excess_k * np.exp(-t_s / heat_lag_s)
    shared = excess_k * heat_lag_s / (heat_lag_s - 20.0)
    shown_k = shared * np.exp(-t_s / heat_lag_s) + (probe_k - shared) * np.exp(-t_s / 20.0)
    pressure = (2.0 - leak_mbar_per_min / 60e3 * t_s) * (294.0 + gas_k) / 294.0
    read = np.repeat(noise.normal(0.0, 0.008, t_s.size // 5), 5) + np.repeat(shown_k[::5], 5)
    return t_s, pressure + noise.normal(0.0, 0.0001, t_s.size), 20.85 + read


@pytest.mark.parametrize("heat_lag_s", [3.0, 7.0])
@pytest.mark.parametrize("leak", [0.0, 1.0])
def test_neither_the_cooling_gas_nor_the_lag_of_the_thermometer_passes_for_a_leak(leak, heat_lag_s):
    off = [
        leak_rate(*after_a_ramp(leak, seed, heat_lag_s), **LIMITS).rate_mbar_per_min - leak
        for seed in range(30)
    ]
    assert abs(np.mean(off)) < 0.05
    assert np.std(off) < 0.15


def test_without_a_thermometer_the_doubt_says_so():
    t_s, pressure, _ = after_a_ramp(0.5, 1, 3.0)
    found = leak_rate(t_s, pressure, None, **LIMITS)
    assert abs(found.rate_mbar_per_min - 0.5) < found.expanded_uncertainty_mbar_per_min
    assert found.expanded_uncertainty_mbar_per_min > 1.0


def test_a_rest_too_short_for_the_lag_of_the_thermometer_decides_nothing():
    short = [column[:150] for column in after_a_ramp(5.0, 1, 3.0)]
    found = leak_rate(*short, **LIMITS)
    assert found.expanded_uncertainty_mbar_per_min > 4.0
    assert found.verdict == "undecided"
    assert "undecided; a longer rest would decide" in found.text


def test_a_loss_below_zero_is_reported_as_none():
    tight = next(
        found
        for seed in range(30)
        if (found := leak_rate(*after_a_ramp(0.0, seed, 3.0), **LIMITS)).rate_mbar_per_min < -0.005
    )
    assert tight.text.startswith("No leak found (-0.")
    assert leak_rate(T_S, *measured(-2.0, 3), **LIMITS).text.startswith("The pressure at rest rises by 2.")


def test_the_pressure_is_let_alone_only_while_the_leak_is_looked_at():
    test = LeakTest(settle_s=30.0, hold_s=60.0, **LIMITS)
    rest = [test.add(t, 2.0, 21.0) for t in np.arange(0.0, 100.0, 0.2)]
    assert rest.index(True) == 150
    assert not any(rest[451:])
    assert test.result is not None
    assert test.result.verdict == "tight"
