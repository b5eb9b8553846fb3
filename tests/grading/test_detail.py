"""The data behind a cell's figures: its steps, and what a handset would have shown."""

import numpy as np
import pytest

from grading.judgement.grade import grade
from grading.judgement.limits import general_limits

RISING = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0)


def line(p):
    return 50.0 * p


def cell_of(measurement, **options):
    (cell,) = grade(measurement, general_limits(), **options).cells
    return cell


@pytest.fixture
def shown(measured):
    """The detail of a cell whose handset would show these values at the rising steps, air left out."""

    def run(displays, steps=RISING, **changes):
        at = dict(zip(steps, displays, strict=True))
        made = measured(
            lambda p: 50.0 * at[round(p, 1)], up=steps, down=(), air=False, fraction=1.0, **changes
        )
        return cell_of(made).detail

    return run


def test_an_honest_handset_shows_the_truth_at_every_display(measured):
    detail = cell_of(measured(line)).detail
    assert [shown for shown, _ in detail.true_po2_when_display_says] == [1.2, 1.3, 1.4, 1.5, 1.6]
    for display, truth in detail.true_po2_when_display_says:
        assert truth == pytest.approx(display)
    assert detail.calibration_po2_bar == pytest.approx(1.0)
    assert "When it shows 1.30, the truth is 1.30 bar." in detail.statements


def test_of_two_truths_the_higher_counts(shown):
    pairs = dict(shown((1.0, 1.25, 1.15, 1.3, 1.5, 1.6)).true_po2_when_display_says)
    assert pairs[1.2] == pytest.approx(1.4 + 0.2 * 0.05 / 0.15)
    assert pairs[1.3] == pytest.approx(1.6)
    assert pairs[1.4] == pytest.approx(1.7)
    assert pairs[1.6] == pytest.approx(2.0)
    assert dict(shown((1.0, 1.25, 1.2, 1.3, 1.5, 1.6)).true_po2_when_display_says)[1.2] == pytest.approx(1.4)


def test_a_display_that_stands_still_or_is_not_reached_has_no_higher_truth(shown):
    pairs = dict(shown((1.0, 1.1, 1.2, 1.3, 1.3, 1.3)).true_po2_when_display_says)
    assert pairs == {1.2: pytest.approx(1.4), 1.3: pytest.approx(1.6)}


def test_a_display_below_the_first_step_has_no_pair(shown):
    assert shown((1.25, 1.35), steps=(1.0, 1.4)).calibration_po2_bar == 1.0
    # The calibration step itself always shows its own PO2; nothing lies below it.
    assert [display for display, _ in shown((1.0, 1.3), steps=(1.0, 1.4)).true_po2_when_display_says] == [
        1.2,
        1.3,
    ]


def test_the_order_of_the_steps_changes_nothing(shown):
    rising = shown((1.0, 1.19, 1.37, 1.52, 1.6, 1.65))
    mixed = shown((1.6, 1.0, 1.65, 1.19, 1.52, 1.37), steps=(1.8, 1.0, 2.0, 1.2, 1.6, 1.4))
    assert dict(mixed.true_po2_when_display_says) == pytest.approx(dict(rising.true_po2_when_display_says))
    assert mixed.statements[:2] == rising.statements[:2]


@pytest.mark.parametrize(
    ("steps", "displays", "words"),
    [
        (
            (1.0, 1.6, 2.0),
            (1.0, 1.52, 1.65),
            "a handset shows 1.52 where the truth is 1.60 bar, and 1.65 where it is 2.00 bar.",
        ),
        (
            (1.0, 1.2, 1.8),
            (1.0, 1.19, 1.61),
            "a handset shows 1.61 where the truth is 1.80 bar.",
        ),
        ((1.6, 1.0), (1.52, 1.0), "a handset shows 1.52 where the truth is 1.60 bar."),
        (
            (1.0, 1.3, 2.0),
            (1.0, 1.29, 1.65),
            "a handset shows 1.29 where the truth is 1.30 bar, and 1.65 where it is 2.00 bar.",
        ),
    ],
)
def test_the_step_nearest_to_1_6_bar_and_the_top_are_reported(shown, steps, displays, words):
    assert shown(displays, steps=steps).statements[0] == f"Calibrated on this cell at PO2 1.00 bar, {words}"


@pytest.mark.parametrize(
    ("steps", "displays", "words"),
    [
        ((1.0, 1.4), (1.0, 1.4), "When it shows 1.30, the truth is 1.30 bar."),
        ((1.0, 1.3), (1.0, 1.2), "It never shows 1.30: the most it shows is 1.20, up to a true 1.30 bar."),
        (
            (1.0, 1.4, 2.0),
            (1.0, 1.25, 1.2),
            "It never shows 1.30: the most it shows is 1.25, up to a true 2.00 bar.",
        ),
        ((1.0, 1.2), (1.0, 1.2), None),
    ],
)
def test_the_usual_set_point_is_reported_where_the_test_went_so_far(shown, steps, displays, words):
    statements = [one for one in shown(displays, steps=steps).statements if "1.30" in one.split(",")[0]]
    assert statements == ([words] if words else [])


