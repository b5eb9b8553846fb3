import math

import GTC
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grading.judgement.cell_figures import cell_figures
from grading.judgement.detail import cell_detail
from grading.judgement.quantities import measure
from grading.measurement import ErrorModel
from grading.results import StepResponse

NO_ERRORS = {
    name: 0.0
    for name in ErrorModel.__dataclass_fields__
    if name not in ("degrees_of_freedom", "source", "gauge_span_bar")
}


def figures(measurement, cell=0):
    quantities = measure(measurement, 25.0)
    found = {}
    for figure in cell_figures(quantities, cell):
        found[figure.key, figure.nominal_po2_bar] = figure
    return found


def at(measurement, key, nominal=None, cell=0):
    return figures(measurement, cell)[key, nominal]


def line(p):
    return 50.0 * p


def test_a_perfect_cell_has_no_errors_and_its_outputs_scaled(measured):
    found = figures(measured(line))
    assert found["air_output_mv", None].value == pytest.approx(50.0 * 0.2095)
    assert found["oxygen_output_mv", None].value == pytest.approx(50.0)
    assert found["air_slope_agreement_percent", None].value == pytest.approx(0.0, abs=1e-9)
    assert found["hysteresis_percent", None].value == pytest.approx(0.0, abs=1e-9)
    assert found["linear_to_bar", None].at_least == pytest.approx(2.0)
    for nominal in (1.2, 1.4, 1.6, 1.8, 2.0):
        assert found["indication_error_percent", nominal].value == pytest.approx(0.0, abs=1e-9)


def test_outputs_are_scaled_from_where_they_were_taken(measured):
    def high_ground(fields):
        fields["pressure_bar"][:, 0] *= 0.8
        fields["output_mv"][:, 0] *= 0.8
        fields["pressure_bar"][:, 1] *= 0.97
        fields["output_mv"][:, 1] *= 0.97

    found = figures(measured(line, edit=high_ground))
    assert found["air_output_mv", None].value == pytest.approx(50.0 * 0.2095)
    assert found["oxygen_output_mv", None].value == pytest.approx(50.0)


def test_indication_error_is_relative_to_the_calibration_step(measured):
    found = figures(measured(lambda p: 50.0 * p if p < 1.5 else 70.5))
    # The formula: output over calibration output, times calibration PO2 over PO2, less one.
    assert found["indication_error_percent", 1.6].value == pytest.approx(100 * (70.5 / 50 / 1.6 - 1))
    assert found["indication_error_percent", 2.0].value == pytest.approx(100 * (70.5 / 50 / 2.0 - 1))


def test_the_rising_step_counts_and_the_falling_one_where_there_is_none(measured):
    def falling_differs(fields):
        falling = np.array(fields["direction"]) == "down"
        fields["output_mv"][:, falling] *= 0.97

    both = figures(measured(line, edit=falling_differs))
    assert both["indication_error_percent", 1.6].value == pytest.approx(0.0, abs=1e-9)
    assert both["hysteresis_percent", None].value == pytest.approx(3.0)
    only_down = figures(measured(line, up=(1.0, 2.0), down=(1.6,), edit=falling_differs))
    assert only_down["indication_error_percent", 1.6].value == pytest.approx(-3.0)


@pytest.mark.parametrize("response", [line, lambda p: ((50 * p) ** -8 + 80.0**-8) ** -0.125])
def test_hysteresis_compares_at_equal_po2(measured, response):
    def falling_a_little_lower(fields):
        falling = np.array(fields["direction"]) == "down"
        po2 = fields["pressure_bar"][:, falling] * 0.995 * 0.99
        fields["pressure_bar"][:, falling] *= 0.99
        fields["output_mv"][:, falling] = response(po2)

    # The falling steps sit 1 % lower in PO2; the cell itself has no hysteresis, ceiling or not.
    assert at(measured(response, edit=falling_a_little_lower), "hysteresis_percent").value < 0.15


def test_fade_is_taken_from_the_top_hold_and_noise_from_the_worst_oxygen_hold(measured):
    def edit(fields):
        fields["fade_percent_per_min"][:, 6] = 1.2
        fields["noise_percent"][:, 0] = 9.0
        fields["noise_percent"][:, 4] = 0.4

    found = figures(measured(line, edit=edit))
    assert found["fade_percent_per_min", None].value == 1.2
    assert found["fade_percent_per_min", None].expanded_uncertainty == pytest.approx(0.04)
    assert found["noise_percent", None].value == 0.4


