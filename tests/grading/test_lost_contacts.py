"""A lead that floats, breaks or is exchanged in one socket: the others are graded, and it is reported."""

import importlib.util
import json
import sys
import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from grading.document import dumps, from_json, public_json, to_json
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits
from grading.settling.settled import fade_per_minute
from grading.sources.any_source import load_source

_spec = importlib.util.spec_from_file_location("simulated_run", Path(__file__).with_name("simulated_run.py"))
simulated_run = sys.modules.setdefault("simulated_run", importlib.util.module_from_spec(_spec))
if not hasattr(simulated_run, "Cell"):
    _spec.loader.exec_module(simulated_run)
Cell, LostContact, write_run = simulated_run.Cell, simulated_run.LostContact, simulated_run.write_run

LIMITS = load_limits("general")
OTHERS = (Cell("TB-0417"), Cell("OS-1090", ceiling_mv=75.0))
LEVELS = (1.02, 1.62)
UNPLUGGED = ("cell", 40.0, {"socket": 3, "finding": "unplugged", "text": "Socket 3 has come unplugged."})


def line(po2_bar):
    return 50.0 * po2_bar


def graded(cell, *, events=(), others=OTHERS):
    """The grading of a run of three cells, the last of them `cell`."""
    with tempfile.TemporaryDirectory() as folder:
        run = write_run(Path(folder), (*others, cell), LEVELS, hold_s=60.0, every_s=0.4, events=events)
        return grade(load_source(run), LIMITS)


@cache
def beside_a_good_one():
    return to_json(graded(Cell("TB-0402")))["cells"][:2]


def assert_same(found, expected):
    """Equal except for the last bits: cells of a block are fitted side by side."""
    if isinstance(expected, dict):
        assert found.keys() == expected.keys()
        for key, value in expected.items():
            assert_same(found[key], value)
    elif isinstance(expected, list):
        assert len(found) == len(expected)
        for one, value in zip(found, expected, strict=True):
            assert_same(one, value)
    else:
        assert found == (pytest.approx(expected, rel=1e-6, abs=1e-9) if type(expected) is float else expected)


def figure(cell, key):
    return next(one for one in cell.figures if one.key == key)


@settings(max_examples=25, deadline=None)
@example(level_mv=-0.38, drift=0.0, pickup_mv=2.5, lost_s=50.0, reported=True)
@example(level_mv=-0.38, drift=0.0, pickup_mv=2.5, lost_s=50.0, reported=False)
@example(level_mv=1e-4, drift=0.0, pickup_mv=0.0, lost_s=0.0, reported=False)
@example(level_mv=0.0, drift=0.0, pickup_mv=0.0, lost_s=0.0, reported=False)
@example(level_mv=float("nan"), drift=0.0, pickup_mv=0.0, lost_s=190.0, reported=False)
@given(
    level_mv=st.one_of(st.floats(-60.0, 0.5), st.floats(-0.01, 0.01), st.just(float("nan"))),
    drift=st.floats(-2.0, 0.1),
    pickup_mv=st.one_of(st.just(0.0), st.floats(0.0, 5.0)),
    lost_s=st.sampled_from([0.0, 15.0, 50.0, 120.0, 165.0, 190.0]),
    reported=st.booleans(),
)
def test_a_floating_socket_is_ungraded_and_changes_no_other_cell(
    level_mv, drift, pickup_mv, lost_s, reported
):
    floating = LostContact(
        "TB-0402", floats_at_mv=level_mv, drifts_mv_per_min=drift, pickup_mv=pickup_mv, lost_s=lost_s
    )
    result = graded(floating, events=(UNPLUGGED,) if reported else ())
    assert_same(to_json(result)["cells"][:2], beside_a_good_one())
    assert result.cells[2].grade == "ungraded"
    assert result.cells[2].reasons
    assert from_json(json.loads(dumps(to_json(result)))).cells[2].grade == "ungraded"
    dumps(public_json(result))


def test_no_percentage_is_taken_of_an_output_that_is_not_above_zero():
    t_s = np.arange(0.0, 60.0, 0.4)
    fading = 50.0 - 0.01 * t_s
    assert fade_per_minute(t_s, fading)[0] > 0.0
    assert fade_per_minute(t_s, -fading) is None
    assert fade_per_minute(t_s, 0.0 * fading) is None
    cell = graded(LostContact("TB-0402", floats_at_mv=-0.5)).cells[2]
    for key in ("fade_percent_per_min", "noise_percent"):
        assert figure(cell, key).value is None
        assert figure(cell, key).reason == ("the output in oxygen is below 1 mV: too little for a percentage")


