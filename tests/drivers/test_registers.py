"""Every Modbus driver, request by request, against a bank of registers."""

import math
import struct

import pytest

from drivers.catalogue import open_instrument
from drivers.errors import BadReply, BadSpec, Busy, LinkTimeout, NoReading, Refused, WrongInstrument
from drivers.modbus.registers import Number, Registers
from drivers.ports import InstrumentSpec, ReadingStatus


@pytest.fixture
def instrument(peers, opened):
    def make(driver, bank, number="", /, **options):
        address = peers.tcp(bank.serve).modbus
        return opened(open_instrument(InstrumentSpec("unit", driver, address, number, 5.0, options)))

    return make


def test_gauge_reads_everything_that_belongs_together_in_one_request(instrument, gauge_bank):
    gauge = instrument("modbus_gauge", gauge_bank, "TW-1")
    gauge.configure()
    gauge_bank.requests.clear()
    assert gauge.read_pressure_bar() == pytest.approx(1.0132)
    assert gauge.read_barometer_bar() == pytest.approx(1.0132)
    assert gauge_bank.requests == [(3, 0, 13), (3, 0, 13)]
    assert gauge.identify().serial == "TW-1"


def test_gauge_counts_its_conversions_so_that_a_frozen_one_shows(instrument, gauge_bank):
    gauge = instrument("modbus_gauge", gauge_bank)
    assert gauge.conversions is None
    gauge.read_pressure_bar()
    assert gauge.conversions == 7
    gauge_bank.put(12, [8])
    gauge.read_pressure_bar()
    assert gauge.conversions == 8


def test_gauge_set_to_another_unit_is_refused(instrument, gauge_bank):
    gauge_bank.put(5, [3])
    with pytest.raises(WrongInstrument, match="psi absolute; set it to bar absolute"):
        instrument("modbus_gauge", gauge_bank, "TW-1").configure()


def test_gauge_of_another_serial_is_refused(instrument, gauge_bank):
    with pytest.raises(WrongInstrument, match=r"TW-2.*TW-1"):
        instrument("modbus_gauge", gauge_bank, "TW-2").configure()


def test_gauge_that_reads_a_foreign_block_says_so(peers, instrument, gauge_bank):
    gauge = instrument("modbus_gauge", gauge_bank, "TW-1")
    gauge.configure()
    gauge_bank.put(2, peers.float_words(2.5))
    with pytest.raises(BadReply, match=r"3\.14159"):
        gauge.read_pressure_bar()


def test_gauge_without_an_answer_that_can_be_true(peers, instrument, gauge_bank):
    gauge_bank.put(0, peers.float_words(-1.0))
    with pytest.raises(BadReply, match="-1 bar is not possible"):
        instrument("modbus_gauge", gauge_bank).read_pressure_bar()


def test_gauge_of_another_make_needs_only_another_map(peers, instrument):
    bank = peers.Bank({100: 10132, 110: 0x0010, 120: 0x1234, 121: 0x5678})
    gauge = instrument(
        "modbus_gauge",
        bank,
        str(0x12345678),
        table="input",
        in_one_block=False,
        pressure={"address": 100, "kind": "uint16", "scale": 1e-4},
        status={"address": 110, "fault_bit": 3, "over_bit": 4, "under_bit": False},
        serial={"address": 120, "count": 2, "kind": "number"},
        proof=False,
        unit=False,
        counter=False,
    )
    with pytest.raises(NoReading) as caught:
        gauge.configure()
    assert caught.value.status is ReadingStatus.OVER
    bank.put(110, [0])
    bank.requests.clear()
    gauge.configure()
    assert gauge.read_pressure_bar() == pytest.approx(1.0132)
    assert bank.requests == [(4, 120, 2), *[(4, 100, 1), (4, 110, 1)] * 2]


