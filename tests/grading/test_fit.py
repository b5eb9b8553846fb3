import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grading.fit import (
    SeparableBatch,
    apply_whitener,
    batch_whiteners,
    covariance_from_jacobian,
    fit_least_squares,
    whitener,
)

X = np.linspace(0.0, 5.0, 12)


def decay(b):
    return b[0] * np.exp(-b[1] * X)


def test_a_weighted_fit_takes_its_uncertainty_from_the_weights():
    y = 2.0 + 3.0 * X
    fit = fit_least_squares(lambda b: b[0] + b[1] * X, y, np.array([1.0, 1.0]), sd=0.1)
    design = np.stack([np.ones_like(X), X], axis=1)
    assert fit.parameters == pytest.approx([2.0, 3.0])
    assert fit.covariance == pytest.approx(0.01 * np.linalg.inv(design.T @ design))
    assert fit.chi_squared == pytest.approx(0.0, abs=1e-20)


def test_common_errors_do_not_average_out():
    # A gain error shared by all points leaves a slope as uncertain as the gain itself.
    y = 3.0 * X[1:]
    gain, noise = 0.01, 0.001
    covariance = noise**2 * np.eye(y.size) + gain**2 * np.outer(y, y)
    fit = fit_least_squares(lambda b: b[0] * X[1:], y, np.array([1.0]), covariance=covariance)
    assert fit.standard_uncertainty[0] / 3.0 == pytest.approx(0.01, rel=0.01)
    independent = fit_least_squares(
        lambda b: b[0] * X[1:], y, np.array([1.0]), sd=np.sqrt(np.diag(covariance))
    )
    assert independent.standard_uncertainty[0] < 0.6 * fit.standard_uncertainty[0]


def test_standard_uncertainties_cover_the_truth():
    rng = np.random.default_rng(3)
    truth = np.array([5.0, 0.7])
    sd = 0.02
    z = []
    for _ in range(300):
        fit = fit_least_squares(decay, decay(truth) + sd * rng.standard_normal(X.size), truth * 1.3, sd=sd)
        z.append((fit.parameters - truth) / fit.standard_uncertainty)
    assert np.std(z, axis=0) == pytest.approx(1.0, abs=0.12)


def test_an_analytic_jacobian_and_the_complex_step_give_the_same():
    y = decay(np.array([5.0, 0.7])) + 0.01 * np.sin(7 * X)

    def jacobian(b):
        return np.stack([np.exp(-b[1] * X), -b[0] * X * np.exp(-b[1] * X)], axis=1)

    by_hand = fit_least_squares(decay, y, np.array([4.0, 1.0]), jacobian=jacobian)
    by_step = fit_least_squares(decay, y, np.array([4.0, 1.0]))
    assert by_hand.parameters == pytest.approx(by_step.parameters, rel=1e-10)
    assert by_hand.standard_uncertainty == pytest.approx(by_step.standard_uncertainty, rel=1e-9)


def test_what_the_data_do_not_determine_has_no_uncertainty_rather_than_zero():
    fit = fit_least_squares(lambda b: (b[0] + b[1]) * X, 3.0 * X, np.array([1.0, 1.0]), sd=0.1)
    assert not fit.converged
    assert "do not determine" in fit.reason
    assert np.all(np.isnan(fit.standard_uncertainty))


def test_a_parameter_without_effect_is_named():
    fit = fit_least_squares(lambda b: b[0] * X + 0.0 * b[1], 3.0 * X, np.array([1.0, 1.0]), sd=0.1)
    assert fit.reason == "the data do not determine parameter 2"
    assert np.isfinite(fit.standard_uncertainty[0])
    assert np.isnan(fit.standard_uncertainty[1])


def test_as_many_parameters_as_data_leave_the_uncertainty_undetermined():
    y = np.array([1.0, 3.0])
    fit = fit_least_squares(lambda b: b[0] + b[1] * np.array([0.0, 1.0]), y, np.array([0.5, 0.5]))
    assert fit.parameters == pytest.approx([1.0, 2.0])
    assert "as many parameters as data" in fit.reason
    assert np.all(np.isnan(fit.standard_uncertainty))


