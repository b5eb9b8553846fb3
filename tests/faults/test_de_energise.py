"""De-energise means de-energise: what a block that is busy, deaf or silent cannot do is done another way.

Judged on the true pressure and on every line that the operator reads.
"""

import re

import pytest
from fault_bench import VENTED_BAR, When, broken_invariants, run_faults

from drivers.virtual_spec import FaultSpec

IN_HOLD = When("measure", 2, 8.0)
TRIPS = FaultSpec("gauge_link_lost", 0.0)
DEAF = FaultSpec("de_energise_busy", 0.0)
BUSY = FaultSpec("valves_busy", 0.0, value=1.0)


def run_in_hold(*faults, **more):
    return run_faults(faults, seed=417, when=IN_HOLD, keep_rows=True, **more)


def seconds_under_pressure(run):
    """From the onset until the second gauge, which is left alone, has read within 50 mbar of the room."""
    onset_s, room_bar = run.faults[0].at_s, run.truth.room_pressure_bar
    readings = [(row.t_s, row.pressure_b_bar) for row in run.sink.kept if row.t_s >= onset_s]
    return max(
        t_s - onset_s
        for t_s, reading in readings
        if reading is not None and reading.value is not None and reading.value > room_bar + VENTED_BAR
    )


def vented(truth):
    return abs(truth.pressure_bar - truth.room_pressure_bar) <= VENTED_BAR


def no_valve_is_said_to_stand_anywhere(run):
    return not [text for text in run.said if re.search(r"supply shut|vent open", text, re.IGNORECASE)]


@pytest.mark.parametrize(
    ("faults", "done"),
    [
        ((TRIPS,), "De-energised: no valve has power."),
        ((TRIPS, DEAF), "De-energised: no valve has power."),
        (
            (TRIPS, BUSY),
            "did not take the order to de-energise (answered register 16 with Modbus exception 6, busy)",
        ),
        ((TRIPS, FaultSpec("valves_ignore_writes", 0.0)), "the valve block does not show it yet"),
        ((TRIPS, FaultSpec("valves_silent", 0.0)), "got no answer: the valves may not have moved"),
    ],
    ids=["sound", "de-energise busy", "all busy", "deaf", "silent"],
)
def test_the_pot_is_vented_whatever_the_block_says_to_the_order(faults, done):
    run = run_in_hold(*faults)
    assert vented(run.truth)
    assert vented(run.truth_later)
    # Two seconds of the block's own watchdog, the trip's time before it, and the vent restrictor's.
    assert seconds_under_pressure(run) < 12.0
    assert done in " ".join(run.said)
    assert no_valve_is_said_to_stand_anywhere(run)
    assert broken_invariants(run) == []


def test_with_the_order_busy_the_watchdog_is_not_needed_and_not_fed():
    """The order alone is busy; the vent obeys, and the watchdog is dead: nothing else could vent this pot."""
    run = run_in_hold(TRIPS, DEAF, FaultSpec("watchdog_dead", 0.0))
    assert vented(run.truth)
    assert seconds_under_pressure(run) < 12.0


def test_a_block_that_answers_busy_is_not_said_to_be_lost():
    run = run_in_hold(BUSY)
    said = " ".join(run.said)
    assert "busy" in said
    assert not re.search(r"no answer|not answered|no longer move", said)
    assert run.how == "tripped"
    assert vented(run.truth)


def test_a_block_that_does_not_show_that_it_dropped_sounds_once():
    run = run_in_hold(BUSY)
    alarms = [t_s for code, t_s in run.trips() if code == "NOT_DE_ENERGISED"]
    assert len(alarms) == 1
    assert alarms[0] - run.faults[0].at_s < 3.0
    assert any("Close the bottle NOW" in text and "answers" in text for text in run.said)


def test_a_block_that_takes_no_heartbeat_trips_before_its_watchdog_and_quotes_the_answer():
    run = run_in_hold(FaultSpec("beats_refused", 0.0))
    (code, t_s), *_ = run.trips()
    assert (code, t_s - run.faults[0].at_s < 2.0) == ("WATCHDOG", True)
    assert any("has taken no heartbeat" in text and "exception 6, busy" in text for text in run.said)
    assert vented(run.truth)


def test_a_vent_that_stays_shut_is_de_energised_and_not_said_to_be_open():
    run = run_faults((FaultSpec("vent_stuck_shut", 0.0),), seed=417, when=When("let-out", 4, 4.0))
    assert not vented(run.truth)
    assert run.alarmed
    assert any("De-energised: no valve has power." in text for text in run.said)
    assert no_valve_is_said_to_stand_anywhere(run)
