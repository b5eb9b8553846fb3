"""Every fault shows where it should, ends when its time is over, and is refused when it is not possible."""

import math
import re

import pytest

from drivers.errors import BadReply, DriverError, LinkDown, LinkTimeout, NoReading, Refused, WrongInstrument
from drivers.ports import ReadingStatus
from drivers.virtual.faults.catalogue import fault_kinds
from drivers.virtual_spec import FaultSpec, VirtualBenchError, parse_fault

KINDS = {kind.name: kind for kind in fault_kinds()}


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


def gauge_shift(rig, name, **fields):
    before = rig.gauge_a.read_pressure_bar()
    strike(rig, name, **fields)
    return rig.gauge_a.read_pressure_bar() - before


def test_the_catalogue_covers_the_rows_that_a_bench_can_play():
    assert len(KINDS) >= 34
    rows = {kind.row for kind in KINDS.values()}
    # 21 signals, 23 full disk, 34 edited file and 35 absent operator are the rig's own.
    assert rows == set(range(1, 37)) - {21, 23, 34, 35}
    assert all(kind.text and kind.text[0].islower() for kind in KINDS.values())
    assert all((kind.default_value is None) == (not kind.value_unit) for kind in KINDS.values())
    numbers = [kind.row for kind in fault_kinds()]
    assert numbers == sorted(numbers)


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_fault_can_begin_and_end_and_the_bench_lives_on(start_rig, name):
    rig = start_rig(faults=(FaultSpec(name, at_s=2.0, duration_s=5.0),))
    rig.arm()
    for _ in range(60):
        for call in (
            rig.beat,
            rig.gauge_a.read_pressure_bar,
            rig.scanner.begin_scan,
            rig.scanner.collect_scan,
        ):
            try:
                call()
            except DriverError:
                continue
        rig.clock.sleep_until(rig.clock.monotonic_s() + 0.3)
    for instrument in (rig.gauge_a, rig.gauge_b, rig.scanner, rig.thermometer, rig.barometer, rig.valves):
        instrument.configure()
    pot = rig.session.pot()
    assert math.isfinite(pot.pressure_bar)
    assert 0.5 < pot.pressure_bar < 3.5


def test_a_stuck_gauge_repeats_itself_to_the_last_bit(filled):
    strike(filled, "gauge_stuck")
    values = set()
    for _ in range(10):
        filled.wait(0.2)
        values.add(filled.gauge_a.read_pressure_bar())
    assert len(values) == 1
    strike(filled, "second_gauge_stuck")
    first = filled.gauge_b.read_pressure_bar()
    filled.wait(1.0)
    assert filled.gauge_b.read_pressure_bar() == first


def test_gauge_offset_and_drift(filled):
    assert gauge_shift(filled, "gauge_offset", duration_s=10.0) == pytest.approx(-0.12, abs=1e-3)
    filled.wait(11.0)
    before = filled.gauge_a.read_pressure_bar()
    strike(filled, "gauge_drift")
    filled.wait(20.0)
    assert filled.gauge_a.read_pressure_bar() - before == pytest.approx(0.04, abs=2e-3)


@pytest.mark.parametrize(
    ("name", "error", "status"),
    [
        ("gauge_not_a_number", NoReading, ReadingStatus.NO_VALUE),
        ("gauge_overload", BadReply, ReadingStatus.BAD_REPLY),
        ("gauge_out_of_range", NoReading, ReadingStatus.OVER),
        ("gauge_sensor_fault", NoReading, ReadingStatus.NO_VALUE),
        ("gauge_link_lost", LinkDown, ReadingStatus.LINK_DOWN),
        ("gauge_silent", LinkTimeout, ReadingStatus.TIMEOUT),
        ("gauge_word_order", WrongInstrument, None),
        ("gauge_unit_kpa", BadReply, ReadingStatus.BAD_REPLY),
    ],
)
def test_a_gauge_without_a_reading_says_why(filled, name, error, status):
    strike(filled, name)
    with pytest.raises(error) as caught:
        filled.gauge_a.read_pressure_bar()
    if status is not None:
        assert caught.value.status is status
    assert filled.gauge_b.read_pressure_bar() == pytest.approx(1.48, abs=0.03)


def test_units_that_a_gauge_does_not_own_up_to(start_rig):
    rig = start_rig()
    for name, shown in (("gauge_unit_psi", 14.5), ("gauge_unit_atm", 0.987)):
        rig.session.inject(FaultSpec(name, at_s=0.0, duration_s=1.0))
        assert rig.gauge_a.read_pressure_bar() == pytest.approx(shown, rel=3e-3)
        rig.wait(1.5)
    rig.session.inject(FaultSpec("gauge_unit_gauge", at_s=0.0, target="both"))
    for gauge in (rig.gauge_a, rig.gauge_b):
        with pytest.raises(BadReply):
            gauge.read_pressure_bar()