def test_t90_is_the_slower_of_the_two_directions(measured):
    lag = (
        StepResponse("up", 2, "one pole", 4.0, 0.1),
        StepResponse("down", 8, "one pole", 5.0, 0.2),
        StepResponse("down", 9, "", None, None, reason="ramp too slow"),
    )
    found = at(measured(line, responses=(lag,)), "t90_s")
    assert found.value == 5.0
    assert found.expanded_uncertainty == pytest.approx(0.4)


def test_what_cannot_be_had_says_why(measured):
    lag = (StepResponse("up", 2, "", None, None, reason="the ramp took 60 s, too slow against the cell"),)
    found = figures(measured(line, up=(1.0,), down=(), air=False, responses=(lag,)))
    assert found["air_output_mv", None].reason == "no step in ambient air"
    assert found["air_slope_agreement_percent", None].reason == "no step in ambient air"
    assert found["hysteresis_percent", None].reason == "no PO2 was held both rising and falling"
    assert found["t90_s", None].reason == "the ramp took 60 s, too slow against the cell"
    assert not [key for key in found if key[0] == "indication_error_percent"]
    assert figures(measured(line, up=(1.4, 1.6)))["oxygen_output_mv", None].value is not None
    without = figures(measured(line, up=(1.4, 1.6), down=()))
    assert without["oxygen_output_mv", None].reason == "no step in oxygen near PO2 1.0 bar"


def test_missing_steps_of_one_cell_leave_the_others_alone(measured):
    def edit(fields):
        fields["output_mv"][0, 4] = np.nan
        fields["output_mv"][1, 0] = np.nan

    both = measured(line, line, down=(), edit=edit)
    first, second = figures(both, 0), figures(both, 1)
    assert ("indication_error_percent", 1.6) not in first
    assert first["air_output_mv", None].value == pytest.approx(10.475)
    assert second["indication_error_percent", 1.6].value == pytest.approx(0.0, abs=1e-9)
    assert second["air_output_mv", None].value is None


def test_temperature_is_corrected_where_the_coefficient_is_known(measured):
    warm = measured(lambda p: 50.0 * p * 1.06, temperature_c=28.0, temperature_coefficients=[2.0])
    unknown = measured(lambda p: 50.0 * p * 1.06, temperature_c=28.0)
    assert at(warm, "oxygen_output_mv").value == pytest.approx(50.0)
    assert at(unknown, "oxygen_output_mv").value == pytest.approx(53.0)


def at_po2(**changes):
    """Moves steps, counted from the first in oxygen: `at_po2(po2={3: 1.55}, mv={3: 74.0})`."""

    def edit(fields):
        for k, po2 in changes.get("po2", {}).items():
            fields["pressure_bar"][0, k] = po2
        for k, mv in changes.get("mv", {}).items():
            fields["output_mv"][0, k] = mv

    return edit


@pytest.mark.parametrize(
    ("up", "down", "moved_to", "mv", "percent"),
    [
        # The rising branch is 50, 75 and 85 mV at 1.0, 1.6 and 2.0 bar; its slope is taken by hand.
        ((1.0, 1.6, 2.0), (1.6,), 1.55, 74.0, 100.0 * ((74.0 + 35.0 * 0.05) / 75.0 - 1.0)),
        ((1.0, 1.6, 2.0), (2.0,), 1.96, 85.0, 100.0 * (25.0 * 0.04 / 85.0)),
        ((1.0, 1.6, 2.0), (1.0,), 0.96, 50.0, 100.0 * (25.0 / 0.6 * 0.04 / 50.0)),
        ((2.0, 1.0, 1.6), (1.6,), 1.55, 74.0, 100.0 * ((74.0 + 35.0 * 0.05) / 75.0 - 1.0)),
        ((1.0,), (1.0,), 0.96, 50.0, 100.0 * (50.0 * 0.04 / 50.0)),
    ],
)
def test_hysteresis_moves_along_the_slope_of_the_cells_own_rising_steps(
    measured, up, down, moved_to, mv, percent
):
    made = measured(
        lambda p: {1.0: 50.0, 1.6: 75.0, 2.0: 85.0}[round(p, 1)],
        up=up,
        down=down,
        air=False,
        fraction=1.0,
        edit=at_po2(po2={len(up): moved_to}, mv={len(up): mv}),
    )
    assert at(made, "hysteresis_percent").value == pytest.approx(abs(percent), rel=1e-9)


