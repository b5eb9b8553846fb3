"""Every state that the state table and its hardware can reach with up to three faults."""

import pytest
from state_model import Fault, Layers, Pressure, cut_sets, ends_vented, explore, history

from rig.safety.states import STATE_RULES, TRANSITIONS, Command, State


def over_pressure(came_from):
    return [rig for rig in came_from if rig.pressure is Pressure.OVER]


@pytest.fixture(scope="module")
def three_faults():
    return explore(3)


def test_two_faults_never_bring_the_pot_over_its_plate_value():
    assert over_pressure(explore(2)) == []


def test_the_only_cut_set_of_over_pressure_is_supply_vent_and_relief_together(three_faults):
    assert cut_sets(over_pressure(three_faults)) == {
        frozenset({Fault.SUPPLY_OPEN, Fault.VENT_SHUT, Fault.RELIEF_BAD})
    }


def test_without_a_relief_valve_two_stuck_valves_are_enough():
    cuts = cut_sets(over_pressure(explore(2, Layers(relief=False))))
    assert frozenset({Fault.SUPPLY_OPEN, Fault.VENT_SHUT}) in cuts


def test_a_dead_program_always_leaves_a_vented_pot_unless_a_valve_is_stuck():
    layers = Layers()
    for rig in explore(2):
        stuck = rig.faults & {Fault.SUPPLY_OPEN, Fault.VENT_SHUT}
        if not stuck:
            assert ends_vented(rig, layers), history(rig, explore(2))


def test_without_a_watchdog_a_dead_program_may_leave_the_pot_under_pressure():
    layers = Layers(watchdog=False)
    assert any(not ends_vented(rig, layers) for rig in explore(1, layers) if not rig.faults)


def test_the_lid_never_opens_under_pressure(three_faults):
    opened = [
        rig
        for rig, came in three_faults.items()
        if came is not None and came[1] == "lid opened" and rig.pressure is not Pressure.AMBIENT
    ]
    assert opened == []


def test_without_the_lid_lock_the_lid_can_open_under_pressure():
    came_from = explore(1, Layers(lid_lock=False))
    assert any(rig.lid_open and rig.pressure is not Pressure.AMBIENT for rig in came_from)


def test_an_end_that_is_not_vented_always_has_its_alarm(three_faults):
    for rig, came in three_faults.items():
        ended = rig.state in (State.STOPPED, State.ABORTED, State.COMPLETE)
        if (
            ended
            and came is not None
            and came[0].state is not rig.state
            and rig.pressure is not Pressure.AMBIENT
        ):
            assert rig.alarm, history(rig, three_faults)


def test_gas_is_let_in_only_in_the_two_states_that_may_fill(three_faults):
    states = {rig.state for rig in three_faults if rig.shot}
    assert states == {state for state, rule in STATE_RULES.items() if rule.may_fill}
    assert states == {State.STARTING, State.EXECUTE}


def test_every_state_can_be_reached_and_left(three_faults):
    assert {rig.state for rig in three_faults} == set(State)
    assert {before for before, _ in TRANSITIONS} == set(State)


def test_from_every_state_but_the_safe_ones_abort_leads_to_the_safe_state():
    for state in set(State) - {State.ABORTING, State.ABORTED}:
        assert TRANSITIONS[state, Command.ABORT] is State.ABORTING


def test_execute_is_reached_only_through_a_finished_purge_or_a_hold():
    into = {before for (before, _), after in TRANSITIONS.items() if after is State.EXECUTE}
    assert into == {State.STARTING, State.UNHOLDING}
    assert {before for (before, _), after in TRANSITIONS.items() if after is State.HOLDING} == {State.EXECUTE}


def test_the_model_is_explored_whole(three_faults):
    assert len(three_faults) > 1000
