"""The response fit of certificates against a general solver that is itself checked with NIST datasets.

Same readings, same covariance, written out here from the errors of the steps: parameters, their standard
uncertainties and chi-squared.
"""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
from least_squares import fit_least_squares

from grading.measurement import ErrorModel
from grading.response.block import CellBlock, repeat_groups
from grading.response.models import ThreeFits
from grading.response.shape import FIXED_SHARPNESS
from grading.uncertainty import step_errors

_spec = importlib.util.spec_from_file_location(
    "simulated_steps", Path(__file__).parents[1] / "grading" / "simulated_steps.py"
)
sim = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(sim)

CELLS = 12


def blended(zero, slope, shortfall, log_sharpness, po2):
    """Parameterised by the output at the highest PO2: exp(-shortfall) of the straight line's."""
    n = np.exp(log_sharpness)
    bend = (po2 / po2.max()) ** n * (np.exp(n * shortfall) - 1.0)
    return zero + slope * po2 * (1.0 + bend) ** (-1.0 / n)


MODELS = {
    "line": (lambda b, p: b[0] + b[1] * p, [0.0, 50.0]),
    "fixed": (lambda b, p: blended(b[0], b[1], b[2], np.log(FIXED_SHARPNESS), p), [0.0, 50.0, 0.1]),
    "free": (lambda b, p: blended(b[0], b[1], b[2], b[3], p), [0.0, 50.0, 0.1, np.log(4.0)]),
}


@pytest.fixture(params=[(50.0, 120.0, 4.0), (50.0, 90.0, 2.0), (48.0, 105.0, 8.0)], ids="{0[1]} mV".format)
def cells(request):
    """Errors of the steps, and the three fits, of cells with a ceiling."""
    table = sim.steps(sim.blended(*request.param), CELLS, seed=41)
    errors = step_errors(table, ErrorModel())
    groups = repeat_groups(errors.po2_bar, table.nominal_po2_bar)
    return errors, ThreeFits(CellBlock(errors, slice(0, CELLS), groups, table.nominal_po2_bar))


def data_covariance(errors, cell, slope):
    """Covariance of one cell's outputs, with the errors of PO2 carried through the local slope, (K, K)."""
    k = slope.size
    common = errors.common[cell, :, k:] - slope * errors.common[cell, :, :k]
    alone = errors.independent[cell, :, k:] - slope * errors.independent[cell, :, :k]
    return common.T @ common + np.diag(np.sum(alone**2, axis=0))


@pytest.mark.parametrize("name", MODELS)
def test_each_model_finds_what_the_oracle_finds(cells, name):
    errors, fits = cells
    model, start = MODELS[name]
    fit, count = getattr(fits, name), len(start)
    shape = np.zeros((2, CELLS))
    shape[1] = np.log(FIXED_SHARPNESS)
    shape[: fit.shape.shape[0]] = fit.shape
    choice = np.full(CELLS, list(MODELS).index(name))
    covariance, _ = fits.covariance(shape, fit.amplitude, choice)
    for i in range(CELLS):
        po2 = errors.po2_bar[i]
        oracle = fit_least_squares(
            lambda b, po2=po2: model(b, po2),
            errors.output_mv[i],
            start,
            data_covariance(errors, i, fits.slope[:-1, i]),
        )
        found = np.array([fit.fixed[i], fit.amplitude[i], *shape[:, i]])[:count]
        u = np.sqrt(np.diag(covariance[i]))[:count]
        # A fit stops when a step would gain 1e-7 of 1 + chi-squared; a poor one stops further away.
        far = np.abs(found - oracle.parameters) / oracle.standard_uncertainty
        assert np.max(far) < 1e-3 * np.sqrt(1.0 + oracle.chi_squared)
        assert u == pytest.approx(oracle.standard_uncertainty, rel=1e-4)
        correlation = covariance[i, :count, :count] / np.outer(u, u)
        expected = oracle.covariance / np.outer(oracle.standard_uncertainty, oracle.standard_uncertainty)
        assert correlation == pytest.approx(expected, abs=1e-4)
        assert fit.chi_squared[i] == pytest.approx(oracle.chi_squared, rel=1e-6)
