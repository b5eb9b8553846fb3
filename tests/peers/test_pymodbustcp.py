"""Our Modbus drivers against a pyModbusTCP server (pure Python, no code of pymodbus)."""

import struct

import pytest

from drivers.errors import LinkDown, Refused


def float_words(value):
    return list(struct.unpack(">HH", struct.pack(">f", value)))


def text_words(text):
    return list(struct.unpack(">4H", text.encode().ljust(8, b"\0")))


@pytest.fixture
def server(library, free_port):
    library("pyModbusTCP")
    from pyModbusTCP.server import ModbusServer

    served = ModbusServer(host="127.0.0.1", port=free_port, no_block=True)
    served.start()
    served.data_bank.set_holding_registers(
        0, [*float_words(1.0132), *float_words(3.14159265), 0, 1, *text_words("PM-0001"), 0, 0, 5]
    )
    yield served
    served.stop()


@pytest.fixture
def address(server):
    return f"tcp://127.0.0.1:{server.port}/1"


def test_gauge(server, address, instrument):
    gauge = instrument("modbus_gauge", address, "PM-0001")
    gauge.configure()
    assert gauge.read_pressure_bar() == pytest.approx(1.0132, abs=1e-6)
    server.data_bank.set_holding_registers(0, float_words(2.0))
    assert gauge.read_pressure_bar() == pytest.approx(2.0)


def test_words_in_the_other_order(server, address, instrument):
    server.data_bank.set_holding_registers(0, float_words(1.0132)[::-1] + float_words(3.14159265)[::-1])
    gauge = instrument("modbus_gauge", address, "PM-0001", word_order="little")
    gauge.configure()
    assert gauge.read_pressure_bar() == pytest.approx(1.0132, abs=1e-6)


def test_millivolts(server, address, instrument):
    server.data_bank.set_holding_registers(100, [word for n in range(8) for word in float_words(48.0 + n)])
    meter = instrument("modbus_millivolts", address, first={"address": 100})
    meter.begin_scan()
    assert [reading.output_mv for reading in meter.collect_scan()] == [48.0 + n for n in range(8)]


def test_what_the_controller_writes_is_what_the_server_holds(server, address, instrument):
    controller = instrument("modbus_pressure_controller", address, "PM-0001")
    controller.set_pressure_bar(1.5)
    controller.hold_output(True)
    assert server.data_bank.get_holding_registers(20, 2) == float_words(1.5)
    assert server.data_bank.get_holding_registers(24, 1) == [1]


def test_register_that_does_not_exist_is_refused(server, address, instrument):
    with pytest.raises(Refused, match="exception 2"):
        instrument("modbus_thermometer", address, temperature={"address": 65535}).read_temperature_c()


def test_server_that_goes_and_comes_back(server, address, instrument):
    gauge = instrument("modbus_gauge", address, "PM-0001")
    gauge.configure()
    server.stop()
    with pytest.raises(LinkDown):
        gauge.read_pressure_bar()
    server.start()
    assert gauge.read_pressure_bar() == pytest.approx(1.0132, abs=1e-6)