def test_air_is_no_neighbour_of_the_first_step_in_oxygen(measured):
    def edit(fields):
        fields["pressure_bar"][0, -1] = 0.96
        fields["output_mv"][0, 0] = 40.0

    made = measured(line, up=(1.0, 1.6), down=(1.0,), fraction=1.0, edit=edit)
    # 50 mV at both; the falling step lies 0.04 bar lower on a slope of 50 mV/bar.
    assert at(made, "hysteresis_percent").value == pytest.approx(4.0)


def test_each_cell_is_told_its_steps_or_that_it_has_none(measured):
    def edit(fields):
        fields["output_mv"][1, [1, 5]] = np.nan
        fields["output_mv"][0, 2] = 1.0
        fields["output_mv"][2, :] = np.nan

    steps = measure(measured(line, line, line, up=(1.0, 1.6, 2.0), down=(1.6, 1.0), edit=edit), 25.0).steps
    assert steps.error_at == (1.6, 2.0)
    assert steps.error_step.tolist() == [[2, 3], [-1, -1], [-1, -1]]
    assert steps.calibration.tolist() == [1, -1, -1]
    assert steps.top.tolist() == [3, 3, -1]
    assert steps.air.tolist() == [0, 0, -1]
    assert steps.pairs.tolist() == [
        [[1, 5], [2, 4]],
        [[-1, -1], [2, 4]],
        [[-1, -1], [-1, -1]],
    ]
    alone = measure(measured(line, up=(1.0,), down=()), 25.0).steps
    assert (alone.error_step.shape, alone.pairs.shape) == ((1, 0), (1, 0, 2))


def test_the_first_step_of_all_may_be_the_falling_one_of_a_pair(measured):
    def edit(fields):
        fields["direction"] = ("down", "up")

    made = measured(line, up=(1.0, 1.0), down=(), air=False, edit=edit)
    assert measure(made, 25.0).steps.pairs.tolist() == [[[1, 0]]]


def test_a_slope_is_not_taken_from_steps_that_are_hardly_apart(measured):
    made = measured(
        lambda p: 50.0,
        up=(1.0, 1.1),
        down=(1.0,),
        air=False,
        fraction=1.0,
        edit=at_po2(po2={0: 1.02, 1: 1.06, 2: 1.00}, mv={1: 70.0}),
    )
    apart = measured(
        lambda p: 50.0,
        up=(1.0, 1.1),
        down=(1.0,),
        air=False,
        fraction=1.0,
        edit=at_po2(po2={2: 0.99}, mv={1: 60.0}),
    )
    assert at(apart, "hysteresis_percent").value == pytest.approx(100.0 * (100.0 * 0.01 / 50.0))
    # The neighbour is 0.04 bar away: a line through zero is steadier than a slope of 20 mV over it.
    assert at(made, "hysteresis_percent").value == pytest.approx(100.0 * (50.0 / 1.02 * 0.02 / 50.0))


def test_a_missing_neighbour_is_stepped_over_by_its_own_branch_only(measured):
    def edit(fields):
        fields["output_mv"][0, 2] = np.nan
        fields["pressure_bar"][0, 3] = 1.55
        fields["output_mv"][0, 3] = 74.0

    made = measured(
        lambda p: {1.0: 50.0, 1.6: 75.0, 2.0: 85.0}[round(p, 1)],
        up=(1.0, 1.6, 2.0),
        down=(1.6,),
        air=False,
        fraction=1.0,
        edit=edit,
    )
    expected = 100.0 * ((74.0 + 25.0 / 0.6 * 0.05) / 75.0 - 1.0)
    assert at(made, "hysteresis_percent").value == pytest.approx(abs(expected))


