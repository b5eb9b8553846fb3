"""When a hold has settled, and what the output then is."""

import numpy as np
import pytest

from grading.settling.settled import (
    HoldRule,
    fade_per_minute,
    hold_verdict,
    mean_with_uncertainty,
    noise_rms,
    settled_from,
)

EVERY_S = 0.2


def hold(seconds, tau_s=2.6, step_percent=15.0, tail=0.0, tail_tau_s=45.0, drift=0.0, noise=0.02, seed=1):
    """Output about 50 mV after a change; `drift` in percent per minute."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, seconds, EVERY_S)
    left = (1.0 - tail) * np.exp(-t_s / tau_s) + tail * np.exp(-t_s / tail_tau_s)
    level = 50.0 * (1.0 - step_percent / 100.0 * left + drift / 100.0 * t_s / 60.0)
    return t_s, level + rng.normal(0.0, noise, len(t_s))


def settles_at(t_s, output_mv, rule=None):
    for end_s in np.arange(10.0, t_s[-1] + EVERY_S, 2.0):
        seen = t_s <= end_s
        if hold_verdict(t_s[seen], output_mv[seen], rule).settled:
            return end_s
    return None


def test_a_healthy_cell_settles_in_about_half_the_cap():
    for seed in range(20):
        end_s = settles_at(*hold(120.0, tau_s=np.random.default_rng(seed).uniform(2.0, 6.0), seed=seed))
        assert 30.0 <= end_s <= 70.0


def test_no_cell_settles_before_the_shortest_hold():
    assert settles_at(*hold(60.0, tau_s=0.5)) >= 30.0
    assert settles_at(*hold(60.0, tau_s=0.5), HoldRule(least_s=40.0)) >= 40.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("noise", [0.003, 0.01, 0.03])
def test_a_slow_tail_is_never_called_settled_while_more_than_the_limit_is_left(sign, noise):
    for seed in range(20):
        rng = np.random.default_rng(seed)
        tail, tail_tau_s = rng.uniform(0.02, 0.2), rng.uniform(20.0, 60.0)
        t_s, output_mv = hold(
            180.0, step_percent=sign * 30.0, tail=tail, tail_tau_s=tail_tau_s, noise=noise, seed=seed
        )
        end_s = settles_at(t_s, output_mv)
        assert end_s is None or 30.0 * tail * np.exp(-end_s / tail_tau_s) < HoldRule().remainder_percent


def test_a_tail_so_slow_that_its_slope_is_within_the_limit_is_still_a_remainder():
    """0.44 % left at 0.09 % in 10 s: the slope is small enough, the remainder is four times its limit."""
    t_s, output_mv = hold(60.0, step_percent=30.0, tail=0.04, tail_tau_s=60.0, noise=0.003)
    verdict = hold_verdict(t_s, output_mv)
    # The slope is judged first, so it is within its limit where the remainder is the reason.
    assert (verdict.settled, verdict.why) == (False, "remainder")
    assert abs(verdict.slope_percent_per_10s) < 0.1
    assert hold_verdict(t_s, output_mv, HoldRule(remainder_percent=0.4)).why == "remainder"
    assert hold_verdict(t_s, output_mv, HoldRule(remainder_percent=0.8)).why != "remainder"


def test_an_output_that_did_not_change_has_no_tail_to_wait_for():
    assert settles_at(*hold(60.0, step_percent=0.0, noise=0.03)) <= 40.0


def test_a_fading_cell_is_not_settled_and_a_small_drift_is():
    assert settles_at(*hold(120.0, drift=-2.0)) is None
    assert settles_at(*hold(120.0, drift=-0.1)) <= 60.0


def test_noise_is_never_rewarded():
    """A noisy output cannot prove that its slope is small."""
    assert settles_at(*hold(120.0, noise=0.5)) is None


def test_a_jump_begins_the_hold_anew():
    t_s, output_mv = hold(70.0)
    assert hold_verdict(t_s, output_mv).settled
    output_mv[t_s > 45.0] *= 1.02
    assert hold_verdict(t_s, output_mv).why == "shorter than 30 s"
    # From 45 to 70 s are 25 s: long enough for a rule that asks for 24, too short for one that asks for 26.
    assert hold_verdict(t_s, output_mv, HoldRule(least_s=24.0)).why != "shorter than 24 s"
    assert hold_verdict(t_s, output_mv, HoldRule(least_s=26.0)).why == "shorter than 26 s"


def test_a_leaking_pot_is_not_taken_for_a_drifting_cell():
    t_s, output_mv = hold(60.0)
    pressure_bar = 2.0 - 0.004 * t_s / 10.0
    falling = output_mv * pressure_bar / 2.0
    assert not hold_verdict(t_s, falling).settled
    assert hold_verdict(t_s, falling, pressure_bar=pressure_bar).settled


def test_too_few_readings_or_no_output_say_so():
    t_s, output_mv = hold(2.0)
    assert hold_verdict(t_s[:5], output_mv[:5]).why == "too few readings"
    t_s, output_mv = hold(40.0)
    assert hold_verdict(t_s, output_mv * 0.0).why == "no output"


def test_the_settled_window_leaves_the_approach_out():
    t_s, output_mv = hold(60.0, tau_s=4.0)
    start = settled_from(t_s, output_mv)
    assert 28.0 < t_s[start] < 40.0
    assert np.mean(output_mv[start:]) == pytest.approx(50.0, abs=0.01)
    short_t, short_mv = hold(22.0, tau_s=1.5)
    assert short_t[-1] - short_t[settled_from(short_t, short_mv)] >= 7.0


def test_a_cell_that_has_not_settled_is_given_a_larger_uncertainty_by_its_slope():
    quiet = mean_with_uncertainty(*hold(30.0, step_percent=0.0))
    assert quiet.value == pytest.approx(50.0, abs=0.01)
    assert quiet.u == pytest.approx(0.02 / np.sqrt(150), rel=0.3)
    assert quiet.degrees_of_freedom > 50


def test_a_constant_reading_has_no_scatter():
    mean = mean_with_uncertainty(np.arange(20.0), np.full(20, 3.0))
    assert (mean.value, mean.u) == (3.0, 0.0)


def test_noise_is_what_is_left_after_slow_drift():
    t_s, output_mv = hold(30.0, step_percent=0.0, drift=3.0, noise=0.05)
    assert noise_rms(t_s, output_mv) == pytest.approx(0.05, rel=0.15)


def test_fade_is_reported_with_its_uncertainty_and_only_when_the_hold_is_long_enough():
    for seed in range(10):
        fade, u = fade_per_minute(*hold(90.0, drift=-2.0, seed=seed))
        assert abs(fade - 2.0) < 4.0 * u + 0.05
        assert u < 0.1
    assert fade_per_minute(*hold(35.0)) is None
    assert fade_per_minute(*hold(70.0, tau_s=9.0)) is None
