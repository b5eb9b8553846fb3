"""Cells that are off alike blame what they have in common; cells that fail each in its own way are graded."""

from dataclasses import replace

import numpy as np
import pytest

from grading.document import from_json, public_json, to_json
from grading.judgement.alike import is_common, largest_alike
from grading.judgement.common_cause import ALONE, Deviations, find_off_alike, shows_the_same
from grading.judgement.grade import GAS_AS_STATED, grade
from grading.judgement.limits import load_limits, parse_limits
from grading.results import InstrumentLine, RunConditions

LIMITS = load_limits("general")
OUTPUTS = (46.0, 48.0, 50.0, 52.0, 49.0, 51.0)
IN_OXYGEN_BAR = 0.5
NAN = float("nan")


def in_gas(part, mv=50.0, zero_mv=0.05):
    """A healthy cell whose pot holds `part` of the oxygen that is claimed."""
    return lambda po2: zero_mv + mv * po2 * (part if po2 > IN_OXYGEN_BAR else 1.0)


def ceiling(mv_limit, mv=50.0):
    return lambda po2: min(mv * po2, mv_limit)


def graded(measured, *responses, checks=(), second=None, **more):
    made = measured(*responses, **more)
    return grade(_checked(made, checks), LIMITS, second=second)


def _checked(made, checks):
    cells = tuple(replace(cell, check_cell=place in checks) for place, cell in enumerate(made.cells))
    return replace(made, cells=cells)


def grades(grading):
    return [cell.grade for cell in grading.cells]


def reasons(grading):
    return " ".join(reason for cell in grading.cells for reason in cell.reasons)


@pytest.mark.parametrize(
    ("rows", "group"),
    [
        ([[-5.0], [-6.0], [-7.1], [-5.4], [0.0]], (0, 1, 3)),
        ([[-5.0], [-5.5], [3.0], [3.1]], (0, 1)),
        ([[-5.0], [-6.0]], (0, 1)),
        ([[-5.0, 1.0], [-5.0, 3.5], [-5.0, 1.9]], (0, 2)),
        ([[-5.2, 9.0], [-5.0, NAN], [NAN, 9.5]], (0, 1, 2)),
        ([[-5.0, NAN], [NAN, 9.5]], (0,)),
    ],
)
def test_cells_within_one_percent_of_one_of_them_are_alike(rows, group):
    assert largest_alike(np.array(rows)) == group


@pytest.mark.parametrize(
    ("alike", "agreeing", "cells", "common"),
    [
        (1, 0, 1, False),
        (2, 0, 2, True),
        (2, 1, 3, True),
        (2, 0, 4, False),
        (3, 0, 4, True),
        (3, 0, 6, True),
        (3, 0, 7, False),
        (4, 0, 7, True),
        (4, 1, 8, True),
        (6, 2, 8, False),
    ],
)
def test_half_of_the_cells_alike_and_no_two_right_are_a_common_cause(alike, agreeing, cells, common):
    assert is_common(alike, agreeing, cells) is common


@pytest.mark.parametrize("part", [0.90, 0.93, 0.95, 1.07])
@pytest.mark.parametrize("count", [2, 3, 6])
def test_good_cells_in_another_gas_are_ungraded_and_not_rejected(measured, part, count):
    found = graded(measured, *(in_gas(part, mv, 0.02 * place) for place, mv in enumerate(OUTPUTS[:count])))
    assert grades(found) == ["ungraded"] * count
    assert f"{count} cells are off alike within 1 %" in reasons(found)
    assert "the gas, the gauges or the meter are suspect" in reasons(found)
    assert "replace" not in " ".join(text for cell in found.cells for text in cell.diagnosis)


def test_failing_cells_among_good_ones_in_another_gas_are_ungraded_too(measured):
    cells = [in_gas(0.95, mv) for mv in OUTPUTS[:4]]
    found = graded(measured, *cells, ceiling(70.0), ceiling(85.0))
    assert grades(found) == ["ungraded"] * 6


def test_the_reason_names_the_figure_its_size_and_what_to_do(measured):
    found = graded(measured, *(in_gas(0.95, mv) for mv in OUTPUTS[:3]))
    first, advice = found.cells[0].reasons
    assert first == (
        "3 cells are off alike within 1 % (air/oxygen ratio against the straight line +5.7 %): the gas, the "
        "gauges or the meter are suspect."
    )
    assert advice.startswith("Test again with another bottle and grade both records together (--second-run)")


