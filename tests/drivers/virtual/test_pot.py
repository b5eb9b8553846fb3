"""The pot's gas against closed forms that are calculated here, not in the pot."""

import math

import pytest

from drivers.virtual.pot import GAS_CONSTANT, MOL_PER_LITRE, Pot, flow_l_per_s, sonic_conductance
from drivers.virtual_spec import VirtualSpec


def make_pot(*, heat_lag_s: float | None = None, mixed: bool = True, **changes: object) -> Pot:
    """A pot in a room of 1.000 bar and 20 degrees Celsius, with almost no weather."""
    spec = {"room_pressure_bar": 1.0, "room_temperature_c": 20.0, "leak_ml_per_s_bar": 0.0} | changes
    pot = Pot(VirtualSpec(**spec))  # type: ignore[arg-type]
    if heat_lag_s is not None:
        pot._heat_lag_s = heat_lag_s
    if mixed:
        pot.set_pocket(1e-6, 0.1)
    return pot


def run(pot: Pot, seconds: float, tick_s: float = 0.2) -> None:
    for _ in range(round(seconds / tick_s)):
        pot.run_to(pot.now_us + round(tick_s * 1e6))


def test_sonic_conductance_is_that_of_the_ideal_nozzle():
    # Choked mass flow of an ideal nozzle, Cd A p1 sqrt(g/(R T)) (2/(g+1))^((g+1)/(2(g-1))): for oxygen at
    # 293.15 K, R = 259.84 J/(kg K), the factor behind Cd A p1 is 0.68473 / sqrt(R T).
    area_m2 = math.pi * (0.5e-3) ** 2
    kg_per_s = 0.8 * area_m2 * 1e5 * 0.684731 / math.sqrt(259.837 * 293.15)
    litres_per_s = kg_per_s / (1e5 / (259.837 * 293.15)) * 1e3
    assert sonic_conductance(1.0) == pytest.approx(litres_per_s, rel=1e-4)
    assert sonic_conductance(0.3) == pytest.approx(0.09 * sonic_conductance(1.0))


@pytest.mark.parametrize(
    ("ratio", "share"),
    # ISO 6358 ellipse with b = 0.528, sqrt(1 - ((r - b)/(1 - b))^2), calculated by hand.
    [(0.2, 1.0), (0.528, 1.0), (0.7, 0.93124), (0.764, 0.86603), (0.9, 0.61558)],
)
def test_flow_follows_the_iso_6358_ellipse(ratio, share):
    assert flow_l_per_s(0.05, 2.0, 2.0 * ratio) == pytest.approx(0.05 * 2.0 * share, rel=2e-4)


def test_flow_fades_to_nothing_at_equal_pressures_and_never_turns():
    flows = [flow_l_per_s(0.05, 1.0 + difference, 1.0) for difference in (4e-3, 2e-3, 1e-3, 1e-5, 0.0)]
    assert flows == sorted(flows, reverse=True)
    assert flows[-1] == 0.0
    assert flow_l_per_s(0.05, 1.0, 1.5) == 0.0


def test_full_open_supply_ramps_a_litre_by_26_bar_per_minute():
    pot = make_pot(heat_lag_s=0.2)
    pot.set_valves(supply_open=True, vent_open=False)
    run(pot, 2.0)
    before_bar = pot.pressure_bar
    run(pot, 10.0)
    assert (pot.pressure_bar - before_bar) * 6.0 == pytest.approx(2.57, abs=0.02)


@pytest.mark.parametrize("volume_l", [0.3, 1.0, 3.0])
def test_pots_of_all_sizes_ramp_alike_and_vent_no_faster_than_ten_bar_per_minute(volume_l):
    pot = make_pot(volume_l=volume_l)
    pot.set_valves(supply_open=True, vent_open=False)
    while pot.pressure_bar < 2.3:
        run(pot, 0.2)
    pot.set_valves(supply_open=False)
    run(pot, 60.0)
    assert pot.now_us * 1e-6 == pytest.approx(91.0, abs=4.0)
    pot.set_valves(vent_open=True)
    fastest = 0.0
    for _ in range(600):
        before_bar = pot.pressure_bar
        run(pot, 0.1, tick_s=0.1)
        fastest = max(fastest, (before_bar - pot.pressure_bar) * 600.0)
    assert 5.0 < fastest < 10.0
    assert pot.pressure_bar == pytest.approx(pot.room_pressure_bar, abs=1e-4)


