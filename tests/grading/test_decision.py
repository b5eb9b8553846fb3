import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm, t

from grading.judgement.decision import (
    decide,
    decide_lower_bound,
    probability_of_conformity,
    room_to_decide,
    worst,
)

ERROR = ((-2.5, 2.5), (-5.0, 5.0))
T90 = ((None, 6.0), (None, 15.0))
LINEAR_TO = ((2.0, None), (1.6, None))
ORDER = {"pass": 0, "watch": 1, "reject": 2}


@pytest.mark.parametrize(
    ("value", "uncertainty", "limits", "grade", "why", "broken"),
    [
        (0.0, 0.5, ERROR, "pass", "inside", None),
        (2.0, 0.5, ERROR, "pass", "inside", None),
        (2.0, 0.6, ERROR, "watch", "near a pass limit", 2.5),
        (-2.4, 0.5, ERROR, "watch", "near a pass limit", -2.5),
        (2.6, 0.5, ERROR, "watch", "outside a pass limit", 2.5),
        (-4.5, 0.5, ERROR, "watch", "outside a pass limit", -2.5),
        (-4.6, 0.5, ERROR, "reject", "may be beyond a reject limit", -5.0),
        (4.9, 0.5, ERROR, "reject", "may be beyond a reject limit", 5.0),
        (5.1, 0.5, ERROR, "reject", "beyond a reject limit", 5.0),
        (-40.0, 0.5, ERROR, "reject", "beyond a reject limit", -5.0),
        (2.5, 0.0, ERROR, "pass", "inside", None),
        (5.0, 0.0, ERROR, "watch", "outside a pass limit", 2.5),
        (5.5, 0.4, T90, "pass", "inside", None),
        (0.1, 0.4, T90, "pass", "inside", None),
        (14.9, 0.4, T90, "reject", "may be beyond a reject limit", 15.0),
        (1.58, 0.03, LINEAR_TO, "reject", "beyond a reject limit", 1.6),
        (1.62, 0.03, LINEAR_TO, "reject", "may be beyond a reject limit", 1.6),
        (1.66, 0.03, LINEAR_TO, "watch", "outside a pass limit", 2.0),
    ],
)
def test_guarded_rule(value, uncertainty, limits, grade, why, broken):
    found = decide(value, uncertainty, *limits)
    assert (found.grade, found.why, found.broken_limit) == (grade, why, broken)


@pytest.mark.parametrize("value", [0.0, 1.0, -3.0, 4.9, 5.5, 7.0])
def test_a_rig_too_coarse_to_separate_pass_from_reject_decides_neither(value):
    found = decide(value, 2.6, *ERROR)
    assert (found.grade, found.why) == ("watch", "undecidable")


def test_a_coarse_rig_still_rejects_what_lies_beyond_the_limit_with_its_whole_interval():
    assert decide(-7.7, 2.6, *ERROR).grade == "reject"
    assert decide(-7.5, 2.6, *ERROR).why == "undecidable"


def test_the_uncertainty_may_just_fill_the_room_between_the_limits():
    assert decide(0.0, 2.5, *ERROR).grade == "pass"
    assert room_to_decide(*ERROR) == 2.5
    assert room_to_decide((8.4, 14.0), (7.2, 16.0)) == pytest.approx(1.2)
    assert room_to_decide((None, 6.0), (None, None)) == math.inf
    assert room_to_decide((None, 6.0), (1.0, None)) == math.inf


@pytest.mark.parametrize(
    ("value", "grade"), [(0.0, "watch"), (3.0, "watch"), (5.0, "watch"), (5.1, "reject"), (-6.0, "reject")]
)
def test_an_undetermined_uncertainty_never_passes_and_has_no_probability(value, grade):
    found = decide(value, None, *ERROR)
    assert found.grade == grade
    assert found.probability_of_conformity is None


def test_a_pressure_read_by_hand_is_no_better_than_watch_and_no_excuse():
    assert decide(0.0, 0.5, *ERROR, typed_pressure=True).why == "typed pressure"
    assert decide(0.0, 0.5, *ERROR, typed_pressure=True).grade == "watch"
    assert decide(4.8, 0.5, *ERROR, typed_pressure=True).why == "typed pressure leaves doubt"
    assert decide(4.8, 0.5, *ERROR, typed_pressure=True).grade == "watch"
    assert decide(5.1, 0.5, *ERROR, typed_pressure=True).grade == "reject"


@pytest.mark.parametrize(
    ("value", "uncertainty"),
    [(math.nan, 1.0), (math.inf, 1.0), (0.0, math.nan), (0.0, math.inf), (0.0, -1.0)],
)
def test_nonsense_is_refused(value, uncertainty):
    with pytest.raises(ValueError):
        decide(value, uncertainty, *ERROR)


def test_lower_bounds():
    decided = decide_lower_bound(2.0, *LINEAR_TO, tested_to=2.0)
    assert decided.grade == "pass"
    # Tested only to 1.6: all that the test can say has been said, and it is no fault of the cell.
    assert decide_lower_bound(1.6, *LINEAR_TO, tested_to=1.6) is None
    # Tested to 2.0, but the data only carry 1.7.
    assert decide_lower_bound(1.7, *LINEAR_TO, tested_to=2.0).why == "only a lower bound"
    assert decide_lower_bound(1.4, *LINEAR_TO, tested_to=1.4).grade == "watch"
    assert decide_lower_bound(2.0, *LINEAR_TO, tested_to=2.0, typed_pressure=True).grade == "watch"