def test_slow_replies_cost_the_deadline_and_then_a_pause(filled):
    strike(filled, "slow_replies", target="voltmeter")
    before_s = filled.clock.monotonic_s()
    with pytest.raises(LinkTimeout):
        filled.scanner.begin_scan()
    assert filled.clock.monotonic_s() - before_s == pytest.approx(0.2)
    with pytest.raises(LinkTimeout):
        filled.scanner.begin_scan()
    with pytest.raises(LinkDown):
        filled.scanner.begin_scan()
    assert filled.clock.monotonic_s() - before_s == pytest.approx(0.4)


def test_gas_past_every_valve(filled):
    before_bar = filled.session.pot().pressure_bar
    strike(filled, "over_pressure", duration_s=5.0)
    filled.wait(5.0)
    # 0.05 bar/s of gas that brings its heat of compression with it, up to 1.4 times.
    assert 0.2 < filled.session.pot().pressure_bar - before_bar < 0.4


def test_shots_that_last_too_long(filled):
    def dose():
        before = filled.session.pot().gas_used_l
        filled.valves.open_supply_for(100)
        filled.wait(2.0)
        return filled.session.pot().gas_used_l - before

    usual = dose()
    strike(filled, "shots_too_long")
    assert dose() > 2.5 * usual


@pytest.mark.parametrize(
    ("name", "least_bar", "most_bar"),
    [("supply_stuck_open", 0.2, 0.7), ("leak_large", -0.1, -0.01), ("vent_stuck_open", -0.5, -0.3)],
)
def test_pressure_moves_without_a_command(filled, name, least_bar, most_bar):
    before_bar = filled.session.pot().pressure_bar
    strike(filled, name)
    filled.wait(10.0)
    assert least_bar < filled.session.pot().pressure_bar - before_bar < most_bar


def test_a_small_leak_is_small(filled):
    before_bar = filled.session.pot().pressure_bar
    strike(filled, "leak_small")
    filled.wait(60.0)
    assert 1e-3 < before_bar - filled.session.pot().pressure_bar < 8e-3


@pytest.mark.parametrize("name", ["supply_stuck_shut", "cylinder_empty"])
def test_doses_bring_nothing(filled, name):
    strike(filled, name)
    before_bar = filled.session.pot().pressure_bar
    for _ in range(5):
        filled.valves.open_supply_for(200)
        filled.wait(1.0)
    assert filled.session.pot().pressure_bar - before_bar < 2e-3
    assert not filled.valves.read_state().supply_open


def test_a_creeping_regulator_doses_more_and_more(filled):
    strike(filled, "regulator_creep", value=0.1)
    doses = []
    for _ in range(3):
        before = filled.session.pot().gas_used_l
        filled.valves.open_supply_for(100)
        filled.wait(10.0)
        doses.append(filled.session.pot().gas_used_l - before)
    assert doses[1] > 1.1 * doses[0]
    assert doses[2] > 1.1 * doses[1]


@pytest.mark.parametrize(("name", "most_bar"), [("vent_stuck_shut", 0.01), ("vent_blocked", 0.2)])
def test_a_vent_that_does_not_vent(filled, name, most_bar):
    before_bar = filled.session.pot().pressure_bar
    strike(filled, name)
    filled.valves.open_vent()
    filled.wait(15.0)
    assert before_bar - filled.session.pot().pressure_bar < most_bar
    assert filled.valves.read_state().vent_open


def purged_fraction(rig):
    rig.arm()
    for _ in range(7):
        rig.fill_to(2.0)
        rig.valves.open_vent()
        rig.wait(15.0)
        rig.valves.shut_vent()
    return rig.session.pot().oxygen_fraction


def test_dead_space_and_a_wrong_gas_spoil_the_purge(start_rig):
    good = purged_fraction(start_rig())
    dead_space = purged_fraction(start_rig(faults=(FaultSpec("purge_dead_space", 0.0),)))
    air = purged_fraction(start_rig(faults=(FaultSpec("wrong_gas", 0.0),)))
    assert good > 0.975
    assert dead_space < good - 0.01
    assert air < 0.25


def test_a_relief_valve_that_lifts_early_stops_the_fill_there(filled):
    strike(filled, "relief_early", value=1.6)
    for _ in range(40):
        filled.valves.open_supply_for(400)
        filled.wait(0.5)
    pot = filled.session.pot()
    assert pot.relief_lifts > 0
    assert pot.highest_pressure_bar < 1.75


