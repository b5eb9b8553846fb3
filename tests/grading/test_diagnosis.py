"""What a cell's pattern points to, checked with invented figures. A diagnosis changes no grade."""

import numpy as np
import pytest

from grading.judgement.decision import Decision
from grading.judgement.diagnosis import diagnose, rig_findings
from grading.judgement.quantities import measure
from grading.judgement.reasons import Judged
from grading.results import Figure, StepResponse


def line(p):
    return 50.0 * p


def bent(p):
    return ((50.0 * p) ** -8 + 90.0**-8) ** -0.125


def judged(key, value, *, u=0.01, limits=None, nominal=None, grade="pass"):
    """A figure with the decision on it; no decision where `grade` is None."""
    figure = Figure(key, "", value, u, nominal_po2_bar=nominal, pass_limits=limits)
    return Judged(figure, Decision(grade, "inside", None) if grade else None)


def errors(values, *, u=0.01, limits=(-2.5, 2.5), grade="pass"):
    """Indication errors by nominal PO2."""
    return [
        judged("indication_error_percent", value, u=u, limits=limits, nominal=nominal, grade=grade)
        for nominal, value in values.items()
    ]


@pytest.fixture
def reported(measured):
    """Diagnose made-up figures; the first word of each sentence, up to its colon."""

    def run(*figures, response=line, whole=False, findings=(), notes=(), **changes):
        quantities = measure(measured(response, **changes), 25.0)
        said = diagnose(quantities, 0, figures, findings, notes)
        return list(said) if whole else [sentence.partition(":")[0] for sentence in said]

    return run


@pytest.mark.parametrize(
    ("values", "u", "found"),
    [
        ({1.2: -0.1, 2.0: -1.2}, 0.01, True),
        ({2.0: -1.2, 1.2: -0.1}, 0.01, True),
        ({1.2: -0.3, 2.0: -1.2}, 0.01, False),
        # Bent by one percent exactly is no bend, and an interval that ends at zero no shortfall.
        ({1.2: -0.5, 2.0: -1.5}, 0.01, False),
        ({1.2: 0.5, 2.0: -1.25}, 1.25, False),
        ({1.2: 0.5, 2.0: -1.25}, 1.24, True),
        ({1.2: 0.5, 2.0: -0.9}, 0.01, False),
        ({1.2: 0.5, 2.0: -1.0}, 0.01, True),
        # A step below the calibration point says nothing about a bend above it.
        ({0.7: 3.0, 1.2: -0.5, 2.0: -1.2}, 0.01, False),
        ({1.05: 3.0, 1.2: -0.5, 2.0: -1.2}, 0.01, False),
        ({1.1: 0.5, 2.0: -1.2}, 0.01, True),
        ({1.2: 3.0, 1.6: -5.0, 2.0: 2.5}, 0.01, False),
        # An undetermined doubt is not counted: the other figures tell of it.
        ({1.2: 0.5, 2.0: -1.0}, None, True),
        ({2.0: -3.0}, 0.01, False),
        ({}, 0.01, False),
    ],
)
def test_a_ceiling_is_a_shortfall_that_grows(reported, values, u, found):
    assert reported(*errors(values, u=u, grade="watch")) == (["Current limited"] if found else [])


def test_another_figure_that_has_a_step_is_no_indication_error(reported):
    other = judged("noise_percent", 9.0, nominal=1.1)
    assert reported(*errors({1.2: -0.5, 2.0: -1.2}, grade="watch"), other) == []
    nowhere = judged("indication_error_percent", 9.0, grade="watch")
    assert reported(nowhere, *errors({1.2: -0.5, 2.0: -1.2}, grade="watch")) == []


def test_a_top_step_that_is_missing_hides_no_ceiling_below_it(reported):
    missing = judged("indication_error_percent", None, u=None, nominal=2.0, grade=None)
    assert reported(*errors({1.2: 0.0, 1.8: -3.0}, grade="watch"), missing) == ["Current limited"]


