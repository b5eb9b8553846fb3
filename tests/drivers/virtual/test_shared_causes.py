"""Faults that strike several parts at once, or that an instrument answers politely."""

from dataclasses import replace

import pytest

from drivers.errors import DriverError, LinkDown, LinkTimeout
from drivers.virtual_spec import FaultSpec, VirtualBenchError, VirtualInstrument


@pytest.fixture
def filled(start_rig):
    """A pot at 1.5 bar, vent shut, supply off, quiet for a while."""
    rig = start_rig()
    rig.arm()
    rig.fill_to(1.5)
    rig.wait(60.0)
    return rig


def strike(rig, name, **fields):
    rig.session.inject(FaultSpec(name, at_s=0.0, **fields))


def readings(rig):
    return [gauge.read_pressure_bar() for gauge in (rig.gauge_a, rig.gauge_b)]


def test_gauges_behind_a_shut_manifold_keep_their_gas_and_go_on_converting(filled):
    before_bar = filled.session.pot().pressure_bar
    strike(filled, "gauge_manifold_shut", duration_s=60.0)
    filled.valves.open_vent()
    seen = []
    for _ in range(20):
        filled.wait(1.0)
        seen.append(readings(filled))
    assert filled.session.pot().pressure_bar < 1.02
    for gauge in zip(*seen, strict=True):
        assert len(set(gauge)) > 10
        assert gauge == pytest.approx([before_bar] * 20, abs=4e-3)
    filled.wait(41.0)
    assert readings(filled) == pytest.approx([1.0, 1.0], abs=0.03)


def test_behind_a_clogged_tee_the_gauges_follow_the_vent_and_the_pot_keeps_its_gas(filled):
    full_bar = filled.session.pot().pressure_bar
    strike(filled, "tee_clogged")
    filled.wait(1.0)
    assert readings(filled) == pytest.approx([full_bar] * 2, abs=4e-3)
    filled.valves.open_vent()
    filled.wait(0.3)
    assert readings(filled) == pytest.approx([1.0, 1.0], abs=4e-3)
    assert filled.session.pot().pressure_bar == pytest.approx(full_bar, abs=0.01)
    assert not filled.session.pot().vent_open
    filled.valves.shut_vent()
    filled.valves.open_supply_for(500)
    filled.wait(1.0)
    assert readings(filled) == pytest.approx([1.0, 1.0], abs=4e-3)
    assert filled.session.pot().pressure_bar > full_bar + 0.01


def test_a_manifold_shut_before_the_tee_clogs_keeps_the_older_gas(filled):
    strike(filled, "gauge_manifold_shut")
    strike(filled, "tee_clogged", duration_s=10.0)
    filled.valves.open_vent()
    filled.wait(5.0)
    assert min(readings(filled)) > 1.4
    filled.wait(30.0)
    assert filled.session.pot().pressure_bar < 1.02


def test_a_gain_error_grows_with_pressure_on_one_gauge_or_both(filled):
    true_bar = filled.session.pot().pressure_bar
    strike(filled, "gauge_gain", target="both", duration_s=1.0)
    assert readings(filled) == pytest.approx([0.97 * true_bar] * 2, abs=4e-3)
    filled.wait(2.0)
    strike(filled, "gauge_gain", value=0.02)
    assert readings(filled) == pytest.approx([1.02 * true_bar, true_bar], abs=4e-3)


def test_a_gateway_takes_everything_on_modbus_with_it_and_brings_it_back(filled):
    strike(filled, "gateway_down", duration_s=5.0)
    for request in (
        filled.gauge_a.read_pressure_bar,
        filled.gauge_b.read_pressure_bar,
        filled.barometer.read_barometer_bar,
        filled.room.read_oxygen_percent,
        filled.valves.read_state,
    ):
        with pytest.raises((LinkTimeout, LinkDown)):
            request()
    assert all(value is not None for value in filled.scan_mv())
    assert 15.0 < filled.thermometer.read_temperature_c() < 25.0
    filled.clock.sleep_until(filled.clock.monotonic_s() + 8.0)
    assert filled.valves.read_state().vent_open
    assert min(readings(filled)) > 0.9


