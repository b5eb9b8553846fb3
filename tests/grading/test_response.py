import importlib.util
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import least_squares

from grading.measurement import ErrorModel
from grading.response.curve import fit_responses
from grading.uncertainty import step_errors

_spec = importlib.util.spec_from_file_location(
    "simulated_steps", Path(__file__).with_name("simulated_steps.py")
)
sim = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(sim)

NO_ERRORS = replace(
    ErrorModel(),
    **{
        f.name: 0.0
        for f in fields(ErrorModel)
        if f.name not in ("gauge_span_bar", "degrees_of_freedom", "source")
    },
)


def fit(table, errors=None, **options):
    made = step_errors(table, errors or ErrorModel())
    return fit_responses(made, 1.0, table.nominal_po2_bar, **options)


def edited(response, edit, cells=1, **options):
    table = sim.steps(response, cells, seed=7, **options)
    return fit(replace(table, output_mv=edit(table.output_mv.copy())))


# What a straight cell gets


def test_a_straight_cell_is_linear_to_at_least_the_highest_step():
    found = fit(sim.steps(sim.line(), 200, seed=1))
    assert np.all(found.linear_to_at_least_bar == 2.0)
    assert not np.any(np.isfinite(found.linear_to_bar))
    assert np.mean([model == "linear" for model in found.model]) > 0.9
    assert found.slope_mv_per_bar == pytest.approx(50.0, rel=0.02)


def test_a_straight_cell_has_no_ceiling_but_a_bound_that_is_not_below_what_it_gave():
    found = fit(sim.steps(sim.line(), 200, seed=2))
    reported = np.isfinite(found.ceiling_mv)
    assert reported.mean() < 0.03
    bound = found.ceiling_above_bar[~reported]
    assert np.all(bound > 1.98)
    assert "no ceiling seen" in found.statement(int(np.flatnonzero(~reported)[0]))


def test_an_old_cell_that_is_linear_is_linear():
    # Common practice, no source: 40 mV at 1.0 and 80 mV at 2.0 is old but good.
    found = fit(sim.steps(sim.line(40.0), 1, seed=3))
    assert found.linear_to_at_least_bar[0] == 2.0
    assert found.slope_mv_per_bar[0] == pytest.approx(40.0, rel=0.02)


# Where a cell whose output falls short leaves the line

TRUE_SHAPES = {
    "our family, n = 1": sim.blended(50, 400, 1),
    "our family, n = 2": sim.blended(50, 150, 2),
    "our family, n = 4": sim.blended(50, 120, 4),
    "our family, n = 8": sim.blended(50, 85, 8),
    "hard ceiling between steps": sim.clipped(50, 75),
    "hard ceiling at a step": sim.clipped(50, 80),
    "hard ceiling just above a step": sim.clipped(50, 81),
    "hard ceiling low": sim.clipped(50, 65),
    "soft knee": sim.soft_knee(50, 80, 0.05),
    "softer knee": sim.soft_knee(50, 90, 0.1),
    "hyperbolic": sim.hyperbolic(50, 150),
    "exponential": sim.exponential(50, 420),
}


@pytest.mark.parametrize("name", TRUE_SHAPES)
def test_linear_to_is_found_for_any_shape_with_honest_intervals(name):
    response = TRUE_SHAPES[name]
    truth = sim.true_linear_to(response)
    assert 1.1 < truth < 1.95
    found = fit(sim.steps(response, 1000, seed=len(name)))
    assert np.all(np.isfinite(found.linear_to_bar))
    error = found.linear_to_bar - truth
    assert np.quantile(np.abs(error), 0.998) < 0.05
    inside = (found.linear_to_lower_bar <= truth) & (truth <= found.linear_to_upper_bar)
    assert 0.93 <= inside.mean() <= 0.995
    assert np.abs(error.mean()) < found.u_linear_to_bar.mean()


def test_intervals_over_a_mixed_population_hold_what_they_promise():
    n = 2500
    rng = np.random.default_rng(11)
    slope = rng.normal(50, 4, (n, 1))
    knee = rng.uniform(1.25, 2.2, (n, 1))
    sharpness = np.exp(rng.uniform(np.log(2), np.log(25), (n, 1)))
    low, high = np.ones((n, 1)), np.full((n, 1), 6.0)
    shape = sim.blended(1.0, knee, sharpness)
    for _ in range(40):
        middle = 0.5 * (low + high)
        linear = shape(middle) / middle > 0.95 * shape(np.ones((n, 1)))
        low, high = np.where(linear, middle, low), np.where(linear, high, middle)
    truth = low[:, 0]
    found = fit(sim.steps(sim.blended(slope, slope * knee, sharpness), n, seed=100))
    value = np.isfinite(found.linear_to_bar)
    assert value.sum() > 1000
    inside = (found.linear_to_lower_bar <= truth) & (truth <= found.linear_to_upper_bar)
    assert 0.93 <= inside[value].mean() <= 0.975
    assert np.quantile(np.abs(found.linear_to_bar - truth)[value], 0.999) < 0.05
    assert np.all(value | np.isfinite(found.linear_to_at_least_bar))
    assert np.mean(found.linear_to_at_least_bar[~value] > truth[~value]) < 0.05


