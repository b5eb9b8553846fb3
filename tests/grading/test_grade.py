import dataclasses
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from grading.document import dumps, from_json, to_json
from grading.judgement.grade import grade
from grading.judgement.limits import general_limits, load_limits, parse_limits
from grading.measurement import ErrorModel
from grading.results import RunConditions, StepResponse

LIMITS = general_limits()
ORDER = {"pass": 0, "watch": 1, "reject": 2, "ungraded": 3}


def line(p):
    return 50.0 * p


def knee(p):
    return min(50.0 * p, 75.0)


def only(measurement, limits=LIMITS):
    (cell,) = grade(measurement, limits).cells
    return cell


def figure(cell, key, nominal=None):
    return next(f for f in cell.figures if f.key == key and f.nominal_po2_bar == nominal)


def test_a_straight_cell_passes_with_its_reason(measured):
    cell = only(measured(line, t90_s=5.0))
    assert cell.grade == "pass"
    assert cell.reasons == ("Every figure tested lies inside its pass limits with its whole uncertainty.",)
    assert cell.diagnosis == ()
    assert all(f.grade == "pass" for f in cell.figures)
    assert figure(cell, "linear_to_bar").at_least == pytest.approx(2.0)


def test_a_ceiling_is_rejected_in_words_a_customer_understands(measured):
    cell = only(measured(knee, t90_s=5.0))
    assert cell.grade == "reject"
    assert cell.reasons[0] == "At 2.0 bar a handset would show 1.50: 25.0 % low (limit 10 %)."
    assert cell.reasons[1] == "Rejected also at 1.6 bar (6.3 % low), 1.8 bar (16.7 % low)."
    assert any(reason.startswith("Linear up to 1.5") for reason in cell.reasons)
    assert cell.diagnosis[0].startswith("Current limited")
    assert "replace the cell" in cell.diagnosis[0]


def test_the_worst_figure_decides(measured):
    assert only(measured(line, t90_s=10.0)).grade == "watch"
    assert only(measured(line, t90_s=16.0)).grade == "reject"
    assert only(measured(line, t90_s=10.0, noise_percent=1.4)).grade == "reject"


@pytest.mark.parametrize(
    ("changes", "words", "pattern"),
    [
        ({"t90_s": 16.0}, "Response time T90: 16.00 ± 0.10 s (limit 15 s).", "Slow:"),
        (
            {"fade_percent_per_min": 3.3},
            "Drop while held, top step: 3.300 ± 0.040 %/min (limit 2 %/min).",
            "Drop while held:",
        ),
        ({"noise_percent": 1.4}, "Noise, rms over a hold", "Noisy contact:"),
    ],
)
def test_reasons_and_diagnosis_of_single_faults(measured, changes, words, pattern):
    cell = only(measured(line, **{"t90_s": 5.0, **changes}))
    assert cell.grade == "reject"
    assert any(words in reason for reason in cell.reasons)
    (reported,) = cell.diagnosis
    assert reported.startswith(pattern)
    assert "test " in reported


@pytest.mark.parametrize(
    ("response", "pattern"),
    [
        (lambda p: 37.0 * p, "Low but linear:"),
        (lambda p: 72.0 * p, "Over-output:"),
        (lambda p: 50.0 * p + 0.6, "Offset: the line through air and oxygen misses zero by 0.60 mV"),
        (lambda p: 50.0 * p + 9.0 * max(p - 1.0, 0.0) ** 2, "Reads high:"),
        (lambda p: 0.001, "No output:"),
    ],
)
def test_patterns_of_the_response(measured, response, pattern):
    cell = only(measured(response, t90_s=5.0))
    assert cell.grade != "pass"
    assert cell.diagnosis[0].startswith(pattern)


def test_a_slow_tail_is_reported_even_when_t90_passes(measured):
    lag = (StepResponse("up", 2, "two modes", 5.5, 0.1, slow_fraction=0.08, slow_t90_s=92.0),)
    cell = only(measured(line, responses=(lag,)))
    assert cell.grade == "pass"
    assert cell.diagnosis[0].startswith("Slow tail: the last 8 % of a step take about 92 s.")


def test_a_fading_cell_is_not_called_a_ceiling(measured):
    def sags_at_the_top(fields):
        fields["output_mv"][:, 6] *= 0.93
        fields["output_mv"][:, 7:] *= 0.96

    (reported,) = only(measured(line, t90_s=5.0, fade_percent_per_min=3.3, edit=sags_at_the_top)).diagnosis
    assert reported.startswith("Drop while held:")