@pytest.mark.parametrize(("end_bar", "rise_k"), [(1.2, 14.66), (1.6, 35.18), (2.0, 48.86)])
def test_filling_without_heat_loss_warms_as_the_energy_balance_says(end_bar, rise_k):
    # Filling from a line at T, first law: T2 = g T / (1 + (g - 1) p1/p2), from 1 bar and 293.15 K.
    pot = make_pot(heat_lag_s=1e9)
    pot.set_valves(supply_open=True, vent_open=False)
    while pot.pressure_bar < end_bar:
        pot.run_to(pot.now_us + 5_000)
    expected_k = 1.4 * 293.15 / (1.0 + 0.4 / end_bar) - 293.15
    assert expected_k == pytest.approx(rise_k, abs=0.01)
    assert pot.gas_k - 293.15 == pytest.approx(expected_k, abs=0.15)


def test_venting_without_heat_loss_cools_along_the_isentrope():
    pot = make_pot(heat_lag_s=0.2)
    pot.set_valves(supply_open=True, vent_open=False)
    while pot.pressure_bar < 2.4:
        run(pot, 0.2)
    pot.set_valves(supply_open=False)
    run(pot, 10.0)
    start_bar, start_k = pot.pressure_bar, pot.gas_k
    pot._heat_lag_s = 1e9
    pot.set_valves(vent_open=True)
    run(pot, 4.0)
    assert pot.pressure_bar < 2.1
    assert pot.gas_k == pytest.approx(start_k * (pot.pressure_bar / start_bar) ** (0.4 / 1.4), rel=1e-4)


def test_choked_venting_at_wall_temperature_is_an_exponential():
    pot = make_pot(
        heat_lag_s=0.2, supply_pressure_bar=6.0, relief_pressure_bar=None, pressure_switch_bar=None
    )
    pot.set_valves(supply_open=True, vent_open=False)
    while pot.pressure_bar < 4.0:
        run(pot, 0.2)
    pot.set_valves(supply_open=False)
    run(pot, 1.0)
    start_bar, start_us = pot.pressure_bar, pot.now_us
    # All but 0.2 % of the gas that leaves is oxygen or heavier air; molar flow goes as 1/sqrt(M).
    weight = 0.028155 + (0.031998 - 0.028155) * pot.oxygen_fraction
    rate = pot.vent_conductance / pot.volume_l * math.sqrt(0.031998 / weight)
    pot.set_valves(vent_open=True)
    run(pot, 10.0)
    assert pot.pressure_bar > 1.0 / 0.528
    assert pot.pressure_bar == pytest.approx(
        start_bar * math.exp(-rate * (pot.now_us - start_us) * 1e-6), rel=6e-3
    )


def test_swings_purge_by_the_mixing_formula():
    # F_n = F_s - (F_s - F_0) prod(p_low / p_high), perfect mixing; from room air between 1.05 and 2.0 bar.
    pot = make_pot()
    start_fraction = pot.oxygen_fraction
    left = 1.0
    for _ in range(5):
        pot.set_valves(supply_open=True, vent_open=False)
        low_bar = pot.pressure_bar
        while pot.pressure_bar < 2.0:
            run(pot, 0.2)
        pot.set_valves(supply_open=False)
        run(pot, 60.0)
        left *= low_bar / pot.pressure_bar
        assert pot.oxygen_fraction == pytest.approx(0.995 - (0.995 - start_fraction) * left, abs=3e-5)
        pot.set_valves(vent_open=True)
        while pot.pressure_bar > 1.05:
            run(pot, 0.05, tick_s=0.05)
        pot.set_valves(vent_open=False)
        run(pot, 60.0)


def test_a_stagnant_pocket_holds_purity_back_and_gives_in_slowly():
    pot, ideal = make_pot(mixed=False), make_pot()
    for one in (pot, ideal):
        one.set_valves(supply_open=True, vent_open=False)
        while one.pressure_bar < 2.0:
            run(one, 0.2)
        one.set_valves(supply_open=False)
    assert pot.oxygen_fraction > ideal.oxygen_fraction + 0.001
    run(pot, 120.0)
    run(ideal, 120.0)
    assert pot.oxygen_fraction == pytest.approx(ideal.oxygen_fraction, abs=1e-5)


