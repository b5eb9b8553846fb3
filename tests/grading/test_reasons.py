"""Sentences on why a figure does not pass: which comes first, and which numbers stand in them."""

import pytest

from grading.judgement.decision import Decision
from grading.judgement.reasons import PASSED, Judged, reasons, sentence
from grading.results import Contribution, Figure

UNITS = {"t90_s": "s", "linear_to_bar": "bar", "oxygen_output_mv": "mV"}


def judged(key, value, why="inside", *, grade="watch", broken=None, u=0.1, nominal=None, **others):
    figure = Figure(key, UNITS.get(key, "%"), value, u, nominal_po2_bar=nominal, **others)
    return Judged(figure, Decision(grade, why, None, broken) if grade else None)


def error(nominal, value, grade="reject", limits=(-5.0, 5.0)):
    why = "beyond a reject limit" if grade == "reject" else "outside a pass limit"
    broken = limits[0] if limits else None
    return judged(
        "indication_error_percent",
        value,
        why,
        grade=grade,
        broken=broken,
        nominal=nominal,
        reject_limits=limits,
    )


def test_rejects_come_before_watches_and_what_was_not_tested_comes_last():
    found = reasons(
        [
            judged("noise_percent", 0.5, "outside a pass limit", broken=0.2),
            judged("hysteresis_percent", None, grade=None, u=None),
            judged("t90_s", 16.0, "beyond a reject limit", grade="reject", broken=15.0),
            judged("linear_to_bar", None, grade=None, u=None, at_least=2.0),
            judged("oxygen_output_mv", 50.0, grade="pass"),
        ]
    )
    assert len(found) == 3
    assert found[0].startswith("Response time T90: 16.00 ± 0.10 s")
    assert found[1].startswith("Noise")
    assert found[2] == "Not tested: Hysteresis."


def test_a_cell_without_anything_to_say_against_it_passed_every_figure_tested():
    assert reasons([judged("oxygen_output_mv", 50.0, grade="pass")]) == (PASSED,)


def test_of_several_indication_errors_the_worst_is_told_in_full_and_the_others_by_step():
    found = reasons(
        [
            error(2.0, -9.0, limits=(-10.0, 10.0)),
            error(1.2, -6.0),
            error(1.6, -8.0),
            judged("t90_s", 16.0, "beyond a reject limit", grade="reject", broken=15.0),
        ]
    )
    assert found[0].startswith("At 1.6 bar a handset would show 1.47: 8.0 % low")
    assert found[1] == "Rejected also at 1.2 bar (6.0 % low), 2.0 bar (9.0 % low)."
    assert found[2].startswith("Response time T90")


def test_the_worst_error_is_the_largest_for_its_limit_on_either_side():
    high = error(1.6, 7.0, limits=(-5.0, 20.0))
    assert reasons([high, error(1.8, -6.0)])[0].startswith("At 1.8 bar")
    assert reasons([error(1.2, 4.0, limits=None), error(1.4, -3.0, limits=None)])[0].startswith("At 1.2 bar")
    assert reasons([error(1.2, 3.0, limits=None), error(1.4, -4.0, limits=None)])[0].startswith("At 1.4 bar")


def test_a_reject_limit_on_one_side_or_none_is_compared_too():
    one_sided = error(1.6, 7.0, limits=(None, 5.0))
    assert reasons([error(1.8, -6.0), one_sided])[0].startswith("At 1.6 bar")
    # 6 % of 10 % is less bad than 4 % of 5 %.
    assert reasons([error(1.8, -6.0, limits=(-10.0, 5.0)), error(1.4, -4.0)])[0].startswith("At 1.4 bar")
    # Without a limit, or with one of zero, every percent counts as one.
    assert reasons([error(1.4, -8.0), error(1.2, 4.0, limits=(None, 0.0))])[0].startswith("At 1.2 bar")
    assert reasons([error(1.4, -8.0), error(1.2, 4.0, limits=None)])[0].startswith("At 1.2 bar")


def test_a_limit_of_zero_is_printed():
    assert "(limit 0 s)" in sentence(judged("t90_s", 16.0, "beyond a reject limit", broken=0.0))


def test_watched_errors_are_not_called_rejected():
    found = reasons([error(1.2, -3.0, grade="watch"), error(1.6, -4.0, grade="watch")])
    assert found[1] == "Not passed also at 1.2 bar (3.0 % low)."
    assert len(reasons([error(1.2, -3.0, grade="watch")])) == 1


@pytest.mark.parametrize(("value", "words"), [(-8.0, "8.0 % low"), (8.0, "8.0 % high"), (0.0, "0.0 % high")])
def test_an_error_is_low_or_high_and_its_limit_has_no_sign(value, words):
    said = sentence(error(1.6, value))
    assert words in said
    assert "limit 5 %" in said


@pytest.mark.parametrize(
    ("why", "broken", "words"),
    [
        ("beyond a reject limit", 15.0, "T90: 16.00 ± 0.10 s (limit 15 s)."),
        ("outside a pass limit", 6.0, "T90: 16.00 ± 0.10 s (pass limit 6 s)."),
        ("may be beyond a reject limit", 15.0, "uncertainty of 0.10 s it may be beyond the limit of 15 s"),
        (
            "near a pass limit",
            6.0,
            "inside the pass limit of 6 s, but not with its whole uncertainty of 0.10 s",
        ),
        ("typed pressure leaves doubt", 15.0, "test again with a gauge that the program reads"),
        ("typed pressure", None, "inside its limits; but the pressure was read off a dial by hand"),
        ("uncertainty undetermined", None, "its uncertainty is undetermined"),
        ("inside", None, "T90: 16.00 ± 0.10 s."),
    ],
)
def test_each_case_of_the_rule_has_its_sentence(why, broken, words):
    assert words in sentence(judged("t90_s", 16.0, why, broken=broken, pass_limits=(None, 6.0)))
    assert sentence(judged("t90_s", 16.0, grade=None)).endswith("T90: 16.00 ± 0.10 s.")


def test_a_lower_bound_names_the_pass_limit_that_it_does_not_reach():
    bound = judged("linear_to_bar", None, "only a lower bound", u=None, at_least=1.7, pass_limits=(2.0, None))
    said = sentence(bound)
    assert "at least 1.70 bar" in said
    assert "(pass limit at least 2 bar)" in said
    assert "wrong" not in said
    assert "Linear up to 1.53" in sentence(judged("linear_to_bar", 1.53, "beyond a reject limit", broken=1.6))


def test_an_undecidable_figure_blames_the_rig_with_what_makes_most_of_the_doubt():
    budget = (Contribution("gauge gain", 0.9, 8.0, 0.734), Contribution("scatter", 0.5, 8.0, 0.266))
    coarse = judged(
        "indication_error_percent",
        0.5,
        "undecidable",
        u=2.6,
        nominal=1.6,
        pass_limits=(-2.5, 2.5),
        reject_limits=(-5.0, 6.0),
        budget=budget,
    )
    said = sentence(coarse)
    assert "+0.5 ± 2.6 %" in said
    assert "larger than the 2.5 % between the pass and the reject limit" in said
    assert "73 % of its variance comes from gauge gain" in said
    assert said.endswith("The reason is the rig, not the cell.")
    bare = judged("indication_error_percent", 0.5, "undecidable", u=2.6, nominal=1.6)
    assert "variance" not in sentence(bare)