def test_hysteresis_is_reported(measured):
    def falling_higher(fields):
        fields["output_mv"][:, np.array(fields["direction"]) == "down"] *= 1.03

    cell = only(measured(line, edit=falling_higher))
    assert cell.grade == "reject"
    assert cell.diagnosis[-1].startswith("Hysteresis:")


def test_a_missing_required_figure_makes_a_cell_ungraded(measured):
    low = only(measured(line, up=(1.0, 1.2, 1.4), down=()))
    assert low.grade == "ungraded"
    assert low.reasons == (
        "Indication error at 1.6 bar is missing, which the limits file 'general' requires: "
        "no step held at 1.6 bar or above beside the calibration step.",
    )
    assert figure(low, "indication_error_percent", 1.6).value is None
    without = only(measured(line, up=(1.4, 1.6, 2.0), down=()))
    assert without.grade == "ungraded"
    assert without.reasons[0].startswith("Output in oxygen, at PO2 1.0 bar is missing")
    assert without.reasons[1].endswith("requires: no step in oxygen near PO2 1.0 bar.")


def test_a_missing_error_is_not_blamed_on_a_calibration_step_that_is_there(measured):
    for air in (True, False):
        reasons = only(measured(line, up=(1.0, 1.2), down=(), air=air)).reasons
        assert reasons[0].endswith("no step held at 1.6 bar or above beside the calibration step.")


def test_one_step_at_1_6_bar_or_above_is_enough(measured):
    for top in (1.6, 1.8, 2.0):
        assert only(measured(line, up=(1.0, top), down=())).grade == "pass"


def test_a_missing_other_figure_is_not_tested_and_bars_nothing(measured):
    cell = only(measured(line, air=False, down=()))
    assert cell.grade == "pass"
    assert set(cell.reasons[-1].removeprefix("Not tested: ").rstrip(".").split("; ")) == {
        "Output in air, at PO2 0.2095 bar",
        "Air/oxygen ratio against the straight line",
        "Response time T90",
        "Hysteresis",
    }
    assert figure(cell, "air_output_mv").reason == "no step in ambient air"


def test_a_test_that_stops_at_1_6_bar_says_nothing_above_and_bars_nothing(measured):
    cell = only(measured(line, up=(1.0, 1.2, 1.4, 1.6), down=()))
    linear_to = figure(cell, "linear_to_bar")
    assert cell.grade == "pass"
    assert linear_to.grade is None
    assert linear_to.at_least == pytest.approx(1.6)
    assert linear_to.reason == "not tested above 1.60 bar"


def test_an_interrupted_run_is_ungraded_whatever_the_cell_did(measured):
    cell = only(measured(knee, ungraded=("The run was interrupted: its end is missing.",)))
    assert cell.grade == "ungraded"
    assert cell.reasons == ("The run was interrupted: its end is missing.",)
    assert all(f.grade is None and f.probability_of_conformity is None for f in cell.figures)
    assert figure(cell, "indication_error_percent", 2.0).value == pytest.approx(-25.0)


def test_an_interrupted_run_says_so_and_lays_nothing_on_a_lead(measured):
    def unplugged(fields):
        fields["output_mv"][:, 5:] = 0.02

    cell = only(measured(line, edit=unplugged, ungraded=("The run was interrupted.",)))
    assert cell.reasons == ("The run was interrupted.",)
    assert cell.diagnosis == ()


def test_what_bars_one_cell_leaves_the_others_graded(measured):
    result = grade(
        measured(
            line,
            line,
            cell_ungraded=(("The pot was vented fast at 12:40.",), ()),
            cell_findings=(("rapid_decompression",), ()),
        ),
        LIMITS,
    )
    first, second = result.cells
    assert (first.grade, second.grade) == ("ungraded", "pass")
    assert "ten minutes at least" in first.diagnosis[0]


@pytest.mark.parametrize(
    ("finding", "start"),
    [("no_cell", "No cell:"), ("shorted", "Shorted:"), ("unplugged", "Unplugged mid-run:")],
)
def test_what_the_rig_found_comes_with_what_to_look_at(measured, finding, start):
    run = measured(line, cell_ungraded=(("Socket 3: see the events.",),), cell_findings=((finding,),))
    (reported,) = only(run).diagnosis
    assert reported.startswith(start)
    assert "Check " in reported


def test_a_cell_without_any_reading_is_ungraded_beside_good_ones(measured):
    def nothing(fields):
        fields["output_mv"][0, :] = np.nan

    result = grade(measured(line, line, edit=nothing), LIMITS)
    assert [cell.grade for cell in result.cells] == ["ungraded", "pass"]
    assert "no step in oxygen" in result.cells[0].reasons[0]