def test_a_bent_response_needs_no_second_error_to_show_a_ceiling(reported):
    assert reported(*errors({2.0: -12.0}, grade="reject"), response=bent) == ["Current limited"]


@pytest.mark.parametrize(
    ("error_grade", "linear_to", "found"),
    [
        ("pass", None, False),
        ("pass", "pass", False),
        ("pass", "watch", True),
        ("watch", "pass", True),
        ("watch", None, True),
    ],
)
def test_a_ceiling_is_reported_only_where_something_does_not_pass(reported, error_grade, linear_to, found):
    figures = errors({1.2: 0.0, 2.0: -3.0}, grade=error_grade)
    if linear_to:
        figures.append(judged("linear_to_bar", 1.534, grade=linear_to))
    (said,) = reported(*figures, whole=True) or [""]
    assert said.startswith("Current limited:") == found
    assert ("above about 1.53 bar" in said) == (found and linear_to is not None)
    assert ("towards the top of the test" in said) == (found and linear_to is None)


def test_a_ceiling_of_which_only_a_lower_bound_is_known_has_no_place(reported):
    bound = judged("linear_to_bar", None, u=None, grade=None)
    (said,) = reported(*errors({1.2: 0.0, 2.0: -3.0}, grade="watch"), bound, whole=True)
    assert "towards the top of the test" in said


def test_a_fall_of_the_output_at_the_top_is_fading_and_no_ceiling(reported):
    fading = judged("fade_percent_per_min", 3.0, limits=(None, 0.5), grade="reject")
    assert reported(*errors({1.2: 0.0, 2.0: -8.0}, grade="reject"), fading) == ["Drop while held"]


@pytest.mark.parametrize(
    ("value", "u", "limits", "grade", "found"),
    [
        (6.0, 1.0, (-5.0, 5.0), "reject", True),
        (5.0, 1.0, (-5.0, 5.0), "watch", False),
        (5.5, 5.5, (-5.0, 5.0), "watch", False),
        (5.5, 5.4, (-5.0, 5.0), "watch", True),
        (3.0, 0.1, (-2.0, 5.0), "watch", False),
        (9.0, 0.1, None, "watch", False),
        (9.0, 0.1, (-5.0, None), "watch", False),
        (6.0, 1.0, (-5.0, 5.0), "pass", False),
    ],
)
def test_a_cell_reads_high_when_its_top_error_is_surely_above_its_limit(
    reported, value, u, limits, grade, found
):
    figures = errors({1.2: 0.0, 2.0: value}, u=u, limits=limits, grade=grade)
    assert reported(*figures) == (["Reads high"] if found else [])


def test_the_top_error_decides_whether_a_cell_reads_high(reported):
    assert reported(*errors({2.0: 0.0, 1.2: 9.0}, grade="watch")) == []
    assert reported() == []


@pytest.mark.parametrize(
    ("output", "limits", "grade", "found"),
    [
        (39.0, (40.0, 67.0), "pass", True),
        (40.0, (40.0, 67.0), "pass", False),
        (50.0, (40.0, 67.0), "pass", False),
        (39.0, (40.0, 67.0), "watch", False),
        (39.0, (40.0, 67.0), None, False),
        (39.0, (None, 67.0), "pass", False),
        (39.0, None, "pass", False),
        (None, (40.0, 67.0), "pass", False),
    ],
)
def test_low_but_linear_is_low_with_every_error_passed(reported, output, limits, grade, found):
    low = judged("oxygen_output_mv", output, limits=limits, grade="watch")
    assert reported(low, *errors({1.6: 0.1, 2.0: 0.1}, grade=grade)) == (["Low but linear"] if found else [])


def test_one_error_that_does_not_pass_is_off_the_line(reported):
    low = judged("oxygen_output_mv", 39.0, limits=(40.0, 67.0), grade="watch")
    assert reported(low, *errors({1.2: 0.1}), *errors({2.0: 0.1}, grade="watch")) == []


