"""Means and slopes of autocorrelated readings against known answers."""

import numpy as np
import pytest
from scipy.stats import linregress

from grading.settling.settled import fit_exponential, mean_with_uncertainty, slope_with_uncertainty


def autoregression(rng, n, r, sd=1.0):
    noise = rng.normal(0.0, sd * np.sqrt(1.0 - r * r), n)
    values = np.empty(n)
    values[0] = rng.normal(0.0, sd)
    for k in range(1, n):
        values[k] = r * values[k - 1] + noise[k]
    return values


@pytest.mark.parametrize("r", [0.0, 0.5, 0.8])
def test_uncertainty_of_a_mean_is_that_of_the_textbook_autoregression(r):
    """Mean of a first-order autoregression: variance s^2/n (1+r)/(1-r) for large n (Box and Jenkins)."""
    rng = np.random.default_rng(4)
    n = 400
    t_s = np.arange(n) * 0.2
    found = [mean_with_uncertainty(t_s, 50.0 + autoregression(rng, n, r)) for _ in range(300)]
    truth = np.sqrt((1.0 + r) / (1.0 - r) / n)
    assert np.mean([m.u for m in found]) == pytest.approx(truth, rel=0.15)
    assert np.std([m.value for m in found]) == pytest.approx(truth, rel=0.15)


def test_slope_of_white_noise_agrees_with_scipy_linregress():
    rng = np.random.default_rng(5)
    t_s = np.arange(200) * 0.2
    y = 3.0 + 0.02 * t_s + rng.normal(0.0, 0.1, 200)
    slope, u = slope_with_uncertainty(t_s, y)
    theirs = linregress(t_s, y)
    assert slope == pytest.approx(theirs.slope, rel=1e-9)
    assert u >= theirs.stderr * 0.999
    assert u == pytest.approx(theirs.stderr, rel=0.25)


def test_the_slope_of_correlated_noise_is_found_as_uncertain_as_it_is():
    rng = np.random.default_rng(6)
    t_s = np.arange(150) * 0.2
    found = [slope_with_uncertainty(t_s, autoregression(rng, 150, 0.6)) for _ in range(400)]
    assert np.std([slope for slope, _ in found]) == pytest.approx(np.mean([u for _, u in found]), rel=0.15)


def test_an_exponential_approach_is_recovered():
    t_s = np.arange(0.0, 60.0, 0.2)
    fit = fit_exponential(t_s, 80.0 - 10.0 * np.exp(-t_s / 4.0))
    assert fit.level == pytest.approx(80.0, abs=0.1)
    assert fit.amplitude == pytest.approx(-10.0, rel=0.1)
    assert fit.tau_s == pytest.approx(4.0, rel=0.2)