@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize(
    ("kind", "value"),
    [("float32", 1.25), ("int32", -70000), ("uint32", 3_000_000_000), ("int16", -5), ("uint16", 60000)],
)
def test_numbers_come_back_as_they_were_written(kind, value, order):
    number = Number(address=7, kind=kind)
    registers = Registers()
    registers.add(7, number.encode(value, order))
    assert number.decode(registers, order) == value


def test_float_words_are_those_of_ieee_754():
    """1.0 is 3F80 0000 (IEEE 754 binary32), high word first in the order called big."""
    number = Number(address=0)
    assert number.encode(1.0, "big") == (0x3F80, 0x0000)
    assert number.encode(1.0, "little") == (0x0000, 0x3F80)


@pytest.mark.parametrize(("kind", "value"), [("int16", 40000), ("uint32", -1), ("float32", 1e39)])
def test_number_that_does_not_fit_is_refused(kind, value):
    with pytest.raises(ValueError, match="does not fit"):
        Number(address=0, kind=kind).encode(value, "big")


def test_thermometer(peers, instrument):
    bank = peers.Bank(dict(enumerate(peers.float_words(21.35))))
    thermometer = instrument("modbus_thermometer", bank)
    thermometer.configure()
    assert thermometer.read_temperature_c() == pytest.approx(21.35)
    bank.put(0, peers.float_words(math.nan))
    with pytest.raises(NoReading):
        thermometer.read_temperature_c()
    bank.put(0, peers.float_words(900))
    with pytest.raises(BadReply, match="900"):
        thermometer.read_temperature_c()


def test_thermometer_in_tenths(peers, instrument):
    bank = peers.Bank({3: struct.unpack(">H", struct.pack(">h", -45))[0]})
    options = {"temperature": {"address": 3, "kind": "int16", "scale": 0.1}}
    assert instrument("modbus_thermometer", bank, **options).read_temperature_c() == pytest.approx(-4.5)


def test_millivolt_input(peers, instrument):
    bank = peers.Bank({})
    bank.put(0, peers.float_words(50.25) + peers.float_words(9.9e37) + peers.float_words(math.nan))
    meter = instrument("modbus_millivolts", bank, sockets=[2, 3, 4], update_s=0.2)
    meter.configure()
    with pytest.raises(BadReply, match="start one first"):
        meter.collect_scan()
    meter.begin_scan()
    bank.put(0, peers.float_words(99))
    first, second, third = meter.collect_scan()
    assert (first.socket, first.output_mv, first.offset_s) == (2, 50.25, -0.1)
    assert (second.output_mv, second.status) == (None, ReadingStatus.OVER)
    assert (third.output_mv, third.status) == (None, ReadingStatus.NO_VALUE)
    assert bank.requests == [(3, 0, 6)] * 2


def test_millivolt_input_of_integers_with_sentinels_and_a_fault_mask(peers, instrument):
    bank = peers.Bank({10: 5012, 11: 32767, 12: 0x8000, 13: 4999, 20: 0b1000})
    meter = instrument(
        "modbus_millivolts",
        bank,
        first={"address": 10, "kind": "int16", "scale": 0.01},
        step=1,
        sockets=[1, 2, 3, 4],
        over_raw=32767,
        under_raw=-32768,
        fault_mask=20,
        in_one_block=False,
    )
    meter.begin_scan()
    readings = meter.collect_scan()
    assert readings[0].output_mv == pytest.approx(50.12)
    assert [reading.status for reading in readings[1:]] == [
        ReadingStatus.OVER,
        ReadingStatus.UNDER,
        ReadingStatus.NO_VALUE,
    ]


@pytest.fixture
def controller_bank(peers, gauge_bank):
    gauge_bank.put(20, [*peers.float_words(1.0), *peers.float_words(0.5), 0])
    return gauge_bank