def test_a_lower_bound_is_compared_up_to_rounding():
    hair = 5e-10
    assert decide_lower_bound(2.0 - hair, *LINEAR_TO, tested_to=2.4).grade == "pass"
    assert decide_lower_bound(2.0 - 5e-9, *LINEAR_TO, tested_to=2.4).grade == "watch"
    assert decide_lower_bound(1.6 - hair, (2.0, None), (1.5, None), tested_to=1.6) is None
    assert decide_lower_bound(1.6 - 5e-9, (2.0, None), (1.5, None), tested_to=1.6).grade == "watch"


def test_a_lower_bound_keeps_no_upper_limit_and_needs_no_lower_one():
    assert decide_lower_bound(2.0, (2.0, 3.0), (1.6, 3.5), tested_to=3.0).why == "only a lower bound"
    assert decide_lower_bound(2.0, (None, None), (None, None), tested_to=3.0).grade == "pass"
    assert decide_lower_bound(1.7, (2.0, None), (None, None), tested_to=1.7) is None
    # A bound at the reject limit is not below it.
    assert decide_lower_bound(1.6, *LINEAR_TO, tested_to=1.6) is None


def test_without_a_factor_u_is_two_standard_uncertainties():
    found = decide(1.7, 0.8, *ERROR).probability_of_conformity
    assert found == pytest.approx(norm.cdf(2.5, 1.7, 0.4) - norm.cdf(-2.5, 1.7, 0.4))


@given(
    value=st.floats(-20, 20),
    u=st.floats(1e-6, 10),
    lower=st.one_of(st.none(), st.floats(-10, 0)),
    upper=st.one_of(st.none(), st.floats(0, 10)),
)
def test_probability_of_conformity_against_scipy(value, u, lower, upper):
    low = -math.inf if lower is None else lower
    high = math.inf if upper is None else upper
    expected = norm.cdf(high, value, u) - norm.cdf(low, value, u)
    assert probability_of_conformity(value, u, (lower, upper)) == pytest.approx(expected, abs=1e-12)
    expected = t.cdf(high, 5, value, u) - t.cdf(low, 5, value, u)
    assert probability_of_conformity(value, u, (lower, upper), 5.0) == pytest.approx(expected, abs=1e-9)


def test_probability_at_the_acceptance_limits_of_jcgm_106():
    # JCGM 106:2012, table 1: pc = 0.95 at z = 1.64, 0.99 at 2.33, 0.999 at 3.09 (one-sided).
    for z, expected in ((0.84, 0.80), (1.28, 0.90), (1.64, 0.95), (2.33, 0.99), (3.09, 0.999)):
        assert probability_of_conformity(10.0 - z, 1.0, (None, 10.0)) == pytest.approx(expected, abs=6e-4)


def test_few_degrees_of_freedom_make_the_probability_humbler():
    sure = decide(1.0, 1.0, *ERROR, coverage_factor=2.0).probability_of_conformity
    unsure = decide(1.0, 1.0, *ERROR, coverage_factor=2.0, degrees_of_freedom=3.0).probability_of_conformity
    assert unsure < sure


def test_a_perfectly_known_value_conforms_or_does_not():
    assert decide(2.0, 0.0, *ERROR).probability_of_conformity == 1.0
    assert decide(3.0, 0.0, *ERROR).probability_of_conformity == 0.0


@given(
    value=st.floats(-10, 10),
    further=st.floats(0, 10),
    uncertainty=st.one_of(st.none(), st.floats(0, 10)),
    typed=st.booleans(),
)
def test_a_grade_never_improves_when_the_figure_worsens(value, further, uncertainty, typed):
    worse = value + further if value >= 0 else value - further
    here = decide(value, uncertainty, *ERROR, typed_pressure=typed).grade
    there = decide(worse, uncertainty, *ERROR, typed_pressure=typed).grade
    assert ORDER[there] >= ORDER[here]


@given(value=st.floats(-10, 10), uncertainty=st.one_of(st.none(), st.floats(0, 10)))
def test_nothing_passes_with_its_interval_outside_and_nothing_beyond_is_let_off(value, uncertainty):
    found = decide(value, uncertainty, *ERROR)
    if found.grade == "pass":
        assert uncertainty is not None
        assert abs(value) + uncertainty <= 2.5 + 1e-9
    if uncertainty is not None and abs(value) - uncertainty > 5.0:
        assert found.grade == "reject"


@given(value=st.floats(0, 4.99), small=st.floats(0, 2.4), more=st.floats(0, 2.4))
def test_a_better_rig_never_turns_a_pass_into_less(value, small, more):
    coarse = min(small + more, 2.5)
    if decide(value, coarse, *ERROR).grade == "pass":
        assert decide(value, small, *ERROR).grade == "pass"


def test_worst_of_grades():
    assert worst("pass", "reject", "watch") == "reject"
    assert worst("pass", "watch") == "watch"
    assert worst() == "pass"