def test_a_nitrogen_step_disturbs_nothing_and_serves_the_zero(measured):
    def with_nitrogen(fields):
        fields["gas"] = ("nitrogen", *fields["gas"][1:])
        fields["oxygen_fraction"][:, 0] = 0.0
        fields["output_mv"][:, 0] = 0.1

    cell = only(measured(line, edit=with_nitrogen))
    assert cell.grade == "pass"
    assert figure(cell, "air_output_mv").value is None
    assert [f.nominal_po2_bar for f in cell.figures if f.key == "indication_error_percent"] == [
        1.2,
        1.4,
        1.6,
        1.8,
        2.0,
    ]


def test_an_output_that_vanishes_is_a_lost_contact_not_a_bad_cell(measured):
    def unplugged(fields):
        fields["output_mv"][:, 5:] = 0.02

    cell = only(measured(line, edit=unplugged))
    assert cell.grade == "ungraded"
    assert cell.reasons == ("The output vanished at 1.8 bar: the cell or its lead lost contact.",)
    assert cell.diagnosis[0].startswith("Unplugged mid-run")


def test_a_coarse_rig_is_named_and_not_the_cell(measured):
    coarse = ErrorModel(gauge_resolution_bar=0.03, cell_repeatability_percent=0.1)
    cell = only(measured(line, errors=coarse, down=()))
    assert cell.grade == "watch"
    reported = next(reason for reason in cell.reasons if "Indication error" in reason)
    assert "can't be decided with this rig" in reported
    assert "comes from gauge resolution" in reported
    assert "The reason is the rig, not the cell." in reported


def test_a_pressure_read_by_hand_caps_only_what_hangs_on_it(measured):
    cell = only(measured(line, t90_s=5.0, typed_pressure=True))
    assert cell.grade == "watch"
    assert figure(cell, "indication_error_percent", 1.6).grade == "watch"
    assert figure(cell, "linear_to_bar").grade == "watch"
    assert figure(cell, "air_output_mv").grade == "pass"
    assert figure(cell, "t90_s").grade == "pass"
    assert any("read off a dial by hand" in reason for reason in cell.reasons)
    assert only(measured(knee, typed_pressure=True)).grade == "reject"


def test_an_undetermined_uncertainty_is_said_and_passes_nothing(measured):
    lag = (StepResponse("up", 2, "one pole", 4.0, None),)
    cell = only(measured(line, responses=(lag,)))
    assert cell.grade == "watch"
    assert figure(cell, "t90_s").expanded_uncertainty is None
    assert "its uncertainty is undetermined, so it can't pass." in cell.reasons[0]


def test_what_all_cells_share_points_to_the_rig(measured):
    def offset(p):
        return 50.0 * p + 0.7

    result = grade(measured(offset, offset, offset), LIMITS)
    assert any(
        "All 3 cells of this run show the same disagreement" in note for note in result.conditions.notes
    )
    mixed = grade(measured(offset, line, offset), LIMITS)
    assert not mixed.conditions.notes


def test_notes_of_the_reduction_are_handed_on(measured):
    cell = only(measured(line, cell_notes=(("Not settled at 2.0 bar: the hold ended at its cap.",),)))
    assert cell.grade == "pass"
    assert cell.diagnosis == ("Not settled at 2.0 bar: the hold ended at its cap.",)


def test_a_shops_own_file_grades_by_its_own_limits(measured):
    shop = load_limits("skerry_point")
    assert only(measured(lambda p: 42.0 * p)).grade == "pass"
    assert only(measured(lambda p: 42.0 * p), shop).grade == "watch"
    assert only(measured(line, t90_s=7.0)).grade == "watch"
    result = grade(measured(line, t90_s=7.0), shop)
    assert result.cells[0].grade == "pass"
    assert any("justification" in note for note in result.conditions.notes)
    assert result.limits_sha256 == shop.sha256


def test_a_figure_switched_off_is_printed_and_not_graded(measured):
    text = LIMITS.text.replace(
        "pass_most = 6.0", 'use = false\njustification = "no fast logger"\npass_most = 6.0'
    )
    cell = only(measured(line, t90_s=30.0), parse_limits(text, "shop.toml"))
    assert cell.grade == "pass"
    t90 = figure(cell, "t90_s")
    assert (t90.value, t90.grade) == (30.0, None)
    assert "switched off" in t90.reason