def test_without_a_calibration_step_nothing_is_said_of_a_handset(measured):
    detail = cell_of(measured(line, up=(1.4, 1.6), down=())).detail
    assert detail.calibration_po2_bar is None
    assert detail.statements == ()
    assert detail.true_po2_when_display_says == ()
    assert len(detail.steps) == 3


def test_a_lone_calibration_step_says_nothing_either(measured):
    detail = cell_of(measured(line, up=(1.0,), down=(), air=False)).detail
    assert detail.calibration_po2_bar == pytest.approx(1.0)
    assert not any("handset" in one for one in detail.statements)


def test_steps_are_listed_as_they_were_read(measured):
    def edit(fields):
        fields["temperature_c"][0, 1] = np.nan
        fields["output_mv"][0, 3] = np.nan
        fields["settled"][0, :3] = [-1, 0, 1]

    cell = cell_of(measured(lambda p: 50.0 * p if p < 1.5 else 75.0, edit=edit))
    steps = cell.detail.steps
    assert [step.step for step in steps] == [0, 1, 2, *range(4, 12)]
    assert [step.gas for step in steps[:2]] == ["air", "oxygen"]
    assert [step.settled for step in steps[:3]] == [None, False, True]
    assert [step.temperature_c for step in steps[:2]] == [22.0, None]
    top = next(step for step in steps if step.nominal_po2_bar == 2.0)
    assert top.pressure_bar == pytest.approx(2.0 / 0.995)
    assert (top.po2_bar, top.output_mv) == (pytest.approx(2.0), pytest.approx(75.0))
    assert top.indication_error_percent == pytest.approx(-25.0)
    assert top.shows_bar == pytest.approx(1.5)
    assert top.direction == "up"
    figure = next(f for f in cell.figures if f.nominal_po2_bar == 2.0)
    assert top.expanded_uncertainty_percent == pytest.approx(figure.expanded_uncertainty)


def test_the_step_that_a_handset_is_calibrated_at_and_air_have_no_error(measured):
    steps = cell_of(measured(line)).detail.steps
    for step in steps[:2]:
        assert step.indication_error_percent is None
        assert step.expanded_uncertainty_percent is None
        assert step.shows_bar is None
    assert steps[0].nominal_po2_bar is None
    assert all(step.expanded_uncertainty_percent is not None for step in steps[2:])


def test_a_curve_is_drawn_only_when_asked_for(measured):
    assert cell_of(measured(line)).detail.curve is not None
    assert cell_of(measured(line), with_curves=False).detail.curve is None


@pytest.mark.parametrize(("settled", "stated"), [(1, True), (-1, True), (0, False)])
def test_a_ceiling_is_stated_unless_a_step_had_not_settled(measured, settled, stated):
    def soft(p):
        return ((50.0 * p) ** -4.0 + 90.0**-4.0) ** -0.25

    def one_step(fields):
        fields["settled"][0, 4] = settled

    detail = cell_of(measured(soft, edit=one_step)).detail
    assert (detail.curve.ceiling_mv is not None) == stated
    reported = [one for one in detail.statements if "eiling" in one]
    assert len(reported) == stated
    assert all(one[0] == "C" and one.endswith(".") and not one.endswith("..") for one in reported)


def test_a_step_that_only_another_cell_has_moves_no_display(measured):
    def edit(fields):
        at_1_2 = np.isclose(fields["nominal_po2_bar"], 1.2)
        fields["output_mv"][0, at_1_2] = np.nan
        fields["output_mv"][:, -1] *= 0.9

    lacking, whole = grade(measured(line, line, edit=edit), general_limits()).cells
    assert dict(lacking.detail.true_po2_when_display_says)[1.2] == pytest.approx(1.2)
    assert dict(whole.detail.true_po2_when_display_says)[1.2] == pytest.approx(1.2)


def test_a_shape_that_no_ceiling_makes_is_told_where_no_bend_was_measured(measured):
    def wavy(fields):
        fields["output_mv"][0, :] *= 1.0 + 0.012 * (-1.0) ** np.arange(fields["output_mv"].shape[1])

    cell = cell_of(measured(line, down=(), edit=wavy))
    assert any("does not have the shape" in one for one in cell.detail.statements)


def test_an_error_whose_doubt_cannot_be_told_is_given_without_one(measured):
    def two_readings(fields):
        fields["u_output_mv"][0, 5] = 5.0
        fields["output_dof"][0, 5] = 0.5

    (step,) = [one for one in cell_of(measured(line, edit=two_readings)).detail.steps if one.step == 5]
    assert step.indication_error_percent == pytest.approx(0.0, abs=1e-9)
    assert step.expanded_uncertainty_percent is None


def test_a_cell_that_was_never_read_has_no_curve_settled_or_not(measured):
    def nothing(fields):
        fields["output_mv"][0, :] = np.nan

    for settled in (0, 1):
        made = measured(line, line, settled=settled, edit=nothing)
        curves = [cell.detail.curve for cell in grade(made, general_limits()).cells]
        assert curves[0] is None
        assert curves[1] is not None
