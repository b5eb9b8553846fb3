"""Response times from ramps, against cells whose lag is known."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from grading.settling.lag import poles_t90_s
from grading.settling.response_time import Change, fit_response

_spec = importlib.util.spec_from_file_location("simulated_run", Path(__file__).with_name("simulated_run.py"))
simulated_run = sys.modules.setdefault("simulated_run", importlib.util.module_from_spec(_spec))
if not hasattr(simulated_run, "Cell"):
    _spec.loader.exec_module(simulated_run)
Cell, membrane = simulated_run.Cell, simulated_run.membrane

ONE_POLE = ((2.6,), (1.0,))
MEMBRANE = membrane(2.0)
TWO_MODES = ((2.6, 40.0), (0.92, 0.08))
RIG = tuple(1.01 + 0.2 * k for k in range(6))


def t90(lag):
    return poles_t90_s(np.array(lag[0]), np.array(lag[1]))


def changes(lag, levels=(1.0, 1.6), seed=1, skew_s=0.0, gauge_noise_bar=0.0005, **shape):
    """The ramps of a run as `reduce` would pass them on."""
    cell = Cell("TB-0417", *lag, delay_s=shape.pop("delay_s", 0.0))
    seen = simulated_run.trace((cell,), levels, seed, gauge_noise_bar=gauge_noise_bar, **shape)
    po2 = simulated_run.FRACTION * seen.pressure_bar
    found = []
    for k in range(1, len(levels)):
        before, after = seen.holds[k - 1], seen.holds[k]
        driven = (seen.t_s >= before[1] - 180.0) & (seen.t_s <= after[1])
        read = (seen.output_t_s[0] >= before[1] - 6.0) & (seen.output_t_s[0] <= after[1])
        output = seen.output_mv[0][read]
        stamps = seen.output_t_s[0][read] + skew_s
        direction = "up" if levels[k] > levels[k - 1] else "down"
        found.append(
            Change(
                direction, k, seen.t_s[driven], po2[driven], stamps, output, output, before[1], cell.noise_mv
            )
        )
    return found


@pytest.mark.parametrize("ramp_s", [5.0, 10.0, 15.0])
@pytest.mark.parametrize(
    ("lag", "name"), [(ONE_POLE, "one pole"), (MEMBRANE, "membrane"), (TWO_MODES, "two modes")]
)
def test_t90_within_3_percent_through_ramps(lag, name, ramp_s):
    for seed in range(3):
        response = fit_response(changes(lag, ramp_s=ramp_s, hold_s=120.0, seed=seed))
        assert response.t90_s == pytest.approx(t90(lag), rel=0.03)
        assert response.u_t90_s < 0.03 * response.t90_s
    assert response.model == name


@pytest.mark.parametrize("lag", [ONE_POLE, MEMBRANE, TWO_MODES])
@pytest.mark.parametrize("skew_s", [-0.2, 0.2])
def test_a_skew_of_the_stamps_costs_less_than_2_percent(lag, skew_s):
    response = fit_response(changes(lag, ramp_s=10.0, hold_s=120.0, skew_s=skew_s))
    assert response.t90_s == pytest.approx(t90(lag), rel=0.02)
    assert response.delay_s == pytest.approx(skew_s, abs=0.1)


def test_a_delayed_pole_is_called_one():
    response = fit_response(changes(ONE_POLE, ramp_s=10.0, hold_s=120.0, skew_s=0.25))
    assert response.model == "one pole with delay"


@pytest.mark.parametrize("lag", [ONE_POLE, MEMBRANE, membrane(6.7), ((1.0,), (1.0,))])
def test_the_slow_ramps_of_a_rig_together_give_t90(lag):
    """Five ramps of 0.2 bar at 0.5 bar/min: none is a step, and together they do."""
    response = fit_response(changes(lag, RIG, ramp_s=24.0, hold_s=55.0))
    assert response.t90_s == pytest.approx(t90(lag), rel=0.05)
    assert abs(response.t90_s - t90(lag)) < 4.0 * response.u_t90_s


def test_falling_changes_are_reported_as_such():
    response = fit_response(changes(MEMBRANE, (2.0, 1.6), ramp_s=10.0))
    assert response.direction == "down"
    assert response.t90_s == pytest.approx(t90(MEMBRANE), rel=0.03)


def test_a_slow_tail_is_reported_with_its_share():
    response = fit_response(changes(TWO_MODES, ramp_s=5.0, hold_s=120.0))
    assert response.slow_fraction == pytest.approx(0.08, rel=0.1)
    assert response.slow_t90_s == pytest.approx(40.0 * np.log(10.0), rel=0.15)


def test_a_ramp_too_slow_for_the_cell_gives_no_t90():
    response = fit_response(changes(((1.0,), (1.0,)), ramp_s=300.0))
    assert response.t90_s is None
    assert response.reason == "a change of 270 s is too slow against the cell"


def test_a_shape_that_no_model_has_is_not_given_a_t90():
    response = fit_response(_stuck(changes(MEMBRANE, ramp_s=5.0)))
    assert response.t90_s is None
    assert response.model == ""
    assert response.reason.startswith("shape not described")
    assert len(response.t_s) == len(response.fitted_mv)


def _stuck(found):
    """A contact that opens half way up and closes again."""
    change = found[0]
    output = change.output_mv.copy()
    middle = np.abs(change.t_s - change.begin_s - 6.0) < 2.5
    output[middle] = output[0]
    return [
        Change(
            change.direction,
            change.step,
            change.drive_t_s,
            change.drive_po2_bar,
            change.t_s,
            output,
            output,
            change.begin_s,
            change.noise_mv,
        )
    ]


def test_too_few_readings_say_so():
    change = changes(MEMBRANE, ramp_s=5.0)[0]
    few = Change(
        "up",
        1,
        change.drive_t_s,
        change.drive_po2_bar,
        change.t_s[:9],
        change.output_mv[:9],
        change.output_mv[:9],
        change.begin_s,
        0.01,
    )
    assert fit_response([few]).reason == "too few readings of the change"


def test_a_dead_cell_has_no_t90():
    change = changes(MEMBRANE, ramp_s=5.0)[0]
    flat = np.random.default_rng(1).normal(0.0, 0.01, len(change.t_s))
    dead = Change(
        "up", 1, change.drive_t_s, change.drive_po2_bar, change.t_s, flat, flat, change.begin_s, 0.01
    )
    response = fit_response([dead])
    assert response.t90_s is None
    assert response.reason


def test_intervals_contain_the_truth():
    inside = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        lag = membrane(rng.uniform(1.2, 4.0)) if seed % 2 else ((rng.uniform(1.5, 5.0),), (1.0,))
        response = fit_response(changes(lag, ramp_s=rng.uniform(5.0, 15.0), seed=seed))
        inside += abs(response.t90_s - t90(lag)) < 2.0 * response.u_t90_s
    assert inside >= 26
