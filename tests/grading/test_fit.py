import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from least_squares import fit_least_squares

from grading.fit import SeparableBatch, apply_whitener, batch_whiteners

X = np.linspace(0.0, 5.0, 12)


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
        assert small == pytest.approx(np.linalg.inv(np.linalg.cholesky(covariance)), abs=1e-9)
        assert not np.any(w[~here][:, :, b])
        assert not np.any(w[:, ~here, b])
    x = rng.standard_normal((3, rows, 5))
    assert apply_whitener(w, x) == pytest.approx(np.einsum("ijb,pjb->pib", w, x))


def test_a_separable_batch_gives_what_the_oracle_gives_one_by_one():
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
            lambda b: b[0] + b[1] * np.exp(-b[2] * X),
            y[:, i],
            np.array([0.1, 3.0, 0.8]),
            sd**2 * np.eye(X.size),
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
