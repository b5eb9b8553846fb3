"""Propagation of uncertainty against the worked examples of JCGM 100, JCGM 101 and two independent libraries.

The propagation is the one used for the figures of a certificate. The fits of H.3 and the summary of trials
are those of tests/oracles, which other tests compare that code with.

JCGM 100:2008 (GUM) examples H.1, H.2 and H.3; JCGM 101:2008 clauses 9.2.2 to 9.2.4 and 9.3. The published
numbers are facts quoted here; those of 9.2.4 and 9.3 were quoted from memory and agree with what is computed.
"""

import GTC
import numpy as np
import pytest
import uncertainties
from least_squares import fit_least_squares
from trials import summarise_trials
from uncertainties import umath

from grading.uncertainty import StepErrors, coverage_factor, effective_degrees_of_freedom


def propagate(function, x, u, names=None, degrees_of_freedom=np.inf, correlation=None, alone=False):
    """Any M inputs through `StepErrors.propagate`, which is used for the figures of a certificate.

    The inputs take the places of PO2 and output, half each. Each is a separate source that steps could
    share. Correlated ones use the Cholesky factor of their covariance. `alone` makes them scatter that
    affects each place alone.
    """
    m = len(x)
    half = (m + 1) // 2
    places = np.zeros(2 * half)
    places[:m] = x
    rows = np.diag(u) if correlation is None else np.linalg.cholesky(correlation * np.outer(u, u)).T
    sources = np.zeros((m, 2 * half))
    sources[:, :m] = rows
    dof = np.broadcast_to(np.asarray(degrees_of_freedom, dtype=float), (m,))
    scatter_dof = np.full(2 * half, np.inf)
    scatter_dof[:m] = dof
    errors = StepErrors(
        po2_bar=places[None, :half],
        output_mv=places[None, half:],
        common=np.zeros((1, 0, 2 * half)) if alone else sources[None],
        common_names=() if alone else tuple(names or range(m)),
        common_dof=np.zeros(0) if alone else dof,
        independent=sources.sum(axis=0)[None, None] if alone else np.zeros((1, 0, 2 * half)),
        independent_names=("scatter",) if alone else (),
        independent_dof=scatter_dof[None, None] if alone else np.zeros((1, 0, 2 * half)),
    )
    return errors.propagate(lambda p, v: function(np.concatenate([p, v], axis=-1)[..., :m]))


@pytest.mark.parametrize("alone", [False, True], ids=["shared", "scatter"])
def test_gum_h1_end_gauge(alone):
    # d, the difference read off the comparator: repeat observations, random and systematic comparator errors.
    parts, parts_dof = np.array([5.8, 3.9, 6.7]), np.array([24.0, 5.0, 8.0])
    u_d = np.sqrt(np.sum(parts**2))
    dof_d = effective_degrees_of_freedom(parts, parts_dof)
    assert u_d == pytest.approx(9.7, abs=0.05)
    assert dof_d == pytest.approx(25.6, abs=0.3)

    def length(x):
        standard, d, expansion, mean_c, swing_c, d_expansion, d_temperature = np.moveaxis(x, -1, 0)
        temperature = mean_c + swing_c
        return (standard + d - standard * (d_expansion * temperature + expansion * d_temperature))[..., None]

    found = propagate(
        length,
        x=np.array([50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0, 0.0]),
        u=np.array([25.0, float(u_d), 1.2e-6, 0.2, 0.35, 0.58e-6, 0.029]),
        names=(
            "standard",
            "difference",
            "expansion",
            "mean temperature",
            "swing",
            "d expansion",
            "d temperature",
        ),
        degrees_of_freedom=np.array([18.0, float(dof_d), np.inf, np.inf, np.inf, 50.0, 2.0]),
        alone=alone,
    )
    assert found.value[0, 0] == pytest.approx(50_000_838.0, abs=0.5)
    assert found.standard_uncertainty[0, 0] == pytest.approx(32.0, abs=0.5)
    # The GUM truncates the degrees of freedom to 16 and prints k = 2.92 and U = 93 nm.
    assert int(found.degrees_of_freedom[0, 0]) == 16
    k = float(coverage_factor(16.0, 0.99))
    assert k == pytest.approx(2.92, abs=0.005)
    assert k * 32.0 == pytest.approx(93.0, abs=0.5)
    if alone:
        return
    assert [line.name for line in found.budget(0, 0)[:3]] == ["standard", "d temperature", "difference"]
    assert found.budget(0, 0)[1].standard_uncertainty == pytest.approx(16.6, abs=0.1)


VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
MILLIAMPS = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


def impedance(x):
    v, i, phi = x[..., 0], x[..., 1], x[..., 2]
    z = v / i
    return np.stack([z * np.cos(phi), z * np.sin(phi), z], axis=-1)


def impedance_inputs():
    observed = np.stack([VOLTS, MILLIAMPS * 1e-3, RADIANS])
    mean_covariance = np.cov(observed) / VOLTS.size
    u = np.sqrt(np.diag(mean_covariance))
    return observed.mean(axis=1), u, mean_covariance / np.outer(u, u)


def test_gum_h2_resistance_and_reactance_of_a_circuit_element():
    mean, u, correlation = impedance_inputs()
    found = propagate(impedance, mean, u, correlation=correlation)
    assert found.value[0] == pytest.approx([127.732, 219.847, 254.260], abs=0.001)
    assert found.standard_uncertainty[0] == pytest.approx([0.071, 0.295, 0.236], abs=0.001)
    scale = found.standard_uncertainty[0]
    published = [[1.0, -0.588, -0.485], [-0.588, 1.0, 0.993], [-0.485, 0.993, 1.0]]
    assert found.covariance[0] / np.outer(scale, scale) == pytest.approx(np.array(published), abs=0.001)


