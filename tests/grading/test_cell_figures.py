"""Each figure of one cell, held to values worked out by hand, and what is said where there is none."""

import math

import numpy as np
import pytest
from scipy.stats import t

from grading.judgement.cell_figures import cell_figures
from grading.judgement.quantities import measure
from grading.results import StepResponse


def line(p):
    return 50.0 * p


def bent(p):
    return ((50.0 * p) ** -8 + 90.0**-8) ** -0.125


@pytest.fixture
def figure(measured):
    """One figure of a cell whose table may be edited."""

    def run(key, response=line, nominal=None, **changes):
        quantities = measure(measured(response, **changes), 25.0)
        return next(
            one
            for one in cell_figures(quantities, 0)
            if one.key == key and (nominal is None or one.nominal_po2_bar == nominal)
        )

    return run


def expanded(u, degrees_of_freedom):
    """U by the book: Student's factor of 95.45 % (JCGM 100, G.3)."""
    return u * t.ppf(0.5 + 0.9544997361036416 / 2.0, degrees_of_freedom)


@pytest.mark.parametrize(
    ("falling", "largest"),
    [
        ({1.8: 1.005, 1.4: 0.97, 1.2: 1.01}, 3.0),
        ({1.8: 1.005, 1.4: 1.025, 1.2: 0.99}, 2.5),
        ({1.0: 0.96}, 4.0),
    ],
)
def test_hysteresis_is_that_of_the_worst_pair_whatever_its_sign(figure, falling, largest):
    def edit(fields):
        for k, (nominal, way) in enumerate(zip(fields["nominal_po2_bar"], fields["direction"], strict=True)):
            if way == "down":
                fields["output_mv"][0, k] *= falling.get(round(nominal, 1), 1.001)

    found = figure("hysteresis_percent", edit=edit)
    assert found.value == pytest.approx(largest, rel=1e-6)
    assert found.expanded_uncertainty > 0.0
    assert sum(one.share for one in found.budget) == pytest.approx(1.0)


def test_hysteresis_has_the_doubt_of_the_pair_that_it_is_taken_from(figure):
    def edit(fields):
        falling = [k for k, way in enumerate(fields["direction"]) if way == "down"]
        at_1_4 = next(k for k in falling if np.isclose(fields["nominal_po2_bar"][k], 1.4))
        fields["output_mv"][0, at_1_4] *= 0.97
        fields["u_output_mv"][0, at_1_4] = 0.7
        fields["output_dof"][0, at_1_4] = np.inf

    # The falling output at 1.4 bar is uncertain by 1 % of the rising one; all else is small beside it.
    found = figure("hysteresis_percent", edit=edit)
    assert found.value == pytest.approx(3.0)
    assert found.expanded_uncertainty == pytest.approx(2.0, rel=0.02)


def test_hysteresis_is_taken_where_both_branches_have_an_output(figure):
    def weak(p):
        return 0.9 if p < 1.1 else 50.0 * p

    def edit(fields):
        fields["output_mv"][0, 1:2] = 0.9
        fields["output_mv"][0, -1] = 3.0

    # At 1.0 bar the rising step gives less than 1 mV: no percentage is taken of it.
    assert figure("hysteresis_percent", weak, edit=edit).value == pytest.approx(0.0, abs=1e-6)


def test_noise_is_the_worst_in_oxygen_with_the_doubt_of_so_many_readings(figure):
    def edit(fields):
        fields["noise_percent"][0, :5] = [9.0, 0.1, 0.4, np.nan, 0.2]
        fields["output_dof"][0, 2] = 18.0

    found = figure("noise_percent", edit=edit)
    assert found.value == 0.4
    # JCGM 100, E.4.3: a standard deviation from nu degrees of freedom is known to 1 in sqrt(2 nu).
    u = 0.4 / math.sqrt(2.0 * 18.0)
    assert found.expanded_uncertainty == pytest.approx(expanded(u, 18.0))
    assert found.coverage_factor == pytest.approx(expanded(1.0, 18.0))
    assert found.degrees_of_freedom == 18.0
    (line_of_budget,) = found.budget
    assert (line_of_budget.standard_uncertainty, line_of_budget.share) == (pytest.approx(u), 1.0)


@pytest.mark.parametrize(("dof", "known"), [(1.0, True), (0.9, False), (np.nan, False), (np.inf, False)])
def test_noise_from_hardly_any_readings_has_no_known_doubt(figure, dof, known):
    def edit(fields):
        fields["output_dof"][0, :] = dof

    found = figure("noise_percent", edit=edit)
    assert found.value == pytest.approx(0.02)
    assert (found.expanded_uncertainty is not None) == known
    assert (found.coverage_factor is not None) == known