def test_a_meter_that_gained_two_percent_since_the_way_up_makes_no_hysteresis(measured):
    def gained(fields):
        later = [k for k, way in enumerate(fields["direction"]) if way == "down"]
        fields["output_mv"][:, later] *= 1.02

    found = graded(measured, *(in_gas(1.0, mv) for mv in OUTPUTS), edit=gained)
    assert grades(found) == ["ungraded"] * 6
    assert "hysteresis" in reasons(found)


def test_cells_that_show_nothing_are_left_out_of_the_count(measured):
    off = [in_gas(0.95, mv) for mv in OUTPUTS[:3]]
    dead = [lambda po2: 0.02] * 3
    found = graded(measured, *off, *dead)
    assert grades(found)[:3] == ["ungraded"] * 3
    assert grades(graded(measured, *off[:2], *dead))[:2] == ["ungraded"] * 2
    loose = [in_gas(0.8), in_gas(0.7), in_gas(0.6), in_gas(1.2)]
    unplugged = ((),) * 3 + (("Unplugged.",),) * 4
    found = graded(measured, *off, *loose, cell_ungraded=unplugged)
    assert grades(found) == ["ungraded"] * 7
    assert "3 cells are off alike" in found.cells[0].reasons[0]
    assert found.cells[6].reasons[0] == "Unplugged."


def test_the_worst_figure_is_named_with_its_step(measured):
    def gained(fields):
        fields["output_mv"][:, -1] *= 1.02

    found = graded(measured, *(in_gas(1.0, mv) for mv in OUTPUTS[:2]), edit=gained)
    assert "(hysteresis at 1.0 bar +2.0 %)" in found.cells[0].reasons[0]

    def lost(fields):
        fields["output_mv"][:, -2:] *= 0.985
        fields["output_mv"][:, -1] *= 0.995

    found = graded(measured, *(in_gas(1.0, mv) for mv in OUTPUTS[:2]), edit=lost)
    assert "(hysteresis at 1.0 bar −2.0 %)" in found.cells[0].reasons[0]


def test_a_cell_just_inside_its_limit_is_not_counted_with_those_that_are_off(measured):
    found = graded(measured, in_gas(0.967, zero_mv=0), in_gas(0.968, zero_mv=0), in_gas(0.973, zero_mv=0))
    assert "2 cells are off alike" in found.cells[0].reasons[0]


def test_cells_without_a_figure_of_the_drop_while_held_count(measured):
    def short(fields):
        fields["fade_percent_per_min"][:] = NAN

    found = graded(measured, *(in_gas(0.95, mv) for mv in OUTPUTS[:3]), edit=short)
    assert grades(found) == ["ungraded"] * 3


def test_cells_that_fail_each_in_its_own_way_are_rejected(measured):
    found = graded(measured, ceiling(60.0), ceiling(66.0), ceiling(75.0), ceiling(82.0))
    assert grades(found) == ["reject"] * 4


def test_two_cells_that_read_right_show_that_the_gas_was_right(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS[:4]]
    assert grades(graded(measured, *bad, in_gas(1.0))) == ["ungraded"] * 5
    found = graded(measured, *bad, in_gas(1.0), in_gas(1.0, 47.0))
    assert grades(found) == ["reject"] * 4 + ["pass"] * 2


def test_a_check_cell_that_agrees_makes_a_bad_lot_gradable_and_one_that_is_off_does_not(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS[:5]]
    found = graded(measured, *bad, in_gas(1.0), checks={5})
    assert grades(found) == ["reject"] * 5 + ["pass"]
    assert any("the check cell TB-0422 reads right" in note for note in found.conditions.notes)
    assert grades(graded(measured, *bad, checks={4})) == ["ungraded"] * 5


def test_a_cell_that_drops_while_held_explains_its_own_hysteresis(measured):
    def faded(fields):
        later = [k for k, way in enumerate(fields["direction"]) if way == "down"]
        fields["output_mv"][:, later] *= 0.97

    found = graded(measured, in_gas(1.0), in_gas(1.0, 48.0), edit=faded, fade_percent_per_min=3.0)
    assert grades(found) == ["reject"] * 2
    assert ALONE in reasons(graded(measured, in_gas(1.0), edit=faded))
    alone = graded(measured, in_gas(1.0), edit=faded, fade_percent_per_min=3.0)
    assert grades(alone) == ["reject"]
    assert ALONE not in reasons(alone)