@pytest.mark.parametrize("mode", ["direct", "lockstep"])
def test_a_busy_block_answers_so_by_the_seed_and_carries_nothing_out(start_rig, mode):
    rig = start_rig(mode=mode)
    rig.arm()
    strike(rig, "valves_busy", value=0.3)
    refusals = {}
    for count in range(200):
        rig.clock.sleep_until(rig.clock.monotonic_s() + 0.5)
        try:
            rig.valves.beat(1000 + count)
        except DriverError as error:
            refusals[count] = str(error)
    assert 0.2 < len(refusals) / 200 < 0.4
    assert set(refusals.values()) == {"valves: answered register 5 with Modbus exception 6, busy"}
    assert list(refusals)[:6] == [2, 4, 6, 12, 15, 16]


def test_a_request_repeated_at_once_is_drawn_again(start_rig):
    rig = start_rig()
    strike(rig, "valves_busy", value=0.5)
    answered = 0
    for _ in range(40):
        try:
            rig.valves.read_state()
            answered += 1
        except DriverError:
            continue
    assert 10 < answered < 30


@pytest.mark.parametrize("mode", ["direct", "lockstep"])
def test_commands_that_are_answered_busy_alone(start_rig, mode):
    rig = start_rig(mode=mode)
    rig.arm()
    strike(rig, "de_energise_busy")
    strike(rig, "beats_refused", duration_s=4.0)
    with pytest.raises(DriverError, match="answered register 16 with Modbus exception 6, busy"):
        rig.valves.de_energise()
    with pytest.raises(DriverError, match="answered register 5 with Modbus exception 6, busy"):
        rig.beat()
    assert not rig.valves.read_state().vent_open
    rig.clock.sleep_until(rig.clock.monotonic_s() + 5.0)
    assert rig.valves.read_state().watchdog_tripped
    rig.beat()
    with pytest.raises(DriverError, match="busy"):
        rig.valves.de_energise()


def test_a_foreign_master_fills_against_our_de_energising_until_it_leaves(start_rig):
    rig = start_rig()
    rig.arm()
    rig.valves.write_owner(5)
    strike(rig, "foreign_master", value=77, duration_s=60.0)
    assert rig.valves.read_owner() == 77
    beats = set()
    for _ in range(50):
        rig.valves.de_energise()
        rig.clock.sleep_until(rig.clock.monotonic_s() + 0.97)
        beats.add(rig.valves.read_state().heartbeat)
    assert len(beats) == 50
    assert rig.session.pot().pressure_bar > 1.2
    rig.clock.sleep_until(rig.clock.monotonic_s() + 15.0)
    assert rig.valves.read_state().watchdog_tripped
    rig.clock.sleep_until(rig.clock.monotonic_s() + 60.0)
    assert rig.session.pot().pressure_bar < 1.05


def test_a_foreign_master_fills_up_to_the_pressure_switch(start_rig):
    rig = start_rig(supply_pressure_bar=5.0)
    strike(rig, "foreign_master")
    rig.clock.sleep_until(400.0)
    assert 2.7 < rig.session.pot().highest_pressure_bar < 2.8
    assert rig.session.pot().pressure_switch_tripped


def test_a_seeping_seat_enriches_a_vented_pot_and_raises_a_shut_one(start_rig):
    rig = start_rig()
    strike(rig, "supply_seeps")
    rig.clock.sleep_until(120.0)
    used_l = rig.session.pot().gas_used_l
    assert used_l == pytest.approx(120.0 * 0.5e-3, rel=0.02)
    assert rig.session.pot().oxygen_fraction > 0.24
    assert rig.session.pot().pressure_bar < 1.03
    rig.arm()
    before_bar = rig.session.pot().pressure_bar
    rig.wait(60.0)
    assert rig.session.pot().pressure_bar - before_bar == pytest.approx(60.0 * 0.5e-3, rel=0.1)


def test_a_pot_that_was_never_aired_shows_in_the_cells(start_rig):
    rig = start_rig()
    rig.wait(30.0)
    aired = rig.scan_mv()
    strike(rig, "pot_enriched")
    assert rig.session.pot().oxygen_fraction == pytest.approx(0.4)
    rig.wait(60.0)
    assert rig.scan_mv()[0] == pytest.approx(aired[0] * 0.4 / 0.207, rel=0.02)


