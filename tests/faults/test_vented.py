"""A pot is called vented only where something shows it; it is watched on, and the end of that is said."""

from __future__ import annotations

from functools import cache

import pytest
from fault_bench import CELLS, VENTED_BAR, When
from told_bench import Told, told

from drivers.virtual_spec import FaultSpec
from rig.loop.stop import StopLevel
from rig.safety.vented import WATCH_AFTER_TRIP_S
from rig.setup.plan import WATCH_AFTER_RUN_S

MANIFOLD, TEE = FaultSpec("gauge_manifold_shut", 0.0), FaultSpec("tee_clogged", 0.0)
VENT, SUPPLY = FaultSpec("vent_stuck_shut", 0.0), FaultSpec("supply_stuck_open", 0.0)
BEFORE_FILLING, BETWEEN_SWINGS = When("purge", None, 0.0), When("purge", None, 120.0)
IN_FILLING, IN_HOLD, LETTING_OUT = When("fill", 2, 3.0), When("measure", 2, 5.0), When("let-out", 4, 0.5)
LATER = When("let-out", 4, 15.0)


@cache
def quiet(stop_when: When | None = None, level: StopLevel = StopLevel.NOW) -> Told:
    """A run without a fault, ended early where a stop is asked for."""
    return told(stop_when=stop_when, level=level)


def begun_s(run: Told, phase: str) -> float:
    return next(t_s for kind, t_s, data in run.sink.events if kind == "phase" and data["phase"] == phase)


def is_honest(run: Told) -> bool:
    """Whether nothing was called vented under pressure, and an alarm stands where pressure is left."""
    left_bar = run.truth.pressure_bar - run.truth.room_pressure_bar
    return run.called_vented_at_bar <= VENTED_BAR and (left_bar <= VENTED_BAR or run.alarmed)


@pytest.mark.parametrize(
    ("volume_l", "when"),
    [
        (0.05, BEFORE_FILLING),
        (0.3, BEFORE_FILLING),
        (1.0, BEFORE_FILLING),
        (0.05, BETWEEN_SWINGS),
        (0.05, IN_FILLING),
    ],
)
def test_gauges_that_are_shut_off_never_call_a_pot_vented(volume_l, when):
    run = told((MANIFOLD, when), (VENT, when), volume_l=volume_l)
    assert run.truth.pressure_bar - run.truth.room_pressure_bar > 2 * VENTED_BAR
    assert is_honest(run)
    assert ("NOT_VENTED", pytest.approx(run.ended_s, abs=300.0)) in run.alarms
    if when is BEFORE_FILLING:
        assert run.said("gas was let in and the gauges have not risen with it")
        assert "NOT CONFIRMED" in run.outcome.why


@pytest.mark.parametrize(("volume_l", "when"), [(0.05, LETTING_OUT), (1.0, LATER)])
def test_a_clogged_tee_makes_the_gauges_fall_faster_than_the_vent_can(volume_l, when):
    run = told((TEE, when), volume_l=volume_l)
    assert run.truth.pressure_bar - run.truth.room_pressure_bar > 0.09
    assert is_honest(run)
    assert run.said("a gauge fell faster than this pot's vent can let gas out")


@pytest.mark.parametrize("settles_s", [1.5, 4.0])
def test_cells_that_do_not_fall_contradict_gauges_that_fall_as_the_pot_would(settles_s):
    """A tee whose side empties slowly: the gauges fall no faster than a vent allows, before any hold."""
    slow = FaultSpec("tee_clogged", 0.0, value=settles_s)
    run = told((slow, When("purge", None, 35.0)), seed=1)
    assert run.truth.pressure_bar - run.truth.room_pressure_bar > 0.5
    assert is_honest(run)
    assert run.said("the cells still show pressure in the pot")


def test_the_cells_contradict_gauges_that_were_cut_off_at_ambient():
    # At PO2 1.0 the pot is within the vented band: no gauge can show by its reading that it is cut off there.
    run = told((TEE, When("measure", 1, 18.4)), (SUPPLY, When("measure", 1, 23.4)), volume_l=0.3, seed=839)
    assert run.truth.pressure_bar > 2.0
    assert is_honest(run)


