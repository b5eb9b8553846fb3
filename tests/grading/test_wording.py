"""Names and numbers as people read them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading import cautions, wording
from grading.figure_kinds import FIGURE_KINDS
from grading.results import Figure


def figure(value, u, unit="mV", key="oxygen_output_mv", **others):
    return Figure(key, unit, value, u, **others)


@pytest.mark.parametrize(
    ("u", "decimals"),
    [(0.11, 2), (0.0996, 2), (0.996, 1), (1.2, 1), (12.0, 0), (140.0, 0), (0.0034, 4), (1e-9, 5), (None, 3)],
)
def test_uncertainty_has_two_significant_digits(u, decimals):
    assert wording.decimals_for(u, otherwise=3) == decimals


@given(st.floats(min_value=1e-4, max_value=99.0))
def test_printed_uncertainty_is_within_five_percent(u):
    printed = float(wording.number(u, wording.decimals_for(u, otherwise=0)))
    assert printed == pytest.approx(u, rel=0.051)


@pytest.mark.parametrize(
    ("value", "signed", "text"),
    [
        (-0.36, False, "−0.36"),
        (0.36, True, "+0.36"),
        (-0.001, True, "0.00"),
        (0.0, True, "0.00"),
        (math.nan, False, "—"),
    ],
)
def test_numbers_carry_a_true_minus_and_no_sign_on_zero(value, signed, text):
    assert wording.number(value, 2, signed=signed) == text


def test_quantity_with_its_uncertainty():
    assert wording.figure_quantity(figure(50.2389, 0.1123)) == "50.24 ± 0.11 mV"


def test_undetermined_uncertainty_is_never_zero():
    assert wording.figure_quantity(figure(50.2389, None)) == "50.24 mV, U undetermined"
    assert wording.figure_quantity(figure(50.2389, math.inf)) == "50.24 mV, U undetermined"


def test_missing_and_censored_values_say_so():
    assert wording.figure_quantity(figure(None, None)) == "not tested"
    censored = figure(None, None, "bar", "linear_to_bar", at_least=2.0)
    assert wording.figure_quantity(censored) == "at least 2.00 bar"


@pytest.mark.parametrize(
    ("limits", "passing", "rejecting"),
    [
        ((8.4, 14.0), "8.4 to 14", "below 8.4, above 14"),
        ((-2.5, 2.5), "within ±2.5", "beyond ±2.5"),
        ((2.0, None), "at least 2", "below 2"),
        ((None, 6.0), "at most 6", "above 6"),
        (None, "—", "—"),
    ],
)
def test_limits_in_words(limits, passing, rejecting):
    limited = figure(1.0, 0.1, pass_limits=limits, reject_limits=limits)
    assert wording.pass_limits(limited) == passing
    assert wording.reject_limits(limited) == rejecting


@given(st.floats(min_value=0.0, max_value=1.0))
def test_probability_is_never_certain(p):
    text = wording.probability(p)
    assert text.endswith(" %")
    assert text not in {"0 %", "0.0 %", "100 %", "100.0 %"}


@pytest.mark.parametrize(
    ("p", "text"), [(0.5, "50 %"), (0.9951, "99.5 %"), (0.9999, "> 99.9 %"), (1e-5, "< 0.1 %"), (None, "—")]
)
def test_probability_in_percent(p, text):
    assert wording.probability(p) == text


def test_every_figure_has_a_name_of_its_own():
    names = {wording.figure_name(Figure(key, "", None, None)) for key in FIGURE_KINDS}
    assert len(names) == len(FIGURE_KINDS)
    assert not any("_" in name for name in names)


def test_a_grade_is_shown_by_mark_and_word():
    texts = {wording.grade_text(grade) for grade in wording.GRADE_WORD}
    assert texts == {"✔ PASS", "▲ WATCH", "✖ REJECT", "○ UNGRADED"}


@pytest.mark.parametrize(
    ("iso", "text"),
    [
        ("2026-03-02T10:15:00Z", "2026-03-02 10:15 UTC"),
        ("2026-03-02T12:15:00+02:00", "2026-03-02 10:15 UTC"),
        ("2026-03-02T10:15:00", "2026-03-02 10:15 UTC"),
        ("tripped", "tripped"),
        ("", ""),
    ],
)
def test_moments(iso, text):
    assert wording.moment(iso) == text


def test_cautions_are_whole_sentences_and_claim_nothing():
    every = {*cautions.PAPER, *cautions.START_OF_RUN, cautions.REJECT_WASTE}
    assert all(c[0].isupper() and c.endswith(".") for c in every)
    assert cautions.NO_CLAIM in cautions.PAPER
    assert cautions.DEFER in cautions.PAPER
    assert not any("certified" in c.lower() or "accredited" in c.lower() for c in every)