def test_a_step_without_a_limit_is_printed_and_not_graded(measured):
    cell = only(measured(lambda p: min(50.0 * p, 101.0), up=(1.0, 1.6, 2.0, 2.4), down=()))
    assert figure(cell, "indication_error_percent", 2.4).grade is None
    assert figure(cell, "indication_error_percent", 2.4).reason == "no limit at this step"


def test_a_source_without_steps_or_cells(measured):
    empty = measured(line, up=(), down=(), air=False)
    cell = only(empty)
    assert cell.grade == "ungraded"
    assert cell.reasons == ("The source has no settled step, so there is nothing to grade.",)
    assert grade(dataclasses.replace(empty, cells=()), LIMITS).cells == ()


def test_many_cells_are_graded_as_each_would_be_alone(measured):
    rng = np.random.default_rng(417)
    gains = rng.uniform(35.0, 65.0, 1003)
    responses = [lambda p, g=g: min(g * p, 88.0) for g in gains]
    together = grade(measured(*responses), LIMITS, with_curves=False)
    assert len(together.cells) == 1003
    for i in (0, 500, 999, 1000, 1002):
        alone = only(measured(responses[i], names=[together.cells[i].info.cell]))
        assert together.cells[i].grade == alone.grade
        assert together.cells[i].reasons == alone.reasons


def test_cells_are_worked_on_in_blocks_that_keep_what_belongs_to_each(measured, monkeypatch):
    monkeypatch.setattr("grading.judgement.grade.BLOCK", 2)
    lags = tuple((StepResponse("up", 2, "one pole", t90_s, 0.05),) for t90_s in (1.0, 2.0, 3.0, 4.0, 9.0))
    told = tuple((f"note {number}",) for number in range(5))
    together = grade(
        measured(
            *[lambda p, gain=gain: gain * p for gain in (41.0, 42.0, 43.0, 44.0, 45.0)],
            responses=lags,
            cell_notes=told,
            cell_ungraded=((), (), (), ("The socket was shorted.",), ()),
            cell_findings=((), (), (), ("shorted",), ()),
        ),
        LIMITS,
    )
    assert [cell.info.cell for cell in together.cells] == [f"TB-{417 + number:04d}" for number in range(5)]
    for number, cell in enumerate(together.cells):
        assert figure(cell, "oxygen_output_mv").value == pytest.approx(41.0 + number)
        assert figure(cell, "t90_s").value == lags[number][0].t90_s
        assert cell.diagnosis[-1] == f"note {number}"
    assert [cell.grade for cell in together.cells] == ["pass", "pass", "pass", "ungraded", "watch"]
    assert together.cells[3].diagnosis[0].startswith("Shorted: ")


def test_a_source_that_is_barred_and_has_no_steps_says_what_barred_it(measured):
    empty = measured(line, up=(), down=(), air=False)
    barred = dataclasses.replace(
        empty, ungraded=("Interrupted.",), cell_ungraded=(("Shorted.",),), cell_notes=(("a note",),)
    )
    cell = only(barred)
    assert cell.reasons == ("Interrupted.", "Shorted.")
    assert cell.diagnosis == ("a note",)
    assert cell.figures == ()


def test_figures_stand_in_one_order_with_a_missing_required_error_in_its_place(measured):
    keys = [f.key for f in only(measured(line, up=(1.0, 1.2), down=())).figures]
    assert keys == [
        "air_output_mv",
        "oxygen_output_mv",
        "indication_error_percent",
        "indication_error_percent",
        "linear_to_bar",
        "air_slope_agreement_percent",
        "t90_s",
        "hysteresis_percent",
        "fade_percent_per_min",
        "noise_percent",
    ]


def test_only_errors_from_the_required_po2_on_are_required(measured):
    cell = only(measured(line))
    required = {f.nominal_po2_bar for f in cell.figures if f.required and f.nominal_po2_bar}
    assert required == {1.6, 1.8, 2.0}
    assert {f.key for f in cell.figures if f.required} == {"oxygen_output_mv", "indication_error_percent"}


def test_every_probability_is_that_of_the_value_its_u_and_its_degrees_of_freedom(measured):
    errors = ErrorModel(degrees_of_freedom={"gauge_zero_bar": 3.0, "cell_repeatability_percent": 2.5})
    cell = only(measured(lambda p: 42.0 * p + 0.3, errors=errors, t90_s=5.9, noise_percent=0.19))
    held = [f for f in cell.figures if f.value is not None and f.expanded_uncertainty]
    assert len(held) > 8
    for one in held:
        u = one.expanded_uncertainty / one.coverage_factor
        low, high = (
            t.cdf(limit, one.degrees_of_freedom, one.value, u) if limit is not None else default
            for limit, default in zip(one.pass_limits, (0.0, 1.0), strict=True)
        )
        assert one.probability_of_conformity == pytest.approx(high - low, abs=1e-6)