def test_a_parameter_at_its_bound_is_told():
    bounds = (np.array([0.0, 0.0]), np.array([10.0, 0.5]))
    fit = fit_least_squares(decay, decay(np.array([5.0, 0.7])), np.array([4.0, 0.3]), sd=0.1, bounds=bounds)
    assert fit.parameters[1] == pytest.approx(0.5)
    assert "parameter 2 is at its bound" in fit.reason
    assert np.isnan(fit.standard_uncertainty[1])
    assert np.isfinite(fit.standard_uncertainty[0])


def test_a_fit_that_breaks_down_says_so():
    fit = fit_least_squares(lambda b: b[0] * np.full(X.size, np.nan), X, np.array([1.0]), sd=1.0)
    assert not fit.converged
    assert "broke down" in fit.reason


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"y": np.array([1.0])}, "1 data cannot determine 2 parameters"),
        ({"sd": 1.0, "covariance": np.eye(12)}, "not both"),
        ({"covariance": -np.eye(12)}, "not positive definite"),
    ],
)
def test_impossible_requests_are_refused(options, what):
    y = options.pop("y", decay(np.array([5.0, 0.7])))
    with pytest.raises(ValueError, match=what):
        fit_least_squares(decay, y, np.array([4.0, 1.0]), **options)


def test_covariance_from_a_jacobian_is_the_inverse_normal_matrix():
    jacobian = np.random.default_rng(1).standard_normal((9, 3)) * np.array([1.0, 1e-6, 1e6])
    assert covariance_from_jacobian(jacobian) == pytest.approx(np.linalg.inv(jacobian.T @ jacobian), rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), rows=st.integers(2, 9), sources=st.integers(1, 4))
def test_batch_whiteners_whiten(seed, rows, sources):
    rng = np.random.default_rng(seed)
    common = rng.standard_normal((sources, rows, 5))
    variance = rng.uniform(0.1, 2.0, (rows, 5))
    present = rng.random((rows, 5)) < 0.8
    w = batch_whiteners(common, variance, present)
    for b in range(5):
        here = present[:, b]
        covariance = common[:, here, b].T @ common[:, here, b] + np.diag(variance[here, b])
        small = w[np.ix_(here, here)][:, :, b]
        assert small @ covariance @ small.T == pytest.approx(np.eye(here.sum()), abs=1e-9)
        assert small == pytest.approx(whitener(covariance), abs=1e-9)
        assert not np.any(w[~here][:, :, b])
        assert not np.any(w[:, ~here, b])
    x = rng.standard_normal((3, rows, 5))
    assert apply_whitener(w, x) == pytest.approx(np.einsum("ijb,pjb->pib", w, x))


def test_a_separable_batch_gives_what_single_fits_give():
    rng = np.random.default_rng(5)
    count, rate = 40, rng.uniform(0.3, 1.5, 40)
    offset, amplitude = rng.normal(0, 1, count), rng.uniform(2, 6, count)
    sd = 0.01
    y = offset + amplitude * np.exp(-rate * X[:, None]) + sd * rng.standard_normal((X.size, count))
    ones = np.ones_like(y)
    batch = SeparableBatch(ones / sd, y, ones)

    def moving(shape, index):
        value = np.exp(-shape[0] * X[:, None])
        return value, (-X[:, None] * value)[None]

    found = batch.solve(moving, np.full((1, count), 0.8), np.array([0.01]), np.array([9.0]), tolerance=1e-12)
    assert np.all(found.converged)
    for i in range(count):
        single = fit_least_squares(
            lambda b: b[0] + b[1] * np.exp(-b[2] * X), y[:, i], np.array([0.1, 3.0, 0.8]), sd=sd
        )
        assert [found.fixed[i], found.amplitude[i], found.shape[0, i]] == pytest.approx(
            single.parameters, rel=1e-4
        )
        assert found.chi_squared[i] == pytest.approx(single.chi_squared, rel=1e-8)


def test_a_separable_batch_stays_within_its_bounds():
    y = np.exp(-3.0 * X[:, None]) * np.ones((1, 4))
    ones = np.ones_like(y)
    found = SeparableBatch(ones, y, None).solve(
        lambda s, i: (np.exp(-s[0] * X[:, None]), (-X[:, None] * np.exp(-s[0] * X[:, None]))[None]),
        np.full((1, 4), 0.5),
        np.array([0.1]),
        np.array([2.0]),
    )
    assert found.shape == pytest.approx(2.0 * np.ones((1, 4)))
    assert np.all(found.converged)
    assert not np.any(found.fixed)
