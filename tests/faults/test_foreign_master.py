"""One rig, one master: a block that another program drives is left to it, and the person is told at once."""

import pytest
from fault_bench import When, broken_invariants, run_faults, seed_bench

from drivers.virtual_spec import FaultSpec
from rig.run.preflight import run_preflight, standing_checks
from rig.setup.bench import open_bench

IN_HOLD = When("measure", 2, 8.0)
PLATE_BAR = 3.5


def alarms(run, code):
    return [t_s for found, t_s in run.trips() if found == code]


def test_a_block_with_a_moving_heartbeat_of_another_is_refused_before_anything_is_ordered():
    run = run_faults((FaultSpec("foreign_master", 0.0),), seed=417)
    assert (run.how, run.code) == ("refused", "RIG_BUSY")
    assert run.said == [
        "another program drives the valve block (token 47011, its heartbeat moves); wait for its end"
    ]
    # The other program keeps its vent shut all the while: nothing was dropped under it.
    assert not run.truth.vent_open
    assert not run.truth_later.watchdog_tripped


def test_a_dead_programs_block_is_taken_over_with_a_caution():
    run = run_faults((FaultSpec("second_controller", 0.0),), seed=417)
    assert run.how == "completed"
    assert any("token 47011" in text and "heartbeat stands still" in text for text in run.said)


def test_a_program_that_takes_the_block_is_not_fought_and_the_pots_true_pressure_is_said():
    run = run_faults((FaultSpec("foreign_master", 0.0),), seed=417, when=IN_HOLD, keep_rows=True)
    onset_s = run.faults[0].at_s
    assert run.trips()[0][0] == "OWNER_CHANGED"
    assert any("token 47011" in text and "end the other program" in text for text in run.said)
    # It fills on: heard within seconds of the rise, and again above the trip.
    (rises_s,), (over_s,) = alarms(run, "PRESSURE_RISES"), alarms(run, "OVER_PRESSURE")
    assert rises_s - onset_s < 5.0
    over = next(text for text in run.said if "above the trip" in text)
    assert "another program drives the valve block" in over
    assert "Close the bottle NOW. End every other program" in over
    read_bar = float(over.split(" bar")[0].rsplit(" ", 1)[1])
    (row,) = [row for row in run.sink.kept if abs(row.t_s - over_s) < 0.1]
    assert read_bar == pytest.approx(row.pressure_bar.value, abs=0.003)
    assert run.truth.highest_pressure_bar == pytest.approx(read_bar, abs=0.05)
    # Below its trip the pot was left to the other program; above it, it was dropped again.
    assert 2.29 < run.truth.highest_pressure_bar < PLATE_BAR - 0.2
    assert not run.truth.vent_open
    assert run.alarmed
    assert broken_invariants(run) == []


def test_a_pot_that_is_filled_after_an_abort_sounds_at_once():
    aborted = run_faults((FaultSpec("gauge_link_lost", 0.0),), seed=417, when=IN_HOLD)
    at_s = aborted.faults[0].at_s
    run = run_faults(
        (FaultSpec("gauge_link_lost", at_s), FaultSpec("foreign_master", at_s + 2.0)),
        seed=417,
        keep_rows=True,
    )
    (rises_s, *_) = alarms(run, "PRESSURE_RISES")
    lowest_bar, found_s = 9.0, None
    for row in run.sink.kept:
        reading = row.pressure_b_bar
        if row.t_s < at_s + 2.0 or reading is None or reading.value is None:
            continue
        lowest_bar = min(lowest_bar, reading.value)
        if reading.value > lowest_bar + 0.03:
            found_s = row.t_s
            break
    assert found_s is not None
    assert rises_s - found_s < 2.0
    text = next(text for text in run.said if text.startswith("The pressure rises"))
    assert "Close the bottle NOW." in text
    assert run.alarmed
    assert broken_invariants(run) == []


def test_preflight_leaves_a_driven_block_alone_and_does_not_have_it_switched_off(tmp_path):
    with open_bench(
        seed_bench(1.0), seed=417, mode="direct", faults=(FaultSpec("foreign_master", 0.0),)
    ) as bench:
        bench.clock.sleep_until(1.0)
        report = standing_checks(bench, tmp_path)
        assert not bench.virtual.pot().vent_open
    (failed,) = [check for check in report.failures if check.what.startswith("valves")]
    assert failed.found.startswith("another program drives the valve block (token 47011")
    assert not [check for check in report.checks if "switch the block off" in check.to_do]


def test_preflight_of_a_free_block_says_nothing_of_owners(tmp_path):
    report = run_preflight(seed_bench(1.0), tmp_path)
    assert not [check for check in report.checks if "owner" in check.what]