def test_a_ceiling_just_beyond_the_tested_range_is_not_extrapolated():
    found = fit(sim.steps(sim.clipped(50, 104), 200, seed=4))
    assert np.all(found.linear_to_at_least_bar == 2.0)


def test_a_cell_that_leaves_the_band_at_the_top_step_is_found_or_bounded_below_it():
    response = sim.clipped(50, 95.05)
    truth = sim.true_linear_to(response)
    found = fit(sim.steps(response, 1000, seed=5))
    reported = np.isfinite(found.linear_to_bar)
    wrong = np.where(
        reported,
        (found.linear_to_lower_bar > truth) | (found.linear_to_upper_bar < truth),
        found.linear_to_at_least_bar > truth,
    )
    assert wrong.mean() < 0.06


def test_the_ceiling_interval_holds_the_truth():
    found = fit(sim.steps(sim.blended(50, 120, 4), 1000, seed=6))
    # One good cell in a thousand is taken for another shape, by the definition of that test.
    reported = np.isfinite(found.ceiling_mv)
    assert reported.mean() > 0.995
    inside = (found.ceiling_lower_mv <= 120.0) & (found.ceiling_upper_mv >= 120.0)
    assert 0.93 <= inside[reported].mean() <= 0.985
    assert found.statement(0).startswith("ceiling 1")


def test_a_shape_that_is_not_ours_is_said_to_be_another():
    def with_a_step(p):
        return np.where(p > 1.7, 50 * p - 12.0, 50 * p)

    found = fit(sim.steps(with_a_step, 50, seed=8))
    assert not np.any(found.described)
    assert "does not have the shape" in found.reason[0]
    # Between the steps at 1.6 and 1.8 is all that can be said.
    assert np.all((found.linear_to_bar > 1.6) & (found.linear_to_bar < 1.8))
    assert np.all(found.linear_to_lower_bar < 1.7)


def test_a_cell_that_reads_high_leaves_the_band_upwards():
    found = fit(sim.steps(lambda p: 50 * p * (1 + 0.05 * p**2), 20, seed=9))
    truth = sim.true_linear_to(lambda p: 50 * p * (1 + 0.05 * p**2))
    assert np.all(np.abs(found.linear_to_bar - truth) < 0.05)
    assert np.all(found.linear_to_upper_bar > truth)
    assert np.all(found.linear_to_lower_bar < truth)


def test_hysteresis_widens_the_interval_and_is_not_taken_for_another_shape():
    calm = fit(sim.steps(sim.blended(50, 120, 4), 50, seed=10))
    rough = fit(sim.steps(sim.blended(50, 120, 4), 50, seed=10, hysteresis=0.01))
    assert np.all(calm.excess == pytest.approx(1.0, abs=0.8))
    assert np.all(rough.excess > 3.0)
    assert np.all(rough.described)
    assert np.all(rough.u_linear_to_bar > 2.0 * calm.u_linear_to_bar)


# Few steps, bad cells


def keep(*columns):
    def edit(mv):
        kept = np.full_like(mv, np.nan)
        kept[:, columns] = mv[:, columns]
        return kept

    return edit


def test_without_an_air_reading_the_curve_still_comes_out():
    found = edited(sim.blended(50, 120, 4), keep(*range(1, 12)), cells=20)
    truth = sim.true_linear_to(sim.blended(50, 120, 4))
    assert np.all(np.abs(found.linear_to_bar - truth) < 0.05)


def test_two_oxygen_steps_bound_a_good_cell_and_interpolate_a_bad_one():
    good = edited(sim.line(), keep(0, 1, 4))
    assert good.linear_to_at_least_bar[0] == pytest.approx(1.6)
    bad = edited(sim.clipped(50, 70), keep(0, 1, 4))
    truth = sim.true_linear_to(sim.clipped(50, 70))
    assert "too few steps" in bad.reason[0]
    assert bad.linear_to_lower_bar[0] <= truth <= bad.linear_to_upper_bar[0]


