"""Other instruments: electronic pressure controller, millivolt module, Modbus thermometer."""

from dataclasses import replace

import pytest

from drivers.catalogue import open_instrument
from drivers.errors import LinkDown, NoReading, Refused
from drivers.ports import InstrumentSpec, PressureController, Voltmeter
from drivers.virtual.describe import describe
from drivers.virtual.start import start
from drivers.virtual_spec import FaultSpec, VirtualBenchError, VirtualInstrument, VirtualSpec


@pytest.fixture
def start_bench():
    running = []

    def begin(mode="direct", controller="scpi_pressure_controller", **changes):
        played = {
            "volts": VirtualInstrument(
                "voltmeter", "modbus_millivolts", "TWM-0007", options={"proof": {"address": 16}}
            ),
            "gauge": VirtualInstrument("gauge", "modbus_gauge"),
            "thermometer": VirtualInstrument("thermometer", "modbus_thermometer"),
            "controller": VirtualInstrument("controller", controller),
        }
        spec = VirtualSpec(
            mode=mode,
            room_pressure_bar=1.0,
            cells={1: "TB-0417", 2: "OS-1123"},
            instruments=played,
            **changes,
        )
        session = start(spec)
        instruments = dict(session.instruments)
        for name, endpoint in session.endpoints.items():
            instruments[name] = open_instrument(
                InstrumentSpec(name, played[name].driver, endpoint, "", 5.0, played[name].options),
                clock=session.clock,
            )
        for instrument in instruments.values():
            instrument.configure()
        running.append((session, instruments))
        return session, instruments

    yield begin
    for session, instruments in running:
        for instrument in instruments.values():
            instrument.close()
        session.stop()


def run(session, seconds):
    end_s = session.clock.monotonic_s() + seconds
    while session.clock.monotonic_s() < end_s - 1e-9:
        session.clock.sleep_until(min(session.clock.monotonic_s() + 0.2, end_s))


def test_the_ports_are_those_that_the_rig_knows(start_bench):
    _, instruments = start_bench()
    assert isinstance(instruments["controller"], PressureController)
    assert isinstance(instruments["volts"], Voltmeter)


def test_the_controller_ramps_both_ways_and_holds(start_bench):
    session, instruments = start_bench()
    controller = instruments["controller"]
    controller.set_ramp_bar_per_min(0.5)
    controller.set_pressure_bar(1.5)
    controller.hold_output(True)
    run(session, 30.0)
    assert session.pot().pressure_bar == pytest.approx(1.25, abs=0.01)
    run(session, 60.0)
    assert session.pot().pressure_bar == pytest.approx(1.5, abs=1e-3)
    assert session.pot().highest_pressure_bar < 1.505
    assert controller.read_pressure_bar() == pytest.approx(1.5, abs=3e-3)
    controller.set_pressure_bar(1.2)
    run(session, 18.0)
    assert session.pot().pressure_bar == pytest.approx(1.35, abs=0.01)
    run(session, 60.0)
    assert session.pot().pressure_bar == pytest.approx(1.2, abs=1e-3)


def test_measuring_keeps_both_valves_shut_and_venting_vents(start_bench):
    session, instruments = start_bench()
    controller = instruments["controller"]
    controller.set_ramp_bar_per_min(1.0)
    controller.set_pressure_bar(1.6)
    controller.hold_output(True)
    run(session, 90.0)
    controller.hold_output(False)
    used_l = session.pot().gas_used_l
    run(session, 30.0)
    assert session.pot().pressure_bar == pytest.approx(1.6, abs=5e-3)
    assert session.pot().gas_used_l == used_l
    controller.vent()
    run(session, 60.0)
    assert session.pot().pressure_bar == pytest.approx(1.0, abs=1e-3)
    assert session.pot().vent_open


@pytest.mark.parametrize("pressure_bar", [0.5, 2.6, float("nan")])
def test_set_points_out_of_range_are_refused(start_bench, pressure_bar):
    _, instruments = start_bench()
    with pytest.raises(Refused):
        instruments["controller"].set_pressure_bar(pressure_bar)
    with pytest.raises(Refused):
        instruments["controller"].set_ramp_bar_per_min(5.0)


def test_the_module_reads_every_socket_and_knows_no_scan(start_bench):
    session, instruments = start_bench()
    volts = instruments["volts"]
    run(session, 1.0)
    volts.begin_scan()
    readings = volts.collect_scan()
    assert [reading.socket for reading in readings] == list(range(1, 9))
    assert readings[0].output_mv == pytest.approx(10.4, abs=0.2)
    assert readings[1].output_mv == pytest.approx(8.5, abs=0.2)
    with pytest.raises(VirtualBenchError, match="has no scan command"):
        session.inject(FaultSpec("voltmeter_refuses", 0.0))
    session.inject(FaultSpec("voltmeter_link_lost", 0.0))
    with pytest.raises(LinkDown):
        volts.begin_scan()


def test_faults_of_a_part_that_is_not_there_are_refused(start_bench):
    session, _ = start_bench()
    for name in ("power_loss", "barometer_wrong", "second_gauge_stuck"):
        with pytest.raises(VirtualBenchError, match="this bench has no"):
            session.inject(FaultSpec(name, 0.0))