@pytest.mark.parametrize(("part", "limit"), [(1.04, "pass_least = -3.0"), (0.96, "pass_most = 3.0")])
def test_a_value_on_its_limit_is_not_off(measured, part, limit):
    cells = [in_gas(part, zero_mv=0.0)] * 2
    first = graded(measured, *cells)
    assert grades(first) == ["ungraded"] * 2
    value = next(one.value for one in first.cells[0].figures if one.key == "air_slope_agreement_percent")
    text = LIMITS.text.replace(limit, f"{limit.split(' = ')[0]} = {value!r}")
    on_limit = grade(measured(*cells), parse_limits(text, "mine.toml", check_loosening=False))
    assert grades(on_limit) == ["watch"] * 2


def test_cells_without_any_such_figure_do_not_count():
    place = ("air_slope_agreement_percent", None)
    off = [Deviations(f"TB-{n}", {place: 5.0}, frozenset({place}), True, False) for n in range(2)]
    blank = [Deviations(f"OS-{n}", {}, frozenset(), True, False) for n in range(3)]
    found = find_off_alike([*off, *blank])
    assert found is not None
    assert found.cells == ("TB-0", "TB-1")


def test_one_cell_alone_is_told_apart_from_its_gas_only_where_gas_could_do_it(measured):
    assert ALONE in reasons(graded(measured, in_gas(0.92)))
    assert ALONE in reasons(graded(measured, in_gas(0.92), lambda po2: 0.02))
    limited = graded(measured, ceiling(70.0))
    assert grades(limited) == ["reject"]
    assert ALONE not in reasons(limited)
    assert ALONE not in reasons(graded(measured, in_gas(0.92), checks={0}))


def deviating(*percents, second_percent=0.0):
    """Cells that are off against air, TB-0 and on, and by `second_percent` at 1.2 bar."""
    air, above = ("air_slope_agreement_percent", None), ("indication_error_percent", 1.2)
    return [
        Deviations(f"TB-{n}", {air: value, above: second_percent}, frozenset({air}), True, False)
        for n, value in enumerate(percents)
    ]


@pytest.mark.parametrize(
    ("again", "same"),
    [
        (deviating(5.0, 5.5, 6.0), True),
        (deviating(6.0, 4.5, 7.0), True),
        (deviating(5.0, 5.5), True),
        (deviating(5.0, 5.5, 6.0, 0.0), True),
        (deviating(5.0), False),
        (deviating(5.0, 6.6, 6.0), False),
        (deviating(5.0, 4.4, 6.0), False),
        (deviating(5.0, 5.5, 6.0, second_percent=1.1), False),
    ],
)
def test_every_cell_of_a_second_run_must_be_within_one_percent_of_the_first(again, same):
    first = deviating(5.0, 5.5, 6.0)
    found = find_off_alike(first)
    assert shows_the_same(first, again, found) is same
    new_step = [
        replace(one, percent={**one.percent, ("indication_error_percent", 1.4): 9.0}) for one in again
    ]
    assert shows_the_same(first, new_step, found) is same


def second_of(measured, *responses, meter="M-1", **more):
    made = measured(*responses, bottle="B-2", **more)
    instruments = (InstrumentLine("scanner", "voltmeter", meter), InstrumentLine("t", "thermometer", "T-2"))
    return replace(
        made, conditions=RunConditions(record_id="2026-03-03T090000Z-0002", instruments=instruments)
    )


def test_a_second_run_with_another_bottle_that_shows_the_same_grades_a_bad_lot(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS]
    again = second_of(measured, *(in_gas(0.923, mv) for mv in OUTPUTS))
    found = graded(measured, *bad, second=again, bottle="B-1")
    assert grades(found) == ["reject"] * 6
    assert found.second_run == "2026-03-03T090000Z-0002"
    (note,) = [note for note in found.conditions.notes if "second run" in note]
    assert "2026-03-03T090000Z-0002" in note
    assert "'B-2'" in note
    assert "'B-1'" in note
    assert public_json(found)["second_run"] == "2026-03-03T090000Z-0002"
    assert from_json(to_json(found)) == found


def test_a_second_run_by_the_same_meter_says_so(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS[:3]]
    instruments = (InstrumentLine("scanner", "voltmeter", "M-1"), InstrumentLine("t", "thermometer", "T-1"))
    first = replace(measured(*bad, bottle="B-1"), conditions=RunConditions(instruments=instruments))
    same = grade(first, LIMITS, second=second_of(measured, *bad))
    other = grade(first, LIMITS, second=second_of(measured, *bad, meter="M-2"))
    assert "The gauges and the meter were the same" in " ".join(same.conditions.notes)
    assert "The gauges and the meter were the same" not in " ".join(other.conditions.notes)