@pytest.mark.parametrize("mode", ["direct", "lockstep"])
def test_a_frozen_voltmeter_repeats_its_last_scan_to_the_last_bit(start_rig, mode):
    rig = start_rig(mode=mode)
    last = rig.scan_mv()
    strike(rig, "voltmeter_frozen", duration_s=20.0)
    for _ in range(5):
        rig.wait(2.0)
        assert rig.scan_mv() == last
    rig.wait(20.0)
    assert rig.scan_mv() != last


def test_a_voltmeter_frozen_before_its_first_scan_repeats_that_one(start_rig):
    rig = start_rig(faults=(FaultSpec("voltmeter_frozen", 0.0),))
    first = rig.scan_mv()
    rig.wait(5.0)
    assert rig.scan_mv() == first
    assert len(set(first)) == 6


def test_gain_and_exchanged_channels_of_the_voltmeter(filled):
    before = filled.scan_mv()
    strike(filled, "voltmeter_gain", duration_s=1.0)
    assert filled.scan_mv() == pytest.approx([1.02 * value for value in before], rel=2e-3)
    filled.wait(2.0)
    strike(filled, "channels_swapped", target="2", duration_s=1.0)
    after = filled.scan_mv()
    assert after[1:3] == pytest.approx(before[2:0:-1], rel=2e-3)
    assert after[0] == pytest.approx(before[0], rel=2e-3)
    filled.wait(2.0)
    strike(filled, "channels_swapped", target="6")
    assert filled.scan_mv()[5] == pytest.approx(before[0], rel=2e-3)


def test_a_millivolt_module_freezes_gains_and_swaps_as_well(six_cell_spec, start_rig):
    instruments = dict(six_cell_spec.instruments)
    instruments["scanner"] = VirtualInstrument("voltmeter", "modbus_millivolts", "TM-00031")
    rig = start_rig(instruments=instruments)

    def shown():
        rig.wait(1.0)
        rig.scanner.begin_scan()
        return [reading.output_mv for reading in rig.scanner.collect_scan()][:6]

    before = shown()
    strike(rig, "voltmeter_frozen", duration_s=2.5)
    assert shown() == before
    rig.wait(2.0)
    strike(rig, "channels_swapped", target="1", duration_s=1.5)
    assert shown()[:2] == pytest.approx(before[1::-1], rel=1e-2)
    rig.wait(2.0)
    strike(rig, "voltmeter_gain", value=-0.1)
    assert shown() == pytest.approx([0.9 * value for value in before], rel=1e-2)


def test_a_lid_comes_off_without_pressure_alone_and_the_pot_fills_with_room_air(filled):
    with pytest.raises(
        VirtualBenchError, match=r"lid: pressure holds it \(\+0\.4\d bar .*vent the pot first"
    ):
        filled.session.lid(off=True)
    assert filled.session.pot().lid_closed
    filled.valves.open_vent()
    filled.wait(60.0)
    filled.session.lid(off=True)
    assert filled.valves.read_state().lid_closed is False
    filled.wait(30.0)
    assert filled.session.pot().oxygen_fraction == pytest.approx(0.207, abs=0.003)
    filled.session.lid(off=False)
    assert filled.valves.read_state().lid_closed is True
    assert filled.session.pot().lid_closed


def test_what_the_bench_has_no_part_for_is_refused_in_one_line(six_cell_spec, start_rig):
    rig = start_rig(cells={1: "TB-0417"})
    with pytest.raises(VirtualBenchError, match="takes two occupied sockets"):
        strike(rig, "channels_swapped", target="1")
    by_hand = {
        name: replace(instrument)
        for name, instrument in six_cell_spec.instruments.items()
        if name in ("scanner", "thermometer")
    }
    from drivers.virtual.start import start

    session = start(replace(six_cell_spec, instruments=by_hand))
    for name in ("gauge_manifold_shut", "tee_clogged", "gateway_down", "valves_busy", "foreign_master"):
        with pytest.raises(VirtualBenchError, match=f"fault {name}: this bench has no ") as error:
            session.inject(FaultSpec(name, 0.0))
        assert "\n" not in str(error.value)
