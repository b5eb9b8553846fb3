import importlib.util
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from trials import summarise_trials

from grading.measurement import ErrorModel
from grading.response.indication import display_bar, indication_error
from grading.uncertainty import (
    COVERAGE,
    budget_lines,
    complex_step_jacobian,
    coverage_factor,
    effective_degrees_of_freedom,
    step_errors,
)

_spec = importlib.util.spec_from_file_location(
    "simulated_steps", Path(__file__).with_name("simulated_steps.py")
)
sim = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(sim)


def errors_at(*columns):
    def figures(p, v):
        return np.stack([indication_error(p[..., k], v[..., k], p[..., 1], v[..., 1]) for k in columns], -1)

    return figures


def test_coverage_factor_is_two_for_a_normal_and_larger_for_few_degrees_of_freedom():
    assert coverage_factor(np.inf) == pytest.approx(2.0, abs=1e-9)
    # JCGM 100 table G.2, 95.45 %.
    assert coverage_factor(np.array([1, 5, 10, 20])) == pytest.approx([13.97, 2.65, 2.28, 2.13], abs=0.01)
    assert coverage_factor(16.7) == pytest.approx(stats.t.ppf((1 + COVERAGE) / 2, 16.7))
    assert np.isnan(coverage_factor(np.array([np.nan, 0.5]))).all()


def test_welch_satterthwaite():
    assert effective_degrees_of_freedom(np.array([3.0, 3.0]), np.array([8.0, 8.0])) == pytest.approx(16.0)
    assert effective_degrees_of_freedom(np.array([1.0, 2.0]), np.array([np.inf, np.inf])) == np.inf
    assert effective_degrees_of_freedom(np.array([0.0, 2.0]), np.array([1.0, 7.0])) == pytest.approx(7.0)


@given(st.lists(st.tuples(st.floats(0.0, 1e200), st.floats(1.0, 1e6)), min_size=1, max_size=6))
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(parts):
    u, dof = np.array(parts).T
    found = effective_degrees_of_freedom(u, dof)
    if u.any():
        assert dof[u > 0].min() * (1 - 1e-9) <= found <= dof.sum() * (1 + 1e-9)
    else:
        assert found == np.inf


def test_complex_step_is_exact_where_differences_are_not():
    def f(x):
        return np.stack([np.exp(x[..., 0]) * x[..., 1], x[..., 0] ** 3], axis=-1)

    value, jacobian = complex_step_jacobian(f, np.array([0.3, 2.0]))
    assert value == pytest.approx([2.0 * np.exp(0.3), 0.027], rel=1e-15)
    assert jacobian == pytest.approx(np.array([[2 * np.exp(0.3), np.exp(0.3)], [0.27, 0.0]]), rel=1e-14)


def test_a_function_of_nothing_is_refused():
    with pytest.raises(ValueError, match="no inputs"):
        complex_step_jacobian(lambda x: x, np.zeros((2, 0)))


def test_a_budget_is_sorted_and_its_shares_add_up():
    lines = budget_lines(("a", "b", "c"), np.array([1.0, 3.0, 2.0]), np.full(3, np.inf))
    assert [line.name for line in lines] == ["b", "c", "a"]
    assert sum(line.share for line in lines) == pytest.approx(1.0)
    few = budget_lines(("a", "b", "c"), np.array([1.0, 3.0, 2.0]), np.full(3, np.inf), least_share=0.2)
    assert [line.name for line in few] == ["b", "c"]


# The chain from readings to PO2 and output


def test_what_steps_share_cancels_in_a_ratio():
    table = sim.steps(sim.line(), 1, seed=1)
    kept = ("gauge_span_bar", "degrees_of_freedom", "source")
    only = {f.name: 0.0 for f in fields(ErrorModel) if f.name not in kept}
    for name in ("gauge_gain", "bottle_oxygen_fraction", "voltmeter_gain"):
        made = step_errors(
            replace(table, u_output_mv=0 * table.u_output_mv, u_pressure_bar=0 * table.u_pressure_bar),
            replace(ErrorModel(), **{**only, name: 0.01}),
        )
        found = made.propagate(errors_at(4))
        assert found.standard_uncertainty[0, 0] == pytest.approx(0.0, abs=1e-12)
        scaled = made.propagate(lambda p, v: (v / p)[..., 4:5])
        assert scaled.standard_uncertainty[0, 0] / scaled.value[0, 0] == pytest.approx(0.01, rel=0.02)


def test_what_the_purge_left_is_diluted_on_the_way_up_and_stays_so_on_the_way_down():
    table = sim.steps(sim.line(), 1, seed=1)
    made = step_errors(table, ErrorModel(purge_oxygen_fraction=0.01))
    row = made.common_names.index("purge")
    of_fraction = made.common[0, row, :13] / table.pressure_bar[0]
    up = table.pressure_bar[0, 1] / table.pressure_bar[0, 1:7]
    assert of_fraction[1:7] == pytest.approx(0.01 * up, rel=1e-6)
    assert of_fraction[7:12] == pytest.approx(0.01 * up[-1], rel=1e-6)
    assert of_fraction[0] == of_fraction[12] == 0.0