def test_noise_of_an_output_below_one_millivolt_is_no_percentage(figure):
    def edit(fields):
        fields["output_mv"][0, 2:4] = [1.0, 0.99]
        fields["noise_percent"][0, 2:4] = [3.0, 40.0]

    assert figure("noise_percent", edit=edit).value == 3.0


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"noise_percent": np.nan}, "no trace of a hold in oxygen"),
        ({"output_mv": 0.5}, "below 1 mV: too little for a percentage"),
        ({"output_mv": np.nan}, "no trace of a hold in oxygen"),
    ],
)
def test_noise_that_is_not_there_says_whether_trace_or_output_is_missing(figure, change, words):
    def edit(fields):
        for name, value in change.items():
            fields[name][0, :] = value

    found = figure("noise_percent", edit=edit)
    assert found.value is None
    assert found.reason.endswith(words)


def test_one_missing_reading_does_not_hide_that_a_cell_gives_too_little(figure):
    def edit(fields):
        fields["output_mv"][0, 3] = np.nan

    assert figure("noise_percent", lambda p: 0.5, edit=edit).reason.endswith("too little for a percentage")


def test_fade_is_that_of_the_highest_step_with_its_scatter(figure):
    def edit(fields):
        fields["fade_percent_per_min"][0, :] = 9.0
        fields["fade_percent_per_min"][0, 6] = -0.3
        fields["u_fade_percent_per_min"][0, 6] = 0.05

    found = figure("fade_percent_per_min", edit=edit)
    assert found.value == -0.3
    assert found.expanded_uncertainty == pytest.approx(0.10)
    (line_of_budget,) = found.budget
    assert line_of_budget.degrees_of_freedom == math.inf


@pytest.mark.parametrize("u", [np.nan, np.inf])
def test_fade_with_an_unknown_scatter_has_no_known_doubt(figure, u):
    def edit(fields):
        fields["u_fade_percent_per_min"][0, 6] = u

    found = figure("fade_percent_per_min", edit=edit)
    assert found.value == 0.0
    assert found.expanded_uncertainty is None
    assert found.budget == ()


def test_fade_that_is_not_there_says_why(figure):
    def no_trace(fields):
        fields["fade_percent_per_min"][0, 6] = np.nan

    def no_output(fields):
        fields["output_mv"][0, 6] = 0.99

    def least_output(fields):
        fields["output_mv"][0, 6] = 1.0

    assert figure("fade_percent_per_min", edit=no_trace).reason.startswith("no trace of the top hold")
    assert figure("fade_percent_per_min", up=(), down=()).reason.startswith("no trace of the top hold")
    assert figure("fade_percent_per_min", edit=no_output).reason.startswith("the output in oxygen is below")
    assert figure("fade_percent_per_min", edit=least_output).value == 0.0
    alone = {"up": (1.0,), "down": (), "air": False}
    assert figure("fade_percent_per_min", **alone).value == 0.0
    weak = figure("fade_percent_per_min", lambda p: 0.5, **alone)
    assert weak.reason.startswith("the output in oxygen is below")
    in_air = figure("fade_percent_per_min", lambda p: 0.5, up=(), down=())
    assert in_air.reason.startswith("no trace of the top hold")


def lag(t90_s, u=0.1, dof=None, reason=None):
    return StepResponse("up", 2, "one pole", t90_s, u, degrees_of_freedom=dof, reason=reason)


def test_t90_is_the_slowest_with_the_doubt_of_its_own_fit(figure):
    found = figure("t90_s", responses=((lag(4.0, 0.3), lag(6.5, 0.2, 5.0), lag(6.0, 0.4)),))
    assert found.value == 6.5
    assert found.expanded_uncertainty == pytest.approx(expanded(0.2, 5.0))
    without_dof = figure("t90_s", responses=((lag(4.0, 0.3),),))
    assert without_dof.expanded_uncertainty == pytest.approx(0.6)
    assert without_dof.coverage_factor == pytest.approx(2.0)


def test_t90_that_is_not_there_gives_the_first_reason(figure):
    none = (lag(None, None), lag(None, None, reason="ramp too slow"), lag(None, None, reason="too noisy"))
    assert figure("t90_s", responses=(none,)).reason == "ramp too slow"
    assert figure("t90_s", responses=((lag(None, None),),)).reason.startswith("no response to a pressure")
    assert figure("t90_s").reason.startswith("no response to a pressure")
    assert figure("t90_s", responses=((lag(5.0, None),),)).expanded_uncertainty is None