@pytest.mark.parametrize(
    ("again", "says"),
    [
        ({}, "does not show the same cells off in the same way"),
        ({"ungraded": ("The run was stopped.",)}, "can't decide it: The run was stopped."),
    ],
)
def test_a_second_run_that_shows_good_cells_or_did_not_end_grades_nothing(measured, again, says):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS]
    part = 0.92 if again else 1.0
    second = second_of(measured, *(in_gas(part, mv) for mv in OUTPUTS), **again)
    found = graded(measured, *bad, second=second, bottle="B-1")
    assert grades(found) == ["ungraded"] * 6
    assert says in reasons(found)
    assert found.second_run == ""


def test_a_second_run_must_have_the_figure_that_is_off(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS]
    without_air = second_of(measured, *bad, air=False)
    assert grades(graded(measured, *bad, second=without_air, bottle="B-1")) == ["ungraded"] * 6
    good = [in_gas(1.0, mv) for mv in OUTPUTS]
    same = second_of(measured, *good)
    found = graded(measured, *good, suspect=("6 cells are off.",), second=same, bottle="B-1")
    assert grades(found) == ["ungraded"] * 6


def test_a_cell_that_was_unplugged_in_the_second_run_confirms_nothing(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS[:2]]
    second = second_of(measured, *bad, cell_ungraded=((), ("Unplugged.",)))
    assert grades(graded(measured, *bad, second=second, bottle="B-1")) == ["ungraded"] * 2


def test_a_suspended_cell_keeps_its_notes_and_loses_its_diagnosis(measured):
    bad = [in_gas(0.92, mv) for mv in OUTPUTS[:2]]
    found = graded(measured, *bad, cell_notes=(("Not settled.",), ()))
    assert [cell.diagnosis for cell in found.cells] == [("Not settled.",), ()]


def test_a_table_of_more_cells_than_one_run_holds_has_no_common_cause(measured, monkeypatch):
    monkeypatch.setattr("grading.judgement.grade.BLOCK", 3)
    bad = [in_gas(0.92, mv) for mv in OUTPUTS]
    assert grades(graded(measured, *bad[:3])) == ["ungraded"] * 3
    assert grades(graded(measured, *bad[:4])) == ["reject"] * 4


def test_what_the_rig_saw_alone_is_enough_and_a_check_cell_settles_it(measured):
    good = [in_gas(1.0, mv) for mv in OUTPUTS]
    assert grades(graded(measured, *good, suspect=("6 cells are off.",))) == ["ungraded"] * 6
    assert grades(graded(measured, *good, suspect=("6 cells are off.",), checks={2})) == ["pass"] * 6


def test_air_that_may_be_enriched_is_measured_and_not_graded(measured):
    found = graded(measured, in_gas(0.85), in_gas(1.0), air_barred="Gas comes in at rest.")
    assert grades(found) == ["pass", "pass"]
    air = [one for cell in found.cells for one in cell.figures if one.key.startswith("air_")]
    assert [(one.grade, one.reason) for one in air] == [(None, "Gas comes in at rest.")] * 4
    assert "Gas comes in at rest." in found.conditions.notes
    all_alike = graded(measured, *(in_gas(0.95, mv) for mv in OUTPUTS[:3]), air_barred="Gas comes in.")
    assert grades(all_alike) == ["pass"] * 3

    def gained(fields):
        fields["output_mv"][:, -1] *= 1.02

    moved = graded(measured, *(in_gas(1.0, mv) for mv in OUTPUTS[:3]), air_barred="Gas.", edit=gained)
    assert grades(moved) == ["ungraded"] * 3


def test_a_typed_table_without_a_reading_in_air_says_that_its_gas_is_as_stated(measured):
    made = measured(in_gas(1.0), air=False)
    assert GAS_AS_STATED in grade(replace(made, source_kind="readings"), LIMITS).conditions.notes
    assert GAS_AS_STATED not in grade(made, LIMITS).conditions.notes
    barred = grade(replace(made, air_barred="Gas comes in."), LIMITS).cells[0].figures
    assert {one.reason for one in barred if one.key.startswith("air_")} == {"no step in ambient air"}
    with_air = measured(in_gas(1.0))
    assert GAS_AS_STATED not in grade(replace(with_air, source_kind="readings"), LIMITS).conditions.notes