def test_gum_h2_agrees_with_uncertainties_to_rounding():
    mean, u, correlation = impedance_inputs()
    found = propagate(impedance, mean, u, correlation=correlation)
    v, i, phi = uncertainties.correlated_values(mean, correlation * np.outer(u, u))
    z = v / i
    theirs = [z * umath.cos(phi), z * umath.sin(phi), z]
    covariance = np.array(uncertainties.covariance_matrix(theirs))
    assert found.covariance[0] == pytest.approx(covariance, rel=1e-9)


READING_C = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
CORRECTION_C = np.array(
    [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
)


def test_gum_h3_calibration_of_a_thermometer():
    fit = fit_least_squares(lambda y: y[0] + y[1] * (READING_C - 20.0), CORRECTION_C, np.array([-0.1, 0.001]))
    assert fit.parameters == pytest.approx([-0.1712, 0.00218], abs=5e-5)
    assert fit.standard_uncertainty == pytest.approx([0.0029, 0.00067], abs=5e-5)
    r = fit.covariance[0, 1] / np.prod(fit.standard_uncertainty)
    assert r == pytest.approx(-0.930, abs=0.001)
    assert np.sqrt(fit.chi_squared / fit.degrees_of_freedom) == pytest.approx(0.0035, abs=5e-5)
    assert fit.degrees_of_freedom == 9
    at_30 = np.array([1.0, 10.0])
    assert at_30 @ fit.parameters == pytest.approx(-0.1494, abs=5e-5)
    assert np.sqrt(at_30 @ fit.covariance @ at_30) == pytest.approx(0.0041, abs=5e-5)


def test_gum_h3_agrees_with_gtc_to_rounding():
    fit = fit_least_squares(lambda y: y[0] + y[1] * (READING_C - 20.0), CORRECTION_C, np.array([-0.1, 0.001]))
    theirs = GTC.ta.line_fit(READING_C - 20.0, CORRECTION_C)
    intercept, slope = theirs.a_b
    assert fit.parameters == pytest.approx([intercept.x, slope.x], rel=1e-9)
    assert fit.standard_uncertainty == pytest.approx([intercept.u, slope.u], rel=1e-9)


def total(x):
    return x.sum(axis=-1, keepdims=True)


TRIALS = 1_000_000
HALF_WIDTH = np.sqrt(3.0)  # of a rectangle with standard deviation 1


def rectangles(rng, scales):
    return sum(scale * rng.uniform(-HALF_WIDTH, HALF_WIDTH, TRIALS) for scale in scales)


def gum_half_width(scales):
    found = propagate(total, np.zeros(4), np.array(scales))
    return float(found.standard_uncertainty[0, 0] * coverage_factor(np.inf, 0.95))


def test_jcgm_101_9_2_2_normal_inputs():
    rng = np.random.default_rng(9202)
    found = summarise_trials(rng.standard_normal((TRIALS, 4)).sum(axis=1))
    assert found.standard_uncertainty == pytest.approx(2.0, abs=0.01)
    assert found.interval == pytest.approx((-3.92, 3.92), abs=0.03)
    assert gum_half_width([1.0] * 4) == pytest.approx(3.92, abs=0.005)


def test_jcgm_101_9_2_3_rectangular_inputs():
    found = summarise_trials(rectangles(np.random.default_rng(9203), [1.0] * 4))
    assert found.interval == pytest.approx((-3.88, 3.88), abs=0.02)
    # The framework of the GUM says 3.92 here too; the exact quantile, of the Irwin-Hall law, is 3.8794.
    assert found.interval[1] == pytest.approx(3.8794, abs=0.02)
    assert gum_half_width([1.0] * 4) == pytest.approx(3.92, abs=0.005)


def test_jcgm_101_9_2_4_one_input_dominates():
    found = summarise_trials(rectangles(np.random.default_rng(9204), [1.0, 1.0, 1.0, 10.0]))
    assert found.standard_uncertainty == pytest.approx(10.15, abs=0.03)
    assert found.interval == pytest.approx((-17.0, 17.0), abs=0.06)
    assert gum_half_width([1.0, 1.0, 1.0, 10.0]) == pytest.approx(19.9, abs=0.05)


def deviation_of_mass(x):
    """Conventional mass of a weight by substitution, as a deviation from 100 g in mg (JCGM 101 9.3)."""
    reference_mg, addition_mg, air, density_w, density_r = np.moveaxis(x, -1, 0)
    buoyancy = 1.0 + (air - 1.2) * (1.0 / density_w - 1.0 / density_r)
    return ((reference_mg + addition_mg) * buoyancy - 100_000.0)[..., None]


MASS = np.array([100_000.0, 1.234, 1.20, 8.0e3, 8.0e3])
U_MASS = np.array([0.050, 0.020, 0.10 / np.sqrt(3), 1.0e3 / np.sqrt(3), 0.050e3 / np.sqrt(3)])


def test_jcgm_101_9_3_mass_calibration_where_first_order_fails():
    rng = np.random.default_rng(930)
    trials = MASS + U_MASS * np.concatenate(
        [rng.standard_normal((TRIALS, 2)), rng.uniform(-HALF_WIDTH, HALF_WIDTH, (TRIALS, 3))], axis=1
    )
    found = summarise_trials(deviation_of_mass(trials)[:, 0])
    assert found.mean == pytest.approx(1.2341, abs=0.0005)
    assert found.standard_uncertainty == pytest.approx(0.0754, abs=0.0003)
    assert found.shortest == pytest.approx((1.0834, 1.3825), abs=0.003)
    first_order = propagate(deviation_of_mass, MASS, U_MASS)
    assert first_order.standard_uncertainty[0, 0] == pytest.approx(0.0539, abs=0.0001)
