"""What gas is in the pot, whether it is oxygen, and what has happened to a single socket."""

import pytest

from grading.record.format import Reading
from rig.loop.cell_watch import CellWatch
from rig.phases.pot_gas import PotGas
from rig.safety.gas_check import check_gas, check_gas_again


def purged(swings=7):
    gas = PotGas(0.995, 0.001)
    low = 1.013
    for _ in range(swings):
        gas.filled(low, 2.0)
        low = 1.05
    return gas


def test_swings_leave_the_product_of_their_ratios():
    # F = Fs - (Fs - F0) * (1.013/2) * (1.05/2)^6 = 0.995 - 0.78554 * 0.010606
    assert purged().now().oxygen_fraction == pytest.approx(0.98667, abs=2e-5)


def test_filling_further_thins_the_rest_of_the_air():
    gas = purged()
    before = gas.now().oxygen_fraction
    gas.filled(1.05, 2.1)
    assert 0.995 - gas.now().oxygen_fraction == pytest.approx((0.995 - before) / 2.0)


def test_a_target_is_the_pressure_at_which_the_po2_is_truly_there():
    gas = purged()
    target = gas.target_bar(1.6, 1.05)
    gas.filled(1.05, target)
    assert gas.now().oxygen_fraction * target == pytest.approx(1.6)
    down = gas.target_bar(1.2, target)
    assert gas.now().oxygen_fraction * down == pytest.approx(1.2)


def test_a_flow_purge_follows_the_exponential_and_is_surer_after_fillings():
    gas = PotGas(0.995, 0.001)
    gas.flowed(6.0)
    flowed = gas.now()
    assert flowed.oxygen_fraction == pytest.approx(0.995 - 0.78554 * 0.00247875, abs=1e-6)
    gas.filled(1.0, 2.0)
    assert gas.now().u_oxygen_fraction < flowed.u_oxygen_fraction


def test_nothing_is_purged_before_anything_has_flowed():
    assert PotGas(0.995, 0.001).now().oxygen_fraction == pytest.approx(0.20946)


def test_oxygen_is_known_by_the_cells_own_ratio():
    found = check_gas({1: 10.0, 2: 11.0, 3: 9.0}, 0.2095, {1: 47.7, 2: 52.5, 3: 43.0}, 1.0)
    assert found.verdict == "oxygen"
    assert found.ratio_median == pytest.approx(4.77, abs=0.02)


def test_air_in_the_bottle_is_suspect_and_one_bad_cell_is_not():
    in_air = {1: 10.0, 2: 11.0, 3: 9.0}
    assert check_gas(in_air, 0.2095, {1: 10.1, 2: 11.0, 3: 9.1}, 1.0).verdict == "suspect"
    assert check_gas(in_air, 0.2095, {1: 47.7, 2: 52.5, 3: 20.0}, 1.0).verdict == "oxygen"


def test_one_cell_alone_confirms_the_gas_or_leaves_it_open():
    assert check_gas({1: 10.0}, 0.2095, {1: 47.7}, 1.0).verdict == "oxygen"
    assert check_gas({1: 10.0, 2: 0.1}, 0.2095, {1: 47.7, 2: 0.1}, 1.0).verdict == "oxygen"
    found = check_gas({1: 10.0}, 0.2095, {1: 11.0}, 1.0)
    assert found.verdict == "suspect"
    assert "It may be that cell" in found.text
    assert check_gas({1: 0.1}, 0.2095, {1: 47.7}, 1.0).verdict == "not checked"


def test_a_bottle_changed_on_the_way_moves_all_cells_and_a_tired_cell_only_itself():
    up = {1: 48.0, 2: 50.0, 3: 52.0}
    assert check_gas_again(up, {1: 40.0, 2: 41.0, 3: 43.0}, 3).verdict == "suspect"
    assert check_gas_again(up, {1: 30.0, 2: 50.0, 3: 52.0}, 3).verdict == "oxygen"