def test_pressure_controller(peers, instrument, controller_bank):
    controller = instrument("modbus_pressure_controller", controller_bank, "TW-1")
    controller.configure()
    assert controller_bank.writes == []
    controller.set_ramp_bar_per_min(0.4)
    controller.set_pressure_bar(1.6)
    controller.hold_output(True)
    controller.hold_output(False)
    controller.vent()
    assert controller.read_pressure_bar() == pytest.approx(1.0132)
    assert controller_bank.writes == [
        (16, 22, peers.float_words(0.4)),
        (16, 20, peers.float_words(1.6)),
        (6, 24, [1]),
        (6, 24, [0]),
        (6, 24, [2]),
    ]


def test_pressure_controller_that_refuses_a_set_point(instrument, controller_bank):
    controller_bank.refuse[20] = 3
    with pytest.raises(Refused, match="exception 3"):
        instrument("modbus_pressure_controller", controller_bank).set_pressure_bar(1.6)


def test_pressure_controller_that_takes_another_set_point(peers, instrument, controller_bank):
    controller = instrument("modbus_pressure_controller", controller_bank)
    put = controller_bank.put
    controller_bank.put = lambda address, words: put(address, peers.float_words(1.5))
    with pytest.raises(Refused, match=r"1\.5 bar when sent 1\.6 bar"):
        controller.set_pressure_bar(1.6)


def test_pressure_controller_that_takes_another_link_timeout(peers, opened, controller_bank):
    controller_bank.put(25, [0])
    put = controller_bank.put
    controller_bank.put = lambda address, words: put(address, [90] if address == 25 else words)
    spec = InstrumentSpec(
        "unit",
        "modbus_pressure_controller",
        peers.tcp(controller_bank.serve).modbus,
        deadline_s=5.0,
        options={"link_timeout": {"address": 25, "kind": "uint16", "scale": 0.1}},
        link_timeout_s=5.0,
    )
    controller = opened(open_instrument(spec))
    with pytest.raises(Refused, match="link time-out"):
        controller.configure()
    assert controller.link_timeout_s is None


def test_valve_block_writes_each_command_once(instrument, valve_bank):
    valves = instrument("modbus_valves", valve_bank, "TV-3")
    valves.configure()
    assert valve_bank.writes == []
    assert (valves.longest_shot_ms, valves.watchdog_ms) == (400, 2000)
    valves.beat(17)
    valves.shut_vent()
    valves.open_supply_for(250)
    valves.open_vent_for(1)
    valves.shut_supply()
    valves.open_vent()
    valves.de_energise()
    valves.write_owner(4711)
    assert valves.read_owner() == 4711
    assert valve_bank.writes == [
        (6, 5, [17]),
        (6, 3, [1]),
        (6, 1, [250]),
        (6, 2, [1]),
        (6, 4, [0]),
        (6, 3, [0]),
        (6, 16, [1]),
        (6, 9, [4711]),
    ]


def test_valve_block_state(instrument, valve_bank):
    valves = instrument("modbus_valves", valve_bank)
    state = valves.read_state()
    assert (state.supply_open, state.vent_open, state.lid_closed) == (False, True, True)
    assert (state.watchdog_tripped, state.pressure_switch_tripped) == (False, False)
    valve_bank.put(0, [3])
    valve_bank.put(5, [99, 0b110])
    state = valves.read_state()
    assert (state.supply_open, state.vent_open, state.lid_closed) == (True, False, False)
    assert (state.watchdog_tripped, state.pressure_switch_tripped, state.heartbeat) == (True, True, 99)


def test_valve_block_without_inputs(instrument, valve_bank):
    state = instrument("modbus_valves", valve_bank, inputs=False, owner=False).read_state()
    assert (state.lid_closed, state.watchdog_tripped, state.pressure_switch_tripped) == (None, None, None)


def test_valve_block_that_claims_outputs_it_does_not_have(instrument, valve_bank):
    valve_bank.put(0, [0x0104])
    with pytest.raises(BadReply, match="only two"):
        instrument("modbus_valves", valve_bank).read_state()