def test_layers_taken_away_show_only_with_another_fault(start_rig):
    rig = start_rig(
        faults=(
            FaultSpec("relief_stuck", 0.0),
            FaultSpec("pressure_switch_dead", 0.0),
            FaultSpec("watchdog_dead", 0.0),
            FaultSpec("supply_stuck_open", 10.0),
        )
    )
    rig.arm()
    rig.clock.sleep_until(9.0)
    assert not rig.session.pot().vent_open
    rig.clock.sleep_until(300.0)
    pot = rig.session.pot()
    assert pot.highest_pressure_bar > 3.5
    assert pot.relief_lifts == 0
    assert not pot.pressure_switch_tripped


@pytest.mark.parametrize(
    ("name", "error"), [("voltmeter_link_lost", LinkDown), ("voltmeter_silent", LinkTimeout)]
)
def test_a_voltmeter_that_is_gone(filled, name, error):
    strike(filled, name)
    with pytest.raises(error):
        filled.scanner.begin_scan()
    assert filled.gauge_a.read_pressure_bar() > 1.4


def test_a_voltmeter_that_overloads_or_refuses(filled):
    strike(filled, "voltmeter_overload", duration_s=1.0)
    filled.scanner.begin_scan()
    assert {reading.status for reading in filled.scanner.collect_scan()} == {ReadingStatus.OVER}
    filled.wait(2.0)
    strike(filled, "voltmeter_refuses")
    with pytest.raises(Refused):
        filled.scanner.begin_scan()


def test_one_cell_unplugged_noisy_or_shorted(filled):
    healthy = filled.scan_mv()
    strike(filled, "cell_unplugged", target="3")
    strike(filled, "cell_shorted", target="5")
    scans = []
    for _ in range(50):
        scans.append(filled.scan_mv())
        filled.wait(0.2)
    for index in (0, 1, 3, 5):
        assert all(scan[index] == pytest.approx(healthy[index], abs=0.3) for scan in scans)
    third = [scan[2] for scan in scans]
    assert max(third) - min(third) > 2.0
    assert all(abs(scan[4]) < 1.0 for scan in scans)


def test_power_loss_drops_the_outputs_and_the_link(filled):
    strike(filled, "power_loss", duration_s=30.0)
    with pytest.raises(LinkDown):
        filled.valves.read_state()
    filled.clock.sleep_until(filled.clock.monotonic_s() + 31.0)
    state = filled.valves.read_state()
    assert state.vent_open
    assert state.heartbeat == 0
    assert filled.session.pot().pressure_bar < 1.05


def test_a_heartbeat_that_does_not_arrive_trips_the_watchdog(filled):
    strike(filled, "heartbeat_lost")
    filled.wait(3.0)
    assert filled.valves.read_state().watchdog_tripped
    assert filled.session.pot().vent_open


def test_barometer_and_thermometer(filled):
    strike(filled, "barometer_wrong", duration_s=1.0)
    assert filled.barometer.read_barometer_bar() == pytest.approx(0.55)
    before_c = filled.thermometer.read_temperature_c()
    strike(filled, "temperature_high")
    assert filled.thermometer.read_temperature_c() == pytest.approx(before_c + 25.0, abs=0.1)
    strike(filled, "thermometer_link_lost")
    with pytest.raises(LinkDown):
        filled.thermometer.read_temperature_c()
    strike(filled, "barometer_link_lost")
    with pytest.raises(LinkDown):
        filled.barometer.read_barometer_bar()


def test_the_lid_switch_opens_but_a_lid_under_pressure_stays_on(filled):
    strike(filled, "lid_opened", duration_s=5.0)
    assert filled.valves.read_state().lid_closed is False
    assert filled.session.pot().lid_closed
    filled.wait(6.0)
    assert filled.valves.read_state().lid_closed is True
    filled.valves.open_vent()
    filled.wait(60.0)
    strike(filled, "lid_opened")
    assert not filled.session.pot().lid_closed


def test_another_program_and_a_block_that_does_not_listen(filled):
    filled.valves.write_owner(5)
    strike(filled, "second_controller")
    assert filled.valves.read_owner() == 47_011
    strike(filled, "valves_ignore_writes")
    filled.valves.open_vent()
    assert not filled.valves.read_state().vent_open
    strike(filled, "valves_silent", duration_s=1.0)
    with pytest.raises(LinkTimeout):
        filled.valves.read_state()


def test_the_room_shows_what_it_is_reported_and_its_monitor_can_be_lost(filled):
    assert filled.room.read_oxygen_percent() == pytest.approx(20.9, abs=0.5)
    strike(filled, "room_oxygen", value=24.5)
    assert filled.room.read_oxygen_percent() == pytest.approx(24.5, abs=0.01)
    strike(filled, "room_oxygen_lost")
    with pytest.raises(LinkDown):
        filled.room.read_oxygen_percent()