def test_a_supply_that_sticks_after_the_abort_sounds_at_once_and_stays_in_the_outcome():
    (vented_s, *_), *_ = quiet(IN_HOLD).said("reads vented")
    after_s = vented_s - begun_s(quiet(IN_HOLD), "abort") + 4.0
    run = told((SUPPLY, When("abort", None, after_s)), stop_when=IN_HOLD)
    sounded_s = next(t_s for code, t_s in run.alarms if code == "PRESSURE_RISES")
    assert sounded_s - (vented_s + 4.0) < 5.0
    _, text, severity, _ = run.said("The pressure rises, to")[0]
    assert severity == "alarm"
    assert "Close the bottle NOW." in text
    assert is_honest(run)
    assert run.alarmed
    assert run.said("whether it is vented is not known")


def test_a_supply_that_sticks_during_the_abort_sounds_before_the_vent_has_timed_out():
    run = told(
        (FaultSpec("vent_blocked", 0.0), When("abort", None, 8.0)),
        (SUPPLY, When("abort", None, 12.0)),
        stop_when=IN_HOLD,
    )
    sounded_s = next(t_s for code, t_s in run.alarms if code == "PRESSURE_RISES")
    assert sounded_s - begun_s(run, "abort") < 30.0
    assert is_honest(run)


def test_a_supply_that_sticks_while_a_completed_run_is_watched_ends_it():
    (vented_s, *_), *_ = quiet().said("reads vented")
    run = told((SUPPLY, When("vent", None, vented_s - begun_s(quiet(), "vent") + 20.0)))
    assert run.outcome.how == "tripped"
    assert is_honest(run)


@pytest.mark.parametrize(
    ("stop_when", "level", "watch_s"),
    [
        (None, StopLevel.NOW, WATCH_AFTER_RUN_S),
        (IN_HOLD, StopLevel.NOW, WATCH_AFTER_TRIP_S),
        (IN_HOLD, StopLevel.RAMPED, WATCH_AFTER_TRIP_S),
    ],
    ids=["completed", "aborted", "stopped"],
)
def test_it_says_how_long_it_watched_and_when_it_stops(stop_when, level, watch_s):
    run = quiet(stop_when, level)
    (begins_s, *_), *_ = run.said(f"It is watched for {watch_s:.0f} s more")
    ends_s, text, *_ = run.said("This program stops watching the pot now: close the bottle.")[-1]
    assert ends_s - begins_s >= watch_s
    # It had read vented for two seconds when it was first said to.
    read_vented_s = float(text.removeprefix("The pot has read vented for ").split(" s.")[0])
    assert read_vented_s >= watch_s + 2.0
    assert not [one for one in run.alarms if one[0] != "STOPPED_NOW"]


def test_without_two_cells_it_says_that_only_the_gauges_show_a_vented_pot():
    words = "Nothing but its pressure reading shows that: look at the dial before you open anything."
    alone = told(cells=CELLS[:1], stop_when=IN_HOLD)
    assert [text.startswith("The pot ") for _, text, *_ in alone.said(words)] == [True, True]
    assert not quiet(IN_HOLD).said(words)


def test_a_further_request_to_stop_ends_the_watch():
    run = told(stop_when=IN_HOLD, again_when=When("abort", None, 40.0))
    (begins_s, *_), *_ = run.said("reads vented")
    assert run.ended_s - begins_s < WATCH_AFTER_TRIP_S - 10.0
    assert run.said("This program stops watching the pot now: close the bottle.")


def test_a_start_while_gas_comes_in_asks_for_the_bottle():
    run = told(from_start=(FaultSpec("supply_seeps", 0.0, value=10.0),))
    assert run.outcome.code in ("VENTED_ZERO", "NOT_VENTED")
    assert "Close the bottle" in run.outcome.why