def test_valve_block_that_refuses_a_shot(instrument, valve_bank):
    valve_bank.refuse[1] = 4
    with pytest.raises(Refused, match="exception 4, device failure"):
        instrument("modbus_valves", valve_bank).open_supply_for(100)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"watchdog_bit": 0}, "lid_bit and watchdog_bit are both bit 0 of the inputs"),
        ({"pressure_switch_bit": 1}, "watchdog_bit and pressure_switch_bit are both bit 1"),
        ({"de_energise": 5}, "heartbeat and de_energise are both register 5"),
        ({"vent_shot": 1}, "supply_shot and vent_shot are both register 1"),
        ({"vent_hold": 4}, "vent_hold and supply are both register 4"),
        ({"owner": 3}, "vent_hold and owner are both register 3"),
        ({"outputs": 16}, "de_energise and outputs are both register 16"),
        ({"inputs": 12}, "inputs and serial are both register 12"),
        ({"watchdog": 15}, "watchdog and proof are both register 15"),
    ],
)
def test_a_register_or_bit_that_would_do_two_things_is_refused(instrument, valve_bank, options, said):
    with pytest.raises(BadSpec) as caught:
        instrument("modbus_valves", valve_bank, **options)
    assert said in caught.value.reason
    assert "\n" not in str(caught.value)


def test_input_registers_may_count_from_0_again(instrument, valve_bank):
    apart = {"table": "input", "outputs": 1, "inputs": 2, "owner": False}
    instrument("modbus_valves", valve_bank, **apart)
    with pytest.raises(BadSpec, match="outputs and inputs are both register 1"):
        instrument("modbus_valves", valve_bank, **{**apart, "inputs": 1})


@pytest.mark.parametrize("longest_ms", [14, 501])
def test_a_longest_shot_outside_what_any_bench_may_give_is_refused(instrument, valve_bank, longest_ms):
    with pytest.raises(BadSpec, match="longest_shot_ms"):
        instrument("modbus_valves", valve_bank, longest_shot_ms=longest_ms)


@pytest.mark.parametrize("exception", [5, 6])
def test_a_busy_unit_is_neither_lost_nor_refusing_and_may_be_asked_again(instrument, valve_bank, exception):
    valves = instrument("modbus_valves", valve_bank)
    valve_bank.refuse[5] = exception
    with pytest.raises(Busy, match=f"register 5 with Modbus exception {exception}") as caught:
        valves.beat(1)
    assert caught.value.retryable
    assert not isinstance(caught.value, Refused)
    del valve_bank.refuse[5]
    valves.beat(1)


@pytest.mark.parametrize("exception", [10, 11])
def test_a_gateway_that_does_not_reach_the_unit_is_a_lost_answer(instrument, valve_bank, exception):
    valves = instrument("modbus_valves", valve_bank)
    valve_bank.refuse[5] = exception
    with pytest.raises(LinkTimeout, match=f"exception {exception}, .*gateway"):
        valves.beat(1)


def test_dropping_the_outputs_is_tried_twice_where_it_is_answered_busy(instrument, valve_bank):
    valves = instrument("modbus_valves", valve_bank)
    valve_bank.refuse[16] = 6
    with pytest.raises(Busy):
        valves.de_energise()
    assert valve_bank.writes == [(6, 16, [1]), (6, 16, [1])]


def test_dropping_the_outputs_is_tried_again_when_its_answer_is_spoilt(peers, opened, valve_bank):
    spoilt = []

    def serve(connection):
        for header, pdu in peers.frames(connection):
            answer = valve_bank.answer(pdu)
            if not spoilt:
                spoilt.append(answer)
                answer = struct.pack(">BHH", 6, 9, 9)
            connection.sendall(header[:4] + struct.pack(">H", len(answer) + 1) + header[6:7] + answer)

    address = peers.tcp(serve).modbus
    valves = opened(open_instrument(InstrumentSpec("valves", "modbus_valves", address, "", 5.0)))
    valves.de_energise()
    assert valve_bank.writes == [(6, 16, [1]), (6, 16, [1])]