@pytest.mark.parametrize(
    ("po2", "calibrates"),
    [(0.64, False), (0.65, False), (0.66, True), (0.8, True), (1.14, True), (1.15, False), (1.16, False)],
)
def test_a_handset_is_calibrated_at_an_ambient_pressure_of_high_ground_to_sea_level(
    measured, po2, calibrates
):
    found = at(measured(line, up=(po2, 1.6), down=(), fraction=1.0), "oxygen_output_mv").value
    assert (found is not None) == calibrates


@pytest.mark.parametrize(
    ("up", "down", "mv", "calibrated_mv"),
    [
        ((1.0, 1.6), (1.0,), {2: 49.0}, 50.0),
        ((1.6,), (1.0,), {1: 49.0}, 49.0),
        ((0.8, 1.6), (1.0,), {2: 49.0}, 49.0),
        ((1.1, 1.0), (), {0: 60.0}, 50.0),
        ((1.0, 1.0, 1.6), (), {1: 49.0}, 50.0),
        ((1.1, 0.9), (), {0: 66.0, 1: 36.0}, 60.0),
    ],
    ids=["rising first", "falling alone", "nearest before rising", "nearest", "earliest", "equally near"],
)
def test_the_calibration_step_is_the_nearest_to_1_bar_then_rising_then_the_earliest(
    measured, up, down, mv, calibrated_mv
):
    made = measured(line, up=up, down=down, air=False, fraction=1.0, edit=at_po2(mv=mv))
    assert at(made, "oxygen_output_mv").value == pytest.approx(calibrated_mv)


def test_air_under_pressure_is_no_calibration_in_oxygen(measured):
    def pressed(fields):
        fields["pressure_bar"][:, 0] = 4.0
        fields["output_mv"][:, 0] = 50.0 * 4.0 * 0.2095

    assert at(measured(line, up=(1.6,), down=(), edit=pressed), "oxygen_output_mv").value is None


def test_a_step_that_gives_one_millivolt_can_be_calibrated_at(measured):
    def edit(fields):
        fields["output_mv"][0, 1] = 1.0

    assert at(measured(line, edit=edit), "oxygen_output_mv").value == pytest.approx(1.0)


def test_the_first_step_in_air_counts(measured):
    def two_in_air(fields):
        fields["gas"] = (*fields["gas"][:-1], "air")
        fields["nominal_po2_bar"][-1] = np.nan
        fields["oxygen_fraction"][:, -1] = 0.2095
        fields["pressure_bar"][:, -1] = 1.0
        fields["output_mv"][:, -1] = 9.0

    assert at(measured(line, edit=two_in_air), "air_output_mv").value == pytest.approx(10.475)


@pytest.mark.parametrize(
    ("up", "down", "step"),
    [((1.0, 2.0), (2.0, 1.0), 1), ((1.0, 1.6), (2.0,), 2), ((2.0, 1.0, 2.0), (), 0), ((2.0, 1.0), (), 0)],
)
def test_the_top_hold_is_the_highest_then_rising_then_the_earliest(measured, up, down, step):
    def edit(fields):
        fields["fade_percent_per_min"][0, :] = np.arange(len(fields["gas"]))

    found = at(measured(line, up=up, down=down, air=False, edit=edit), "fade_percent_per_min")
    assert found.value == step


def test_a_step_without_a_nominal_value_is_named_by_what_its_cells_saw(measured):
    def edit(fields):
        fields["nominal_po2_bar"][:] = np.nan
        fields["pressure_bar"][0, 4] = 1.72
        fields["pressure_bar"][1, 4] = 1.58
        fields["pressure_bar"][2, 4] = np.nan

    made = measured(line, line, line, down=(), fraction=1.0, edit=edit)
    named = [key[1] for key in figures(made) if key[0] == "indication_error_percent"]
    # The median of 1.72 and 1.58 bar is 1.65, which rounds to 1.6 or 1.7 by its last bit.
    assert named[:2] + named[3:] == [1.2, 1.4, 1.8, 2.0]
    assert named[2] in (1.6, 1.7)


def test_steps_at_the_calibration_pressure_are_no_indication_errors(measured):
    found = figures(measured(line, up=(0.8, 1.0, 1.2), down=(1.0,)))
    assert [key[1] for key in found if key[0] == "indication_error_percent"] == [0.8, 1.2]