@pytest.mark.parametrize(("response", "longer"), [(bent, "above"), (lambda p: min(50.0 * p, 75.0), "below")])
def test_linear_to_has_the_longer_side_of_its_interval(measured, response, longer):
    quantities = measure(measured(response), 25.0)
    found = next(one for one in cell_figures(quantities, 0) if one.key == "linear_to_bar")
    fits = quantities.fits
    below = found.value - fits.linear_to_lower_bar[0]
    above = fits.linear_to_upper_bar[0] - found.value
    assert below > 0.0
    assert above > 0.0
    assert (below > above) == (longer == "below")
    assert found.expanded_uncertainty == pytest.approx(max(below, above))
    assert found.coverage_factor == pytest.approx(found.expanded_uncertainty / fits.u_linear_to_bar[0])


def test_linear_to_that_is_not_there_says_why(figure):
    assert figure("linear_to_bar", up=(), down=()).reason == "too few steps for a response curve"
    alone = figure("linear_to_bar", up=(1.0,), down=())
    assert alone.reason == "no step above the calibration point, PO2 1.00 bar"
    assert figure("linear_to_bar", up=(1.0,), down=()).at_least is None


@pytest.mark.parametrize(
    ("response", "changes", "words"),
    [
        (line, {"up": (), "down": ()}, "no step in oxygen"),
        (line, {"up": (1.4, 1.6), "down": ()}, "no step in oxygen near PO2 1.0 bar"),
        (lambda p: 0.2 * p, {}, "the cell gives no output in oxygen (0.40 mV at most)"),
        (lambda p: 0.0, {}, "the cell gives no output in oxygen (0.00 mV at most)"),
        (lambda p: -0.7 + 0.1 * p, {}, "the cell gives no output in oxygen (-0.50 mV at most)"),
        (lambda p: -40.0 * p, {}, "the output in oxygen is negative (-40.00 mV at most)"),
        (lambda p: -1.0, {}, "the output in oxygen is negative (-1.00 mV at most)"),
        (lambda p: 1.0 if p > 1.3 else 0.9, {}, "no step in oxygen near PO2 1.0 bar"),
    ],
)
def test_a_cell_without_a_calibration_step_says_why(figure, response, changes, words):
    found = figure("oxygen_output_mv", response, **changes)
    assert found.value is None
    assert found.reason.replace("−", "-") == words


def test_readings_that_are_missing_are_not_the_highest(figure):
    def edit(fields):
        fields["output_mv"][0, 3] = np.nan

    reason = figure("oxygen_output_mv", lambda p: 0.2 * p, edit=edit).reason
    assert reason.startswith("the cell gives no output in oxygen (0.40 mV")

    def nothing(fields):
        fields["output_mv"][0, 1:] = np.nan

    assert figure("oxygen_output_mv", edit=nothing).reason == "no step in oxygen"


def test_slope_agreement_needs_air_and_a_calibration_step(figure):
    assert figure("air_slope_agreement_percent", air=False).reason == "no step in ambient air"
    assert figure("air_slope_agreement_percent", up=(1.4,), down=()).reason.startswith(
        "no step in oxygen near"
    )
    # (output in air over its PO2) over (output in oxygen over its PO2), by hand.
    found = figure("air_slope_agreement_percent", lambda p: 50.0 * p + 0.5)
    assert found.value == pytest.approx(100.0 * ((50.0 * 0.2095 + 0.5) / 0.2095 / 50.5 - 1.0))


def test_the_first_step_may_be_the_calibration_step_or_one_with_an_error(figure):
    assert figure("oxygen_output_mv", air=False).value == pytest.approx(50.0)
    assert figure("indication_error_percent", up=(1.6, 1.0), down=(), air=False).value == pytest.approx(0.0)


def test_a_step_that_one_cell_lacks_is_no_error_of_it(measured):
    def edit(fields):
        fields["output_mv"][0, 4] = np.nan

    quantities = measure(measured(line, line, down=(), edit=edit), 25.0)
    errors = [
        [one.nominal_po2_bar for one in cell_figures(quantities, cell) if "error" in one.key]
        for cell in (0, 1)
    ]
    assert errors == [[1.2, 1.4, 1.8, 2.0], [1.2, 1.4, 1.6, 1.8, 2.0]]