@pytest.mark.parametrize(
    ("key", "value", "limit", "found"),
    [
        ("oxygen_output_mv", 67.1, 67.0, "Over-output"),
        ("oxygen_output_mv", 67.0, 67.0, None),
        ("air_output_mv", 14.1, 14.0, "Over-output"),
        ("air_output_mv", 14.0, 14.0, None),
        ("t90_s", 6.1, 6.0, "Slow"),
        ("t90_s", 6.0, 6.0, None),
        ("fade_percent_per_min", 0.6, 0.5, "Drop while held"),
        ("fade_percent_per_min", 0.5, 0.5, None),
        ("noise_percent", 0.3, 0.2, "Noisy contact"),
        ("noise_percent", 0.2, 0.2, None),
        ("hysteresis_percent", 1.1, 1.0, "Hysteresis"),
        ("hysteresis_percent", 1.0, 1.0, None),
    ],
)
def test_a_figure_above_its_pass_limit_has_its_own_pattern(reported, key, value, limit, found):
    assert reported(judged(key, value, limits=(0.0, limit), grade="watch")) == ([found] if found else [])
    assert reported(judged(key, value, limits=(0.0, None), grade="watch")) == []
    assert reported(judged(key, value, limits=None, grade=None)) == []


@pytest.mark.parametrize(("value", "u", "found"), [(6.7, 2.2, []), (6.7, 0.7, []), (6.8, 0.7, ["Slow"])])
def test_a_cell_is_called_slow_only_where_its_uncertainty_leaves_no_doubt(reported, value, u, found):
    assert reported(judged("t90_s", value, u=u, limits=(None, 6.0), grade="watch")) == found


def test_hysteresis_is_not_reported_beside_a_fade_that_explains_it(reported):
    hysteresis = judged("hysteresis_percent", 3.0, limits=(None, 1.0), grade="reject")
    fading = judged("fade_percent_per_min", 3.0, limits=(None, 0.5), grade="reject")
    assert reported(hysteresis, fading) == ["Drop while held"]


@pytest.mark.parametrize(
    ("value", "u", "grade", "error_grade", "found"),
    [
        (4.0, 1.0, "watch", "pass", True),
        (-4.0, 1.0, "watch", "pass", True),
        (4.0, 1.0, "reject", "pass", True),
        (4.0, 1.0, "pass", "pass", False),
        (4.0, 1.0, None, "pass", False),
        (4.0, 4.0, "watch", "pass", False),
        (4.0, None, "watch", "pass", False),
        (None, 1.0, "watch", "pass", False),
        (4.0, 1.0, "watch", "watch", False),
    ],
)
def test_an_offset_is_a_sure_disagreement_of_air_and_oxygen_on_a_straight_line(
    reported, value, u, grade, error_grade, found
):
    slope = judged("air_slope_agreement_percent", value, u=u, limits=(-3.0, 3.0), grade=grade)
    figures = [slope, *errors({1.6: 0.1, 2.0: 0.1}, grade=error_grade)]
    assert reported(*figures) == (["Offset"] if found else [])


@pytest.mark.parametrize("first_bar", [0.8, 1.0])
def test_an_offset_is_the_output_where_the_line_meets_no_oxygen(reported, first_bar):
    slope = judged("air_slope_agreement_percent", 6.0, u=0.5, limits=(-3.0, 3.0), grade="watch")
    figures = [slope, *errors({1.6: 0.1, 2.0: 0.1})]
    made = {"response": lambda p: 47.0 * p - 1.25, "up": (first_bar, 1.6, 2.0), "down": ()}
    (said,) = reported(*figures, whole=True, **made)
    assert "misses zero by −1.25 mV" in said


def tail(fraction, t90_s=92.0, direction="up"):
    return StepResponse(direction, 2, "two modes", 5.0, 0.1, slow_fraction=fraction, slow_t90_s=t90_s)