def test_a_falling_step_that_came_first_is_still_the_falling_one(measured):
    def edit(fields):
        fields["direction"] = ("up", "down", "up")
        fields["output_mv"][0] = [50.0, 77.0, 80.0]

    made = measured(line, up=(1.0, 1.6, 1.6), down=(), air=False, edit=edit)
    assert at(made, "indication_error_percent", 1.6).value == pytest.approx(0.0)
    assert at(made, "hysteresis_percent").value == pytest.approx(100.0 * 3.0 / 80.0)


def test_every_cell_has_its_own_steps(measured):
    def edit(fields):
        fields["output_mv"][1, 1] = np.nan
        fields["output_mv"][1, -1] = 48.0

    made = measured(line, line, edit=edit)
    assert at(made, "oxygen_output_mv", cell=0).value == pytest.approx(50.0)
    assert at(made, "oxygen_output_mv", cell=1).value == pytest.approx(48.0)
    assert at(made, "indication_error_percent", 2.0, cell=1).value == pytest.approx(100 * (50 / 48 - 1))


def test_errors_that_the_steps_share_cancel_in_ratios(measured):
    gain = ErrorModel(
        **{**NO_ERRORS, "gauge_gain": 0.01, "voltmeter_gain": 0.01, "bottle_oxygen_fraction": 0.01}
    )

    def no_scatter(fields):
        fields["u_output_mv"][:] = 0.0
        fields["u_pressure_bar"][:] = 0.0

    found = figures(measured(line, errors=gain, edit=no_scatter))
    assert found["oxygen_output_mv", None].expanded_uncertainty == pytest.approx(
        2 * 50 * 0.01 * math.sqrt(3), rel=0.01
    )
    assert found["indication_error_percent", 1.6].expanded_uncertainty < 1e-6
    assert found["hysteresis_percent", None].expanded_uncertainty < 1e-6


@pytest.mark.parametrize("response", [line, lambda p: ((48 * p) ** -4 + 85.0**-4) ** -0.25])
def test_every_budget_adds_up_to_the_variance(measured, response):
    errors = ErrorModel(degrees_of_freedom={"gauge_gain": 8.0, "cell_repeatability_percent": 4.0})
    found = figures(measured(response, errors=errors, t90_s=5.0))
    for figure in found.values():
        if figure.value is None:
            continue
        u = figure.expanded_uncertainty / figure.coverage_factor
        total = sum(line.standard_uncertainty**2 for line in figure.budget)
        assert math.sqrt(total) == pytest.approx(u, rel=1e-9), figure.key
        assert sum(line.share for line in figure.budget) == pytest.approx(1.0)
        shares = [line.share for line in figure.budget]
        assert shares == sorted(shares, reverse=True)


def test_the_chain_agrees_with_gtc(measured):
    # GTC (Measurement Standards Laboratory of New Zealand) keeps correlations and degrees of freedom.
    errors = ErrorModel(degrees_of_freedom={"gauge_zero_bar": 6.0})
    response = lambda p: ((48 * p) ** -4 + 85.0**-4) ** -0.25  # noqa: E731
    run = measured(response, errors=errors)
    figure = at(run, "indication_error_percent", 1.6)
    steps = run.steps
    gain = GTC.ureal(0, errors.gauge_gain)
    zero = GTC.ureal(0, errors.gauge_zero_bar, 6.0)
    bend = GTC.ureal(0, errors.gauge_nonlinearity)
    bottle, purge = GTC.ureal(0, errors.bottle_oxygen_fraction), GTC.ureal(0, errors.purge_oxygen_fraction)
    meter_gain, meter_zero = GTC.ureal(0, errors.voltmeter_gain), GTC.ureal(0, errors.voltmeter_zero_mv)
    drift = GTC.ureal(0, errors.drift_percent_per_hour / 100)
    hours = steps.time_s / 3600 - np.mean(steps.time_s / 3600)

    def step(k):
        pressure, output = steps.pressure_bar[0, k], steps.output_mv[0, k]
        x = pressure / errors.gauge_span_bar
        read = pressure + gain * pressure + zero + bend * errors.gauge_span_bar * 4 * x * (1 - x)
        read += GTC.ureal(0, errors.gauge_resolution_bar) + GTC.ureal(0, steps.u_pressure_bar[0, k])
        # What the purge left behind is diluted as the pot is filled on from the bottle.
        left = steps.pressure_bar[0, 1] / pressure
        po2 = read * (steps.oxygen_fraction[0, k] + bottle + purge * left)
        mv = output * (1 + meter_gain + drift * hours[k]) + meter_zero
        mv += GTC.ureal(0, errors.voltmeter_resolution_mv)
        mv += GTC.ureal(0, steps.u_output_mv[0, k], steps.output_dof[0, k])
        gradient = errors.temperature_gradient_k * errors.cell_temperature_percent_per_k / 100
        return po2, mv * (1 + GTC.ureal(0, gradient) + GTC.ureal(0, errors.cell_repeatability_percent / 100))

    (p_c, v_c), (p, v) = step(1), step(4)
    error = 100 * ((v / v_c) * (p_c / p) - 1)
    assert figure.value == pytest.approx(GTC.value(error), rel=1e-12)
    assert figure.expanded_uncertainty / figure.coverage_factor == pytest.approx(
        GTC.uncertainty(error), rel=1e-9
    )
    assert figure.degrees_of_freedom == pytest.approx(GTC.dof(error), rel=1e-6)