def test_a_required_lower_bound_counts_only_where_it_can_be_graded(measured):
    text = LIMITS.text.replace("[figures.linear_to_bar]", "[figures.linear_to_bar]\nrequired = true")
    strict = parse_limits(text, "shop.toml")
    assert only(measured(line), strict).grade == "pass"
    cell = only(measured(line, up=(1.0, 1.2, 1.4, 1.6), down=()), strict)
    assert cell.grade == "ungraded"
    assert cell.reasons == (
        "Linear up to is missing, which the limits file 'general' requires: not tested above 1.60 bar.",
    )


def test_without_a_required_error_a_test_up_to_1_2_bar_is_graded(measured):
    text = LIMITS.text.replace("required_from_po2_bar = 1.6", 'justification = "a low pot"')
    assert only(measured(line, up=(1.0, 1.2), down=()), parse_limits(text, "shop.toml")).grade == "watch"


@pytest.mark.parametrize("required_from", [1.4, 2.0])
def test_the_required_error_follows_the_limits_file(measured, required_from):
    text = LIMITS.text.replace(
        "required_from_po2_bar = 1.6", f'required_from_po2_bar = {required_from}\njustification = "ours"'
    )
    limits = parse_limits(text, "shop.toml")
    below, at = (1.0, round(required_from - 0.2, 1)), (1.0, required_from)
    told = only(measured(line, up=below, down=()), limits).reasons[0]
    assert f"no step held at {required_from:g} bar or above" in told
    assert only(measured(line, up=at, down=()), limits).grade != "ungraded"


def test_the_uncertainties_are_said_to_come_from_where_they_came(measured):
    named = measured(line, errors=ErrorModel(source="bench.toml"))
    assert grade(named, LIMITS).conditions.uncertainty_source == "bench.toml"
    kept = dataclasses.replace(named, conditions=RunConditions(uncertainty_source="as told"))
    assert grade(kept, LIMITS).conditions.uncertainty_source == "as told"


@settings(max_examples=40, deadline=None)
@given(
    slope=st.floats(30, 80),
    ceiling=st.floats(50, 200),
    lower=st.floats(0, 60),
    t90=st.floats(1, 20),
    slower=st.floats(0, 10),
)
def test_a_cell_never_grades_better_when_its_ceiling_sinks_or_it_slows(
    measured, slope, ceiling, lower, t90, slower
):
    def bent(limit):
        return lambda p: ((slope * p) ** -8 + limit**-8) ** -0.125

    sunk = max(ceiling - lower, 5.0)
    good = only(measured(bent(ceiling), t90_s=t90, down=()))
    worse = only(measured(bent(sunk), t90_s=t90 + slower, down=()))
    if sunk > 1.15 * slope:
        # The calibration step is still on the line, so that only the steps above it get worse.
        assert ORDER[worse.grade] >= ORDER[good.grade]


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    kind=st.sampled_from(["missing", "noise", "negative", "huge", "constant", "one step"]),
    typed=st.booleans(),
)
def test_no_reading_however_odd_breaks_the_grading(measured, seed, kind, typed):
    rng = np.random.default_rng(seed)

    def edit(fields):
        shape = fields["output_mv"].shape
        if kind == "missing":
            fields["output_mv"][rng.random(shape) < 0.5] = np.nan
        elif kind == "noise":
            fields["output_mv"][:] = rng.normal(0.0, 30.0, shape)
        elif kind == "negative":
            fields["output_mv"][:] *= -1.0
        elif kind == "huge":
            fields["output_mv"][:] *= 10.0 ** rng.uniform(2, 8)
        elif kind == "constant":
            fields["output_mv"][:] = rng.uniform(1.0, 90.0)
        else:
            keep = rng.integers(0, shape[1])
            fields["output_mv"][:, np.arange(shape[1]) != keep] = np.nan

    result = grade(measured(line, knee, edit=edit, typed_pressure=typed), LIMITS)
    for cell in result.cells:
        assert cell.grade in ORDER
        assert cell.reasons
        assert cell.grade != "pass" or kind == "missing"
        for item in cell.figures:
            assert item.value is None or np.isfinite(item.value)
            assert item.expanded_uncertainty is None or np.isfinite(item.expanded_uncertainty)
            assert item.value is not None or item.at_least is not None or item.reason
    assert from_json(json.loads(dumps(to_json(result)))) == result
