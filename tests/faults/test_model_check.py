"""Every state that the state table and its hardware can reach with up to three faults."""

from functools import cache

import pytest
import state_model
from state_model import Fault, Layers, Pressure, cut_sets, ends_vented, history, next_rigs

from rig.safety.states import STATE_RULES, TRANSITIONS, Command, State

explore = cache(state_model.explore)


def over_pressure(came_from):
    return [rig for rig in came_from if rig.pressure is Pressure.OVER]


@pytest.fixture(scope="module")
def three_faults():
    return explore(3, Layers())


def test_two_faults_never_bring_the_pot_over_its_plate_value():
    assert over_pressure(explore(2, Layers())) == []


def test_over_pressure_needs_the_supply_the_way_out_and_the_relief_valve_together(three_faults):
    assert cut_sets(over_pressure(three_faults)) == {
        frozenset({Fault.SUPPLY_OPEN, Fault.VENT_SHUT, Fault.RELIEF_BAD}),
        frozenset({Fault.SUPPLY_OPEN, Fault.TEE_CLOGGED, Fault.RELIEF_BAD}),
    }


def test_without_a_relief_valve_two_stuck_valves_are_enough():
    cuts = cut_sets(over_pressure(explore(2, Layers(relief=False))))
    assert frozenset({Fault.SUPPLY_OPEN, Fault.VENT_SHUT}) in cuts


def test_a_dead_program_always_leaves_a_vented_pot_unless_a_valve_is_stuck_or_the_vent_blocked():
    layers, came_from = Layers(), explore(2, Layers())
    for rig in came_from:
        if not rig.has(Fault.SUPPLY_OPEN, Fault.VENT_SHUT, Fault.TEE_CLOGGED):
            assert ends_vented(rig, layers), history(rig, came_from)


def test_without_a_watchdog_a_dead_program_may_leave_the_pot_under_pressure():
    layers = Layers(watchdog=False)
    assert any(not ends_vented(rig, layers) for rig in explore(1, layers) if not rig.faults)


def lids_under_pressure(came_from):
    """States in which the lid was opened because the program offered it, at pressure."""
    return [
        rig
        for rig, came in came_from.items()
        if came is not None and came[1] == "lid opened" and rig.pressure is not Pressure.AMBIENT
    ]


def silent_ends(came_from):
    """Ends of a run at pressure without the alarm, at the moment of the end."""
    ends = (State.STOPPED, State.ABORTED, State.COMPLETE)
    return [
        rig
        for rig, came in came_from.items()
        if rig.state in ends
        and came is not None
        and came[0].state is not rig.state
        and rig.pressure is not Pressure.AMBIENT
        and not rig.alarm
    ]


def test_the_lid_never_opens_under_pressure(three_faults):
    assert lids_under_pressure(three_faults) == []


def test_without_the_lid_lock_two_faults_never_offer_a_lid_under_pressure():
    assert lids_under_pressure(explore(2, Layers(lid_lock=False))) == []


NEITHER_GAUGES_NOR_CELLS_SEE_A_SUPPLY_THAT_NOBODY_OPENED = {
    frozenset({Fault.SUPPLY_OPEN, Fault.GAUGES_SHUT_OFF, Fault.CELLS_UNREAD}),
    frozenset({Fault.SUPPLY_OPEN, Fault.TEE_CLOGGED, Fault.CELLS_UNREAD}),
}


def test_the_lid_needs_its_lock_where_gauges_cells_and_supply_fail_together():
    cuts = cut_sets(lids_under_pressure(explore(3, Layers(lid_lock=False))))
    assert cuts == NEITHER_GAUGES_NOR_CELLS_SEE_A_SUPPLY_THAT_NOBODY_OPENED


def test_two_faults_or_common_causes_never_end_under_pressure_without_the_alarm():
    came_from = explore(2, Layers())
    for rig in silent_ends(came_from):
        raise AssertionError(history(rig, came_from))


def test_three_faults_end_silently_only_where_gauges_cells_and_supply_fail_together(three_faults):
    cuts = cut_sets(silent_ends(three_faults))
    assert cuts == NEITHER_GAUGES_NOR_CELLS_SEE_A_SUPPLY_THAT_NOBODY_OPENED


@pytest.mark.parametrize(
    ("layers", "cut"),
    [
        (
            Layers(gauges_must_answer=False, cells_may_refuse=False),
            {Fault.GAUGES_SHUT_OFF},
        ),
        (Layers(falls_are_judged=False), {Fault.TEE_CLOGGED, Fault.CELLS_UNREAD}),
        (Layers(falls_are_judged=False, cells_may_refuse=False), {Fault.TEE_CLOGGED}),
        (Layers(cells_may_refuse=False), {Fault.SUPPLY_OPEN, Fault.GAUGES_SHUT_OFF}),
    ],
    ids=["gauges need not answer", "falls not judged", "neither falls nor cells", "no cells"],
)
def test_what_each_witness_of_a_vented_pot_is_for(layers, cut):
    assert frozenset(cut) in cut_sets(silent_ends(explore(2, layers)))


def outputs_stay(layers):
    """States in which the program wants the safe state, and nothing will ever bring it about."""
    came_from = explore(2, layers)
    return [
        rig
        for rig in came_from
        if rig.state is State.ABORTED
        and rig.vent_shut
        and all(after.vent_shut for _, after in next_rigs(rig, layers, most_faults=len(rig.faults)))
        and not rig.has(Fault.PROGRAM_DEAD)
    ]


def test_a_block_that_does_not_take_the_order_to_de_energise_is_dropped_all_the_same():
    assert outputs_stay(Layers()) == []


@pytest.mark.parametrize("layers", [Layers(beats_stop=False), Layers(falls_back=False)])
def test_either_way_to_the_safe_state_is_enough_by_itself(layers):
    assert not [rig for rig in outputs_stay(layers) if rig.has(Fault.DROP_NOT_TAKEN)]


def test_a_program_that_beats_on_and_only_repeats_the_order_keeps_the_pot_under_pressure():
    stay = outputs_stay(Layers(beats_stop=False, falls_back=False))
    assert frozenset({Fault.DROP_NOT_TAKEN}) in cut_sets(stay)


def test_gas_is_let_in_only_in_the_two_states_that_may_fill(three_faults):
    states = {
        rig.state for rig, came in three_faults.items() if came is not None and came[1] == "supply shot"
    }
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
