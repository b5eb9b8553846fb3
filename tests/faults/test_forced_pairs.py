"""The worst pairs of faults: the layers hold the pot, and removing the layer that protects it shows."""

import pytest
from forced_pairs import HIGHEST_ALLOWED_BAR, PAIRS, force

_SEEDS = (1, 2, 3)
_STUCK_AND_SHUT = ("supply_stuck_open", "vent_stuck_shut")
_SOFTWARE_ONLY = ("relief_stuck", "watchdog_dead", "pressure_switch_dead")


@pytest.mark.parametrize("pair", PAIRS, ids="+".join)
def test_with_every_layer_the_pot_never_comes_near_the_pressure_on_its_plate(pair):
    for seed in _SEEDS:
        assert force(pair, (), seed).highest_bar <= HIGHEST_ALLOWED_BAR


def test_stuck_open_and_stuck_shut_is_the_relief_valves_alone():
    with_relief = [force(_STUCK_AND_SHUT, (), seed) for seed in _SEEDS]
    without = [force(_STUCK_AND_SHUT, ("relief_stuck",), seed) for seed in _SEEDS]
    assert all(run.relieved and run.alarm_on for run in with_relief)
    assert all(run.above_margin for run in without)


def test_a_killed_program_is_vented_by_the_watchdog_alone():
    assert not any(force(("killed",), (), seed).under_pressure for seed in _SEEDS)
    left = [force(("killed",), ("watchdog_dead",), seed) for seed in _SEEDS]
    assert all(run.under_pressure and not run.alarm_on for run in left)


def test_a_stuck_supply_and_software_alone_come_above_the_margin():
    seeds = range(1, 9)
    pair = ("supply_stuck_open", "killed")
    assert any(force(pair, _SOFTWARE_ONLY, seed).above_margin for seed in seeds)
    assert not any(force(pair, ("watchdog_dead",), seed).above_margin for seed in seeds)