@pytest.mark.parametrize(
    ("edit", "why"),
    [
        (keep(1, 11), "no step above the calibration point"),
        (keep(0), "too few steps"),
        (keep(), "too few steps"),
        (keep(2, 3, 4, 5, 6), "no step near the calibration point"),
        (lambda mv: 0.0 * mv, "does not rise"),
        (lambda mv: -mv, "does not rise"),
    ],
    ids=["only 1.0", "only air", "nothing", "no calibration", "dead", "reversed"],
)
def test_what_cannot_be_had_has_a_reason(edit, why):
    found = edited(sim.line(), edit)
    assert not np.isfinite(found.linear_to_bar[0])
    assert not np.isfinite(found.linear_to_at_least_bar[0])
    assert why in found.reason[0]
    assert found.statement(0)


def test_a_display_that_never_moves_is_right_at_the_calibration_point_alone():
    found = edited(sim.line(), lambda mv: 0.0 * mv + 60.0 + np.linspace(0.0, 1e-3, 13))
    assert found.linear_to_bar[0] == pytest.approx(1.0 / 0.95, abs=0.005)


def test_one_bad_cell_leaves_its_neighbours_alone():
    table = sim.steps(sim.blended(50, 120, 4), 3, seed=12)
    alone = fit(table)
    mv = table.output_mv.copy()
    mv[1] = np.nan
    found = fit(replace(table, output_mv=mv))
    for i in (0, 2):
        assert found.linear_to_bar[i] == pytest.approx(alone.linear_to_bar[i], rel=1e-12)
    assert found.model[1] == ""
    assert found.curve(1) is None


def test_perfect_numbers_do_no_harm():
    table = sim.steps(sim.blended(50, 120, 4), 1, seed=13, errors=NO_ERRORS, scatter_mv=0.0)
    table = replace(table, u_pressure_bar=0.0 * table.u_pressure_bar)
    made = step_errors(table, NO_ERRORS)
    exact = replace(table, output_mv=sim.blended(50, 120, 4)(made.po2_bar))
    found = fit_responses(step_errors(exact, NO_ERRORS), 1.0, exact.nominal_po2_bar)
    assert found.linear_to_bar[0] == pytest.approx(sim.true_linear_to(sim.blended(50, 120, 4)), abs=2e-5)
    assert found.ceiling_mv[0] == pytest.approx(120.0, rel=1e-6)


def test_no_cells_at_all():
    table = sim.steps(sim.line(), 2, seed=14)
    made = step_errors(table, ErrorModel())
    none = replace(
        made,
        **{
            name: getattr(made, name)[:0]
            for name in ("po2_bar", "output_mv", "common", "independent", "independent_dof")
        },
    )
    assert fit_responses(none, 1.0).model == ()


# The same answer whichever way it is asked


def test_one_cell_and_many_give_the_same_answer_in_any_order_and_with_any_workers():
    table = sim.steps(sim.blended(50, 120, 4), 5200, seed=15)
    many = fit(table, intervals=False, workers=2)
    single = fit(table, intervals=False, workers=1)
    assert many.linear_to_bar == pytest.approx(single.linear_to_bar, rel=0, abs=0)
    made = step_errors(table, ErrorModel())
    for i in (0, 2600, 5199):
        one = fit_responses(made.cell(i), 1.0, table.nominal_po2_bar, intervals=False)
        assert one.linear_to_bar[0] == pytest.approx(many.linear_to_bar[i], rel=1e-7)


def test_the_order_of_the_steps_and_the_scale_of_the_output_do_not_matter():
    table = sim.steps(sim.blended(50, 120, 4), 30, seed=22)
    errors = replace(NO_ERRORS, cell_repeatability_percent=0.05)
    made = step_errors(replace(table, u_output_mv=0.0 * table.u_output_mv), errors)
    found = fit_responses(made, 1.0, table.nominal_po2_bar)
    order = np.random.default_rng(23).permutation(13)
    both = np.concatenate([order, 13 + order])
    shuffled = replace(
        made,
        po2_bar=made.po2_bar[:, order],
        output_mv=0.8 * made.output_mv[:, order],
        common=made.common[..., both] * np.repeat([1.0, 0.8], 13),
        independent=made.independent[..., both] * np.repeat([1.0, 0.8], 13),
        independent_dof=made.independent_dof[..., both],
    )
    again = fit_responses(shuffled, 1.0, table.nominal_po2_bar[order])
    assert again.linear_to_bar == pytest.approx(found.linear_to_bar, rel=1e-4)
    assert again.u_linear_to_bar == pytest.approx(found.u_linear_to_bar, rel=1e-2)
    assert again.slope_mv_per_bar == pytest.approx(0.8 * found.slope_mv_per_bar, rel=1e-3)