@pytest.mark.parametrize(
    ("responses", "words"),
    [
        ((tail(0.03),), "the last 3 % of a step take about 92 s"),
        ((tail(0.029),), None),
        ((tail(None),), None),
        ((tail(0.2, None),), None),
        ((tail(0.05, 80.0), tail(0.08, 95.0, "down")), "the last 8 % of a step take about 95 s"),
        ((tail(0.08, 95.0), tail(0.05, 80.0, "down")), "the last 8 % of a step take about 95 s"),
        ((), None),
    ],
)
def test_the_largest_slow_tail_is_reported(reported, responses, words):
    said = reported(responses=(responses,), whole=True)
    assert [words in sentence for sentence in said] == ([True] if words else [])


@pytest.mark.parametrize(
    ("response", "found"),
    [
        (lambda p: 0.99, True),
        (lambda p: 1.0, False),
        (lambda p: 0.5 if p < 1.5 else 2.0, False),
        (lambda p: 50.0 if p < 0.5 else 0.1, True),
        (lambda p: -50.0 * p, True),
    ],
)
def test_no_output_is_said_of_the_highest_in_oxygen(reported, response, found):
    assert (reported(response=response) == ["No output"]) == found


def test_readings_that_are_not_there_are_no_dead_cell(reported):
    def nothing(fields):
        fields["output_mv"][:, 1:] = np.nan

    def a_few(fields):
        fields["output_mv"][:, 2:] = np.nan

    assert reported(edit=nothing) == []
    assert reported(edit=a_few) == []
    assert reported(response=lambda p: 0.2, edit=a_few) == ["No output"]


def test_what_the_rig_saw_goes_before_any_pattern_and_notes_come_last(reported):
    low = judged("oxygen_output_mv", 70.0, limits=(40.0, 67.0), grade="watch")
    assert reported(low, findings=("unplugged",), notes=("a note",)) == ["Unplugged mid-run", "a note"]
    assert reported(low, findings=("something new",), notes=("a note",)) == ["Over-output", "a note"]
    assert reported(response=lambda p: 0.1, notes=("a note",)) == ["No output", "a note"]


def shared(*values, key="noise_percent", grade="watch"):
    return rig_findings([[judged(key, value, grade=grade)] for value in values])


@pytest.mark.parametrize(
    "key", ["air_slope_agreement_percent", "indication_error_percent", "hysteresis_percent", "noise_percent"]
)
def test_what_three_cells_share_points_to_the_rig(key):
    (said,) = shared(3.0, 4.0, 5.0, key=key)
    assert said.startswith("All 3 cells of this run show the same ")
    (said,) = shared(-3.0, -4.0, -5.0, -6.0, key=key, grade="reject")
    assert said.startswith("All 4 cells of this run show the same ")


def test_two_cells_opposite_signs_or_one_that_passes_do_not_point_to_the_rig():
    assert shared(3.0, 4.0) == ()
    assert shared(3.0, 4.0, -5.0) == ()
    assert shared(3.0, 4.0, 5.0, grade="pass") == ()
    assert rig_findings([[judged("noise_percent", 3.0, grade=g)] for g in ("watch", "watch", "pass")]) == ()
    assert shared(3.0, 4.0, 5.0, key="t90_s") == ()
    assert shared(None, None, None) == ()


def test_cells_without_the_figure_or_without_a_grade_on_it_are_not_counted():
    cells = [[judged("noise_percent", 3.0, grade="watch")]] * 3
    (said,) = rig_findings([*cells, [], [judged("noise_percent", 3.0, grade=None)]])
    assert said.startswith("All 3 cells")


def test_of_several_errors_the_highest_step_that_does_not_pass_gives_the_sign():
    low_then_high = errors({1.2: -3.0, 2.0: 6.0}, grade="watch") + errors({2.2: -1.0})
    assert len(rig_findings([low_then_high, *[errors({2.0: 6.0}, grade="watch")] * 2])) == 1