def test_oxygen_and_amount_are_conserved_through_fill_and_rest():
    pot = make_pot(mixed=False)
    before_mol, before_oxygen = pot.amount_mol, pot.amount_mol * pot.oxygen_fraction
    pot.set_valves(supply_open=True, vent_open=False)
    run(pot, 15.0)
    pot.set_valves(supply_open=False)
    run(pot, 300.0)
    oxygen = pot.amount_mol * (pot.oxygen_fraction * (1.0 - pot.pocket) + pot.pocket_fraction * pot.pocket)
    assert pot.amount_mol == pytest.approx(before_mol + pot.used_mol, rel=1e-12)
    assert oxygen == pytest.approx(before_oxygen + 0.995 * pot.used_mol, rel=1e-9)
    assert pot.pressure_bar == pytest.approx(
        pot.amount_mol * GAS_CONSTANT * pot.gas_k / pot.volume_l, rel=1e-9
    )


def test_a_sealed_pot_is_the_same_in_one_step_as_in_many():
    pots = [make_pot(leak_ml_per_s_bar=0.2) for _ in range(2)]
    for pot in pots:
        pot.set_valves(supply_open=True, vent_open=False)
        run(pot, 20.0)
        pot.set_valves(supply_open=False)
        run(pot, 60.0)
    run(pots[0], 40.0, tick_s=0.1)
    run(pots[1], 40.0, tick_s=5.0)
    assert pots[0].pressure_bar == pytest.approx(pots[1].pressure_bar, abs=2e-5)


def test_a_leak_loses_what_its_number_says():
    # 0.2 mL/s per bar at 0.8 bar over the room out of 1 L: 0.16 mbar/s, 9.6 mbar/min.
    pot = make_pot(leak_ml_per_s_bar=0.2)
    pot.set_valves(supply_open=True, vent_open=False)
    while pot.pressure_bar < 1.9:
        run(pot, 0.2)
    pot.set_valves(supply_open=False)
    run(pot, 60.0)
    above_bar, before_mol = pot.pressure_bar - pot.room_pressure_bar, pot.amount_mol
    run(pot, 10.0)
    assert before_mol - pot.amount_mol == pytest.approx(0.2e-3 * above_bar * 10.0 * MOL_PER_LITRE, rel=3e-3)


def test_the_relief_valve_holds_a_stuck_supply_and_without_it_the_pot_reaches_the_regulator():
    held = make_pot(pressure_switch_bar=None)
    bare = make_pot(pressure_switch_bar=None, relief_pressure_bar=None)
    for pot in (held, bare):
        pot.set_valves(vent_open=False)
        pot.supply_stuck = True
        run(pot, 300.0)
    assert held.relief_lifts >= 1
    assert 3.0 <= held.highest_bar < 3.3
    assert bare.pressure_bar == pytest.approx(4.0, abs=0.01)


def test_the_bottle_runs_down_and_then_feeds_no_more():
    pot = make_pot(bottle_l=0.5, bottle_bar=2.5)
    pot.set_valves(supply_open=True, vent_open=False)
    run(pot, 600.0)
    # One volume of 1 L at 1 bar and half a litre at 2.5 bar level out at 1.5 bar.
    assert pot.pressure_bar == pytest.approx(1.5, abs=0.01)
    assert pot.bottle_bar() == pytest.approx(pot.pressure_bar, abs=0.01)


def test_an_open_lid_lets_room_air_in():
    pot = make_pot()
    pot.set_valves(supply_open=True, vent_open=True)
    run(pot, 120.0)
    assert pot.oxygen_fraction > 0.6
    pot.set_valves(supply_open=False)
    pot.lid_off = True
    run(pot, 30.0)
    assert pot.oxygen_fraction == pytest.approx(pot.room_oxygen_fraction, abs=1e-4)
    assert pot.pressure_bar == pytest.approx(pot.room_pressure_bar, abs=1e-6)