def noisy(*percent):
    """Changes the noise of the steps: air, then rising oxygen; the last goes for the rest."""

    def edit(fields):
        row = fields["noise_percent"][0]
        row[:] = percent[-1]
        row[: len(percent)] = percent

    return edit


@pytest.mark.parametrize("quiet", [1, 2, 4])
def test_a_contact_that_breaks_in_mid_run_is_named_and_does_not_reject_the_cell(measured, quiet):
    cell, other = grade(measured(line, line, edit=noisy(*[0.04] * quiet, 4.8)), LIMITS).cells
    assert cell.grade == "ungraded"
    (reason,) = cell.reasons
    at_bar = (1.0, 1.2, 1.4, 1.6)[quiet - 1]
    assert reason.startswith(f"The output became noisy at {at_bar} bar (")
    assert reason.endswith("a contact of the cell or its lead broke in mid-run.")
    assert cell.diagnosis[0].startswith("Bad contact: ")
    assert all(one.grade is None for one in cell.figures)
    assert figure(cell, "noise_percent").value == 4.8
    assert other.grade == "pass"


@pytest.mark.parametrize("percent", [(2.0,), (1.5, 3.0), (6.0, 1.2, 1.0), (0.2, 0.25, 0.9)])
def test_a_cell_that_is_noisy_from_the_start_is_graded_by_its_noise(measured, percent):
    (cell,) = grade(measured(line, edit=noisy(*percent)), LIMITS).cells
    assert cell.grade in ("watch", "reject")
    assert cell.reasons[0].startswith("Noise, rms over a hold")
    assert cell.diagnosis[0].startswith("Noisy contact: ")


def test_a_few_hundredths_of_a_millivolt_more_are_no_broken_contact(measured):
    (cell,) = grade(measured(line, edit=noisy(0.004, 0.1)), LIMITS).cells
    assert cell.grade == "pass"


def test_a_contact_that_breaks_in_a_run_leaves_the_others_as_they_are():
    broken = LostContact("TB-0402", floats_at_mv=60.0, pickup_mv=3.0, lost_s=165.0)
    result = graded(broken)
    assert_same(to_json(result)["cells"][:2], beside_a_good_one())
    assert result.cells[2].grade == "ungraded"
    assert "became noisy at 1.6 bar" in result.cells[2].reasons[0]


@pytest.mark.parametrize("air", [True, False])
@pytest.mark.parametrize("response", [line, lambda p: min(48.0 * p, 70.0)])
def test_a_cell_wired_backwards_is_reported_so_and_not_called_dead(measured, response, air):
    (cell,) = grade(measured(lambda p: -response(p), air=air), LIMITS).cells
    assert cell.grade == "ungraded"
    (reason,) = cell.reasons
    assert reason.startswith("The output is negative at every step (−")
    assert reason.endswith("+ and - of the cell are exchanged.")
    assert cell.diagnosis[0].startswith("Reversed polarity: ")
    assert all(one.grade is None for one in cell.figures)
    assert figure(cell, "oxygen_output_mv").reason.startswith("the output in oxygen is negative")


@pytest.mark.parametrize("output_mv", [0.0, -0.4, -3.0, 0.6])
def test_an_output_of_no_cell_s_size_is_not_called_reversed(measured, output_mv):
    (cell,) = grade(measured(lambda p: output_mv), LIMITS).cells
    assert cell.grade == "ungraded"
    assert cell.diagnosis[0].startswith("No output: ")


@pytest.mark.parametrize("oxygen_fraction", [0.0, 0.1])
def test_a_nitrogen_step_hides_no_reversed_cell(measured, oxygen_fraction):
    def edit(fields):
        fields["gas"] = ("air", "nitrogen", *fields["gas"][2:])
        fields["pressure_bar"][:, 1] = 1.0
        fields["oxygen_fraction"][:, 1] = oxygen_fraction
        fields["nominal_po2_bar"][1] = np.nan
        fields["output_mv"][:, 1] = 0.02

    (cell,) = grade(measured(lambda p: -line(p), edit=edit), LIMITS).cells
    assert cell.diagnosis[0].startswith("Reversed polarity: ")


def test_a_reversed_cell_in_a_run_leaves_the_others_as_they_are():
    result = graded(LostContact("TB-0402", floats_at_mv=-50.0, pickup_mv=0.01))
    assert_same(to_json(result)["cells"][:2], beside_a_good_one())
    assert result.cells[2].diagnosis[0].startswith("Reversed polarity: ")


@pytest.fixture
def faults(measured):
    """Grade one cell whose table is edited; the reasons when it is ungraded, else nothing."""

    def run(response, edit=None, **changes):
        (cell,) = grade(measured(response, edit=edit, fraction=1.0, **changes), LIMITS).cells
        return " ".join(cell.reasons) if cell.grade == "ungraded" else ""

    return run