@pytest.mark.parametrize("role", ["gauge", "second_gauge", "voltmeter", "thermometer", "barometer", "valves"])
def test_another_instrument_at_an_address(start_rig, role):
    rig = start_rig()
    strike(rig, "wrong_instrument", target=role)
    wrong = {
        "gauge": rig.gauge_a,
        "second_gauge": rig.gauge_b,
        "voltmeter": rig.scanner,
        "thermometer": rig.thermometer,
        "barometer": rig.barometer,
        "valves": rig.valves,
    }[role]
    with pytest.raises(WrongInstrument):
        wrong.configure()


@pytest.mark.parametrize(
    ("fault", "text"),
    [
        (FaultSpec("gremlins", 1.0), "no such fault"),
        (FaultSpec("gauge_stuck", -1.0), "seconds from 0"),
        (FaultSpec("gauge_stuck", 1e9), "seconds from 0 to 1000000"),
        (FaultSpec("gauge_stuck", 1.0, duration_s=math.inf), "seconds above 0, up to 1000000"),
        (FaultSpec("slow_replies", 5.0, value=-3.0), "-3 (s) is not possible; give a value from 0 to 3600"),
        (
            FaultSpec("second_controller", 5.0, value=1.5),
            "1.5 (its token) is not possible; give a whole number",
        ),
        (FaultSpec("gauge_stuck", math.nan), "seconds from 0"),
        (FaultSpec("gauge_stuck", 1.0, duration_s=0.0), "seconds above 0"),
        (FaultSpec("gauge_stuck", 1.0, target="voltmeter"), "it affects gauge, second_gauge, both"),
        (FaultSpec("gauge_stuck", 1.0, value=3.0), "takes no value"),
        (FaultSpec("vent_stuck_open", 1.0, target="gauge"), "it has no targets"),
        (FaultSpec("cell_shorted", 1.0, target="8"), "no cell in socket 8; occupied: 1, 2, 3, 4, 5, 6"),
    ],
)
def test_a_fault_that_is_not_possible_is_refused_in_one_line(start_rig, fault, text):
    rig = start_rig()
    with pytest.raises(VirtualBenchError) as error:
        rig.session.inject(fault)
    assert text in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize("name", sorted(name for name, kind in KINDS.items() if kind.value_unit))
def test_every_value_has_a_range_that_the_bench_can_stand_and_nothing_outside_is_taken(start_rig, name):
    kind = KINDS[name]
    assert kind.lowest <= kind.default_value <= kind.highest
    beyond = 1 if kind.whole else 1e-6 * (kind.highest - kind.lowest)
    for value in (
        kind.lowest - beyond,
        kind.highest + beyond,
        math.nan,
        math.inf,
        -math.inf,
        1e9,
        -1e9,
    ):
        with pytest.raises(VirtualBenchError) as error:
            start_rig(faults=(FaultSpec(name, at_s=1.0, value=value),))
        assert re.fullmatch(rf"fault {name}: .* is not possible; give a .* from \S+ to \S+", str(error.value))
    for value in (kind.lowest, kind.highest):
        rig = start_rig(faults=(FaultSpec(name, at_s=1.0, value=value, duration_s=30.0),))
        rig.clock.sleep_until(60.0)
        pot = rig.session.pot()
        assert math.isfinite(pot.pressure_bar)
        assert math.isfinite(pot.gas_temperature_c)
        assert 0.0 <= pot.oxygen_fraction <= 1.0 + 1e-9


@pytest.mark.parametrize("name", ["gauge_offset", "gauge_drift", "temperature_high", "clock_jump"])
def test_what_can_be_off_either_way_takes_negative_values(start_rig, name):
    start_rig(faults=(FaultSpec(name, at_s=1.0, value=-0.12),)).clock.sleep_until(2.0)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("supply_stuck_open@120", FaultSpec("supply_stuck_open", 120.0)),
        ("gauge_offset:both=-0.12@300+60", FaultSpec("gauge_offset", 300.0, 60.0, -0.12, "both")),
        ("cell_unplugged:3@400.5", FaultSpec("cell_unplugged", 400.5, target="3")),
        (" slow_replies=2e-1@0 ", FaultSpec("slow_replies", 0.0, value=0.2)),
    ],
)
def test_faults_as_typed(text, fault):
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    "text",
    [
        "",
        "gauge_stuck",
        "gauge_stuck@",
        "@5",
        "gauge stuck@5",
        "gauge_stuck@5+",
        "a=-@3",
        "gauge_offset=-120mbar@5",
        "gauge_offset=nan@5",
        "gauge_offset=inf@5",
        "gauge_offset=1@-5",
        "gauge_offset=1.2.3@5",
    ],
)
def test_faults_typed_wrong_are_answered_with_the_right_form(text):
    with pytest.raises(VirtualBenchError, match="NAME"):
        parse_fault(text)