def test_cells_that_all_move_alike_were_given_another_gas():
    up = {1: 48.0, 2: 50.0, 3: 52.0, 4: 51.0}
    by_a_tenth_less = {socket: 0.913 * mv for socket, mv in up.items()}
    assert check_gas_again(up, by_a_tenth_less, 4).verdict == "suspect"
    assert check_gas_again(up, by_a_tenth_less | {4: 30.0}, 4).verdict == "suspect"
    fading_each_in_its_own_way = {1: 44.0, 2: 48.0, 3: 47.0, 4: 49.5}
    assert check_gas_again(up, fading_each_in_its_own_way, 4).verdict == "oxygen"
    warmer_by_a_little = {socket: 1.008 * mv for socket, mv in up.items()}
    assert check_gas_again(up, warmer_by_a_little, 4).verdict == "oxygen"
    meter_gained = {socket: 1.02 * mv for socket, mv in up.items()}
    assert check_gas_again(up, meter_gained, 4).verdict == "off alike"


def test_a_cell_alone_from_the_start_may_drop_and_the_last_of_several_may_not():
    assert check_gas_again({1: 50.0}, {1: 46.5}, 1).verdict == "oxygen"
    assert check_gas_again({1: 50.0}, {1: 46.5}, 2).verdict == "suspect"
    assert check_gas_again({1: 50.0}, {1: 49.5}, 2).verdict == "oxygen"
    assert check_gas_again({1: 50.0}, {1: 40.0}, 1).verdict == "suspect"
    assert check_gas_again({}, {1: 40.0}, 2).verdict == "not checked"


def watch(series, in_oxygen=True, others=50.0, step_s=0.4):
    """Feed socket 1 a series of outputs (None: no reading) beside a healthy socket 2."""
    cells = CellWatch((1, 2))
    found = []
    for number, mv in enumerate(series):
        reading = Reading(None, "over") if mv is None else Reading(mv)
        other = Reading(None, "timeout") if others is None else Reading(others)
        found += cells.look(number * step_s, {1: reading, 2: other}, 1.6, in_oxygen)
    return [(one.socket, one.finding) for one in found], cells


def test_a_jump_without_pressure_that_stays_is_an_unplugged_cell():
    found, cells = watch([50.0] * 10 + [3.0] * 10)
    assert found == [(1, "unplugged")]
    assert cells.gone == {1}


def test_a_spike_of_a_bad_contact_is_not():
    assert watch([50.0] * 10 + [20.0, 50.0, 49.9, 10.0] + [50.0] * 10)[0] == []


def test_a_slow_fall_is_a_cell_and_not_a_plug():
    assert watch([50.0 - 0.5 * n for n in range(60)])[0] == []


def test_a_dead_cell_shows_in_oxygen_only():
    assert watch([0.1] * 30)[0] == [(1, "shorted")]
    assert watch([0.1] * 30, in_oxygen=False)[0] == []


def test_an_empty_socket_is_distinguished_from_a_dead_meter():
    assert watch([None] * 10)[0] == [(1, "no_cell")]
    assert watch([None] * 10, others=None)[0] == []
    assert watch([50.0] * 5 + [None] * 10)[0] == [(1, "unplugged")]


def test_what_to_do_about_a_suspect_gas_follows_its_possible_causes():
    in_air = {1: 10.0, 2: 11.0}
    low = check_gas(in_air, 0.2095, {1: 30.0, 2: 33.0}, 1.0)
    assert "the pot held no fresh air before" in low.text
    assert "air it" in low.do_now
    assert "contents and that the purge" in low.do_now
    high = check_gas(in_air, 0.2095, {1: 55.0, 2: 60.0}, 1.0)
    assert "fresh air" not in high.text
    assert "voltmeter" in high.do_now
    changed = check_gas_again({1: 50.0, 2: 50.0}, {1: 45.0, 2: 45.1}, 2)
    assert "gauges or meter" in changed.text
    assert "voltmeter" in changed.do_now
    assert "purge really flowed" not in changed.do_now