@pytest.mark.parametrize(("mv_per_bar", "found"), [(-50.0, True), (-10.0, True), (-9.99, False)])
def test_a_reversed_output_is_of_a_cells_size_at_every_step(faults, mv_per_bar, found):
    assert ("The output is negative at every step" in faults(lambda p: mv_per_bar * p)) == found


@pytest.mark.parametrize("step", [0, 4])
def test_one_step_that_is_not_negative_is_enough_to_be_no_reversed_cell(faults, step):
    def edit(fields):
        fields["output_mv"][0, step] = 0.1

    assert "negative at every step" not in faults(lambda p: -50.0 * p, edit)


def test_a_reversed_cell_is_told_with_its_first_reading_in_oxygen(faults):
    def edit(fields):
        fields["output_mv"][0, 1] = np.nan

    assert "(−50.0 mV at 1.0 bar)" in faults(lambda p: -50.0 * p)
    assert "(−60.0 mV at 1.2 bar)" in faults(lambda p: -50.0 * p, edit)


def test_a_negative_output_in_air_alone_says_nothing_of_a_lead(faults):
    reasons = faults(lambda p: -50.0 * p, up=(), down=())
    assert "no step in oxygen" in reasons
    assert "negative" not in reasons


@pytest.mark.parametrize("lowest_bar", [0.8, 1.0])
@pytest.mark.parametrize("air", [True, False])
@pytest.mark.parametrize(("part", "found"), [(0.02, True), (0.049, True), (0.05, False), (0.06, False)])
def test_an_output_has_vanished_below_a_twentieth_of_what_it_should_be(faults, air, lowest_bar, part, found):
    def edit(fields):
        oxygen = [k for k, nominal in enumerate(fields["nominal_po2_bar"]) if nominal >= 1.8]
        fields["output_mv"][0, oxygen] = [part * 50.0 * fields["nominal_po2_bar"][k] for k in oxygen]

    reasons = faults(line, edit, air=air, up=(lowest_bar, 1.2, 1.6, 1.8, 2.0), down=())
    assert ("vanished at 1.8 bar" in reasons) == found


def test_an_output_that_is_only_missing_in_air_has_not_vanished(faults):
    def edit(fields):
        fields["output_mv"][0, 0] = 0.0

    assert "vanished" not in faults(line, edit)


def test_nothing_vanishes_of_a_cell_that_never_was_calibrated(faults):
    def edit(fields):
        fields["output_mv"][0, -1] = 0.0

    assert "vanished" not in faults(line, edit, up=(1.4, 1.6), down=(1.4,))


@pytest.mark.parametrize(
    ("percent", "found"),
    [
        # 0.5 mV of 50 mV is what a contact has to leave, and five times what the holds before had.
        ((0.04, 1.0), False),
        ((0.04, 1.02), True),
        ((0.25, 1.25), False),
        ((0.25, 1.26), True),
    ],
)
def test_a_contact_broke_where_noise_is_large_and_five_times_what_it_was(faults, percent, found):
    def edit(fields):
        fields["noise_percent"][0, :] = percent[0]
        fields["noise_percent"][0, 1] = percent[1]

    assert ("became noisy at 1.0 bar" in faults(line, edit)) == found


@pytest.mark.parametrize(
    ("percent", "air"),
    # Noisy in air, where a cell gives least; and noisy from the first reading that there is.
    [((3.0, 0.04, 4.8), True), ((4.8,), False)],
)
def test_a_cell_that_was_noisy_before_has_no_contact_that_broke(faults, percent, air):
    assert faults(line, noisy(*percent), air=air) == ""


def test_one_millivolt_is_enough_to_tell_a_contact_by(faults):
    assert "became noisy at 1.0 bar" in faults(lambda p: 1.0, noisy(1.0, 80.0))


def test_a_broken_contact_is_told_in_millivolts_before_and_after(faults):
    reasons = faults(line, noisy(0.04, 0.03, 0.05, 4.8))
    assert "became noisy at 1.4 bar (3.4 mV rms, not more than 0.030 mV before)" in reasons


def test_noise_in_air_after_the_oxygen_is_not_laid_on_the_contact(faults):
    def edit(fields):
        fields["gas"] = (*fields["gas"][:-1], "air")
        fields["nominal_po2_bar"][-1] = np.nan
        fields["oxygen_fraction"][:, -1] = 0.2095
        fields["output_mv"][:, -1] = 10.475
        fields["noise_percent"][0, -1] = 40.0

    assert faults(line, edit) == ""