def test_a_handset_is_described_both_ways(measured):
    quantities = measure(measured(lambda p: 50.0 * p if p <= 1.2 else 50.0 * (1.2 + (p - 1.2) * 0.3)), 25.0)
    detail = cell_detail(quantities, 0)
    mirror = dict(detail.true_po2_when_display_says)
    assert mirror[1.3] == pytest.approx(1.2 + 0.1 / 0.3)
    assert mirror[1.4] == pytest.approx(1.2 + 0.2 / 0.3)
    assert 1.5 not in mirror
    assert detail.statements[0] == (
        "Calibrated on this cell at PO2 1.00 bar, a handset shows 1.32 where the truth is 1.60 bar, "
        "and 1.44 where it is 2.00 bar."
    )
    assert "When it shows 1.30, the truth is 1.53 bar." in detail.statements


def test_a_display_that_is_never_reached_is_said(measured):
    quantities = measure(measured(lambda p: min(50.0 * p, 60.0)), 25.0)
    statements = cell_detail(quantities, 0).statements
    assert "It never shows 1.30: the most it shows is 1.20, up to a true 2.00 bar." in statements


def test_a_ceiling_is_stated_only_from_settled_outputs_and_never_denied_beside_a_bend(measured):
    def soft(p):
        return ((50.0 * p) ** -4.0 + 90.0**-4.0) ** -0.25

    def clipped(p):
        return min(50.0 * p, 75.0)

    def ceiling_of(response, **changes):
        detail = cell_detail(measure(measured(response, **changes), 25.0), 0)
        return detail.curve.ceiling_mv, " ".join(detail.statements).lower()

    number, reported = ceiling_of(soft)
    assert number == pytest.approx(90.0, rel=0.02)
    assert "ceiling 9" in reported or "ceiling 8" in reported
    number, reported = ceiling_of(soft, settled=0)
    assert number is None
    assert "ceiling" not in reported
    assert "no ceiling is stated" not in ceiling_of(clipped)[1]


def test_step_table_of_a_cell(measured):
    quantities = measure(measured(line), 25.0)
    steps = cell_detail(quantities, 0).steps
    assert [step.nominal_po2_bar for step in steps if step.direction == "up"] == [
        None,
        1.0,
        1.2,
        1.4,
        1.6,
        1.8,
        2.0,
    ]
    assert steps[0].indication_error_percent is None
    assert steps[1].indication_error_percent is None
    assert steps[4].shows_bar == pytest.approx(1.6)
    assert steps[-1].direction == "down"
    assert steps[-1].indication_error_percent == pytest.approx(0.0, abs=1e-9)
    assert all(step.settled for step in steps)


@settings(max_examples=25, deadline=None)
@given(slope=st.floats(30, 80), zero=st.floats(-0.5, 0.5), scale=st.floats(0.5, 2.0))
def test_indication_errors_do_not_know_the_size_of_the_output(measured, slope, zero, scale):
    one = figures(measured(lambda p: slope * p + zero))
    two = figures(measured(lambda p: scale * (slope * p + zero)))
    for key, figure in one.items():
        if key[0] == "indication_error_percent":
            assert two[key].value == pytest.approx(figure.value, abs=1e-9)
