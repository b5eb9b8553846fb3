"""A supply that does not shut while the vent is open: found in seconds, in pots of every size."""

import pytest
from fault_bench import VOLUMES_L, When, run_faults

from drivers.virtual_spec import FaultSpec
from rig.pressure.shut_check import ShutCheck

FOUND_WITHIN_S = 8.0


@pytest.mark.parametrize("volume_l", VOLUMES_L)
@pytest.mark.parametrize("after_s", [20.0, 61.0])
def test_a_supply_stuck_open_in_a_flow_purge_is_found_in_seconds(volume_l, after_s):
    stuck = FaultSpec("supply_stuck_open", 0.0)
    run = run_faults((stuck,), seed=417, when=When("purge", None, after_s), volume_l=volume_l, method="flow")
    struck_s = run.faults[0].at_s
    code, found_s = run.trips()[0]
    assert code == "PRESSURE_RISES"
    assert found_s - struck_s <= FOUND_WITHIN_S
    assert any("supply" in text and "Close the bottle" in text for text in run.said)
    assert not any(event == "hold_end" and data["step"] > 0 for event, _, data in run.sink.events)


@pytest.mark.parametrize("volume_l", VOLUMES_L)
def test_a_sound_flow_purge_is_not_stopped(volume_l):
    run = run_faults((), seed=11, volume_l=volume_l, method="flow")
    assert run.how == "completed"
    assert run.trips() == []


VENT_BAR_PER_MS = 6.2e-5
AMBIENT_BAR = 1.013


def watch(pressure_bar, seconds=30.0, interval_s=0.2):
    """Follow a pressure given by time; returns the check and when it first says that no shot may be given."""
    check, paused_s = ShutCheck(0.4), []
    for tick in range(round(seconds / interval_s)):
        t_s = tick * interval_s
        if check.pauses(t_s, pressure_bar(t_s, bool(paused_s)), AMBIENT_BAR, VENT_BAR_PER_MS):
            paused_s.append(t_s)
        if check.stays_up:
            break
    return check, paused_s


def test_a_back_pressure_that_stays_up_in_two_pauses_is_a_supply_that_does_not_shut():
    check, paused_s = watch(lambda t_s, paused: AMBIENT_BAR + 0.17)
    assert check.stays_up
    assert paused_s[-1] - paused_s[0] < 3.0


def test_a_low_back_pressure_says_nothing():
    check, paused_s = watch(lambda t_s, paused: AMBIENT_BAR + 0.01)
    assert not check.stays_up
    assert paused_s


def test_the_gas_of_a_flow_counts_what_the_vent_lets_out(monkeypatch):
    """Without the pauses the budget still sees the gas of a supply that is stuck open."""
    monkeypatch.setattr(ShutCheck, "pauses", lambda *_: False)
    stuck = FaultSpec("supply_stuck_open", 0.0)
    run = run_faults((stuck,), seed=417, when=When("purge", None, 61.0), volume_l=3.0, method="flow")
    assert run.code == "GAS_USED_UP"
    assert run.truth.gas_used_l < 90.0