def test_ignoring_what_steps_share_would_cost_several_times_the_uncertainty():
    made = step_errors(sim.steps(sim.line(), 1, seed=2), ErrorModel())
    ratio = made.propagate(errors_at(4)).standard_uncertainty[0, 0]
    u_output = (made.propagate(lambda p, v: v).standard_uncertainty / made.output_mv)[0]
    naive = np.sqrt(np.sum((made.u_po2_bar / made.po2_bar)[0, [1, 4]] ** 2) + np.sum(u_output[[1, 4]] ** 2))
    assert naive > 3.0 * ratio


def test_first_order_agrees_with_monte_carlo():
    table = sim.steps(sim.line(), 20_000, seed=3)
    made = step_errors(table, ErrorModel())
    found = made.propagate(errors_at(4, 6, 11))
    spread = found.value.std(axis=0, ddof=1)
    assert spread == pytest.approx(np.sqrt(np.mean(found.standard_uncertainty**2, axis=0)), rel=0.02)
    # A straight cell has no indication error: every value is an error of the measurement.
    covered = np.abs(found.value) <= found.expanded_uncertainty
    assert np.all(np.abs(covered.mean(axis=0) - COVERAGE) < 0.006)
    # In units of its own uncertainty each error spreads as the coverage factor says.
    in_units = found.value / found.standard_uncertainty
    for column in range(3):
        assert summarise_trials(in_units[:, column], COVERAGE).interval == pytest.approx(
            (-2.0, 2.0), abs=0.06
        )
    stated = found.covariance.mean(axis=0)
    scale = np.sqrt(np.diag(stated))
    assert np.corrcoef(found.value.T) == pytest.approx(stated / np.outer(scale, scale), abs=0.02)


def test_the_covariance_is_that_of_the_draws():
    table = sim.steps(sim.line(), 20_000, seed=4)
    made = step_errors(table, ErrorModel())
    truth_ratio = made.output_mv / made.po2_bar
    stated = made.propagate(lambda p, v: v / p)
    # The slope V/p of a straight cell is 50 in truth: all its spread is error.
    assert truth_ratio.std(axis=0) == pytest.approx(np.median(stated.standard_uncertainty, axis=0), rel=0.03)


def test_missing_steps_spoil_only_the_figures_that_use_them():
    table = sim.steps(sim.line(), 2, seed=5)
    mv = table.output_mv.copy()
    mv[1, 6] = np.nan
    found = step_errors(replace(table, output_mv=mv), ErrorModel()).propagate(errors_at(4, 6))
    assert np.isfinite(found.value[:, 0]).all()
    assert np.isfinite(found.standard_uncertainty[:, 0]).all()
    assert np.isnan(found.value[1, 1])
    assert np.isnan(found.standard_uncertainty[1, 1])
    assert np.isfinite(found.value[0, 1])


def test_few_degrees_of_freedom_widen_the_interval():
    table = sim.steps(sim.line(), 1, seed=6)
    table = replace(table, u_output_mv=table.u_output_mv * 40.0, output_dof=table.output_dof * 0 + 3.0)
    found = step_errors(table, ErrorModel()).propagate(errors_at(4))
    assert 6.0 <= found.degrees_of_freedom[0, 0] < 8.0
    assert found.coverage_factor[0, 0] > 2.3


def test_a_known_temperature_coefficient_brings_outputs_to_one_temperature():
    table = sim.steps(sim.line(), 2, seed=7)
    table = replace(table, temperature_c=np.full_like(table.temperature_c, 25.0))
    made = step_errors(table, ErrorModel(), np.array([0.5, np.nan]), 20.0)
    plain = step_errors(table, ErrorModel())
    assert made.output_mv[0] == pytest.approx(plain.output_mv[0] / 1.025)
    assert made.output_mv[1] == pytest.approx(plain.output_mv[1])


def test_an_unknown_temperature_corrects_nothing():
    table = sim.steps(sim.line(), 1, seed=8)
    table = replace(table, temperature_c=np.full_like(table.temperature_c, np.nan))
    made = step_errors(table, ErrorModel(), np.array([0.5]), 20.0)
    assert made.output_mv == pytest.approx(table.output_mv)
    assert np.isfinite(made.u_po2_bar).all()


def test_one_cell_of_many():
    made = step_errors(sim.steps(sim.line(), 3, seed=9), ErrorModel())
    one = made.cell(2)
    assert one.propagate(errors_at(4)).expanded_uncertainty[0, 0] == pytest.approx(
        made.propagate(errors_at(4)).expanded_uncertainty[2, 0]
    )


def test_indication_error_and_display_are_the_same_statement():
    # Common practice, no source: a ceilinged cell shows 1.41 where the truth is 1.60.
    shows = display_bar(70.5, 50.0, 1.0)
    assert shows == pytest.approx(1.41)
    assert indication_error(1.6, 70.5, 1.0, 50.0) == pytest.approx(1.41 / 1.6 - 1.0)