def test_a_thermometer_without_its_probe_has_no_reading(start_bench):
    for mode in ("direct", "lockstep"):
        session, instruments = start_bench(mode)
        session.inject(FaultSpec("thermometer_open", 0.0))
        with pytest.raises(NoReading):
            instruments["thermometer"].read_temperature_c()


def readings_of(session, instruments):
    rows = []
    controller = instruments["controller"]
    controller.set_ramp_bar_per_min(0.8)
    controller.set_pressure_bar(1.3)
    controller.hold_output(True)
    for tick in range(1, 80):
        instruments["volts"].begin_scan()
        rows.append(
            (
                session.clock.monotonic_s(),
                instruments["gauge"].read_pressure_bar(),
                controller.read_pressure_bar(),
                instruments["thermometer"].read_temperature_c(),
                tuple(
                    (reading.socket, reading.output_mv, reading.status, reading.offset_s)
                    for reading in instruments["volts"].collect_scan()
                ),
            )
        )
        if tick == 60:
            controller.vent()
        session.clock.sleep_until(tick * 0.2)
    return rows


@pytest.mark.parametrize("controller", ["scpi_pressure_controller", "modbus_pressure_controller"])
def test_lockstep_reads_what_the_direct_bench_reads(start_bench, controller):
    direct, wired = (readings_of(*start_bench(mode, controller)) for mode in ("direct", "lockstep"))
    assert direct == wired
    assert direct[59][1] > 1.1
    assert direct[-1][1] < direct[59][1]


def test_the_manual_has_the_controller_on_either_wire(start_bench):
    spec = VirtualSpec(
        instruments={
            "a": VirtualInstrument("controller", "scpi_pressure_controller"),
            "b": VirtualInstrument("controller", "modbus_pressure_controller"),
            "c": VirtualInstrument("voltmeter", "modbus_millivolts"),
            "d": VirtualInstrument("thermometer", "modbus_thermometer"),
        }
    )
    text = describe(spec)
    for words in (
        "SOURce:PRESsure:SLEW",
        "mode: 0 measure",
        "channels 1 to 8",
        "temperature in degrees Celsius, 32-bit",
    ):
        assert words in text


def test_a_driver_whose_wire_the_bench_does_not_speak_is_refused(six_cell_spec):
    played = {"meter": VirtualInstrument("gauge", "typed_gauge")}
    with pytest.raises(VirtualBenchError, match="cannot play a gauge for the driver 'typed_gauge'"):
        start(replace(six_cell_spec, mode="lockstep", instruments=played))


def hand_pot_readings(mode):
    played = {"gauge": VirtualInstrument("gauge", "modbus_gauge")}
    session = start(VirtualSpec(mode=mode, room_pressure_bar=1.0, instruments=played))
    gauge = session.instruments.get("gauge") or open_instrument(
        InstrumentSpec("gauge", "modbus_gauge", session.endpoints["gauge"], "", 5.0), clock=session.clock
    )
    readings = []
    try:
        for valve, opening, seconds in (
            ("vent", 0.0, 1.0),
            ("supply", 0.2, 60.0),
            ("supply", 0.0, 30.0),
            ("vent", 0.5, 90.0),
        ):
            session.turn(valve, opening)
            run(session, seconds)
            readings.append(gauge.read_pressure_bar())
        with pytest.raises(VirtualBenchError, match="write supply or vent"):
            session.turn("drain", 1.0)
        with pytest.raises(VirtualBenchError, match=r"write 0 \(shut\) to 1"):
            session.turn("vent", 1.1)
    finally:
        gauge.close()
        session.stop()
    return readings


def test_a_person_turns_the_valves_of_a_hand_pot_and_it_is_the_same_over_the_wire():
    direct = hand_pot_readings("direct")
    shut, filled, kept, vented = direct
    assert shut == pytest.approx(1.0, abs=0.003)
    assert filled == pytest.approx(1.5, abs=0.1)
    assert kept == pytest.approx(filled, abs=0.03)
    assert vented == pytest.approx(1.0, abs=0.003)
    assert hand_pot_readings("lockstep") == direct


def test_a_bench_with_a_controller_has_no_hand_valves(start_bench):
    session, _ = start_bench()
    with pytest.raises(VirtualBenchError, match="controller instead of hand valves"):
        session.turn("supply", 0.1)


@pytest.mark.parametrize("why", ["measure", "vent_blocked"])
def test_an_inlet_that_stays_open_fills_what_the_controller_does_not_let_out(start_bench, why):
    session, instruments = start_bench()
    controller = instruments["controller"]
    controller.set_ramp_bar_per_min(0.5)
    controller.set_pressure_bar(1.2)
    controller.hold_output(True)
    run(session, 60.0)
    session.inject(FaultSpec("supply_stuck_open", 0.0))
    run(session, 30.0)
    held = session.pot()
    assert held.supply_open
    assert held.pressure_bar == pytest.approx(1.2, abs=0.05)
    assert held.gas_used_l > 1.0
    if why == "measure":
        controller.hold_output(False)
    else:
        session.inject(FaultSpec("vent_blocked", 0.0))
    run(session, 60.0)
    assert session.pot().pressure_bar > 1.9