def test_hysteresis_widens_the_band():
    calm = fit(sim.steps(sim.blended(50, 120, 4), 5, seed=24))
    rough = fit(sim.steps(sim.blended(50, 120, 4), 5, seed=24, hysteresis=0.01))
    p = np.array([1.3])
    for i in range(5):
        assert rough.output_mv(i, p)[1] > 1.5 * calm.output_mv(i, p)[1]


def test_repeats_are_found_without_nominal_values():
    table = sim.steps(sim.blended(50, 120, 4), 20, seed=16)
    made = step_errors(table, ErrorModel())
    named = fit_responses(made, 1.0, table.nominal_po2_bar)
    unnamed = fit_responses(made, 1.0)
    assert unnamed.linear_to_bar == pytest.approx(named.linear_to_bar, rel=1e-9)


def test_chi_squared_is_as_good_as_a_general_solver_finds():
    table = sim.steps(sim.blended(50, 105, 3), 30, seed=17)
    errors = replace(NO_ERRORS, cell_repeatability_percent=0.03)
    made = step_errors(replace(table, u_pressure_bar=0.0 * table.u_pressure_bar), errors)
    found = fit_responses(made, 1.0, table.nominal_po2_bar)
    for i in range(30):
        p, v = made.po2_bar[i], made.output_mv[i]
        sd = np.hypot(0.0003 * v, 0.005)

        def residual(b, p=p, v=v, sd=sd):
            model = b[0] + b[1] * p * (1 + (b[1] * p / b[2]) ** b[3]) ** (-1 / b[3])
            return (v - model) / sd

        best = min(
            least_squares(residual, [0.0, 50.0, ceiling, n], bounds=([-5, 1, 1, 1], [5, 99, 999, 400])).cost
            * 2
            for ceiling, n in ((105.0, 3.0), (90.0, 8.0), (200.0, 2.0))
        )
        assert found.chi_squared[i, 2] <= best * (1 + 1e-6) + 1e-6


# Curve, band, budget


def test_the_band_holds_the_true_curve():
    response = sim.blended(50, 120, 4)
    found = fit(sim.steps(response, 400, seed=18))
    hits = []
    for i in range(400):
        curve = found.curve(i, points=30)
        p = np.array(curve.po2_bar)
        hits.append((np.array(curve.lower_mv) <= response(p)) & (response(p) <= np.array(curve.upper_mv)))
    inside = np.mean(hits, axis=0)[3:]
    assert np.all(inside > 0.90)
    assert inside.mean() < 0.985


def test_the_curve_goes_through_the_parameters_it_names():
    found = fit(sim.steps(sim.blended(50, 120, 4), 1, seed=19))
    curve = found.curve(0)
    p = np.array(curve.po2_bar)[1:]
    n, s, ceiling = curve.sharpness, curve.slope_mv_per_bar, curve.ceiling_mv
    expected = curve.zero_mv + ((s * p) ** -n + ceiling**-n) ** (-1 / n)
    if curve.model == "free sharpness":
        assert np.array(curve.output_mv)[1:] == pytest.approx(expected, rel=1e-9)
    else:
        # The ceiling is quoted from free sharpness, which differs within its uncertainty.
        assert np.array(curve.output_mv)[1:] == pytest.approx(expected, rel=2e-2)
    assert curve.output_mv[0] == pytest.approx(curve.zero_mv)


def test_the_budget_adds_up_to_the_uncertainty():
    for response, hysteresis in ((sim.blended(50, 120, 4), 0.0), (sim.blended(50, 120, 4), 0.01)):
        table = sim.steps(response, 3, seed=20, hysteresis=hysteresis)
        made = step_errors(table, ErrorModel())
        found = fit_responses(made, 1.0, table.nominal_po2_bar)
        for i in range(3):
            lines = found.linear_to_budget(i, made)
            total = np.sqrt(sum(line.standard_uncertainty**2 for line in lines))
            assert total == pytest.approx(found.u_linear_to_bar[i], rel=1e-6)
            assert sum(line.share for line in lines) == pytest.approx(1.0)


def test_a_censored_result_has_no_budget():
    table = sim.steps(sim.line(), 1, seed=21)
    made = step_errors(table, ErrorModel())
    assert fit_responses(made, 1.0, table.nominal_po2_bar).linear_to_budget(0, made) == ()
