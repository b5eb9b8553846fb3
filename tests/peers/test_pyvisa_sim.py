"""Our SCPI drivers on a VISA backend that is neither a socket nor a serial line: pyvisa-sim's devices."""

from pathlib import Path

import pytest

from drivers.errors import DriverError, LinkDown, LinkTimeout, WrongInstrument
from drivers.ports import ReadingStatus

DEVICES = f"{Path(__file__).with_name('simulated_devices.yaml')}@sim"
SCANNERS = ["ASRL1::INSTR", "GPIB0::9::INSTR", "USB0::0x1234::0x5678::TW80031::INSTR"]


@pytest.fixture(autouse=True)
def _simulator(library):
    library("pyvisa_sim")


@pytest.mark.parametrize("address", SCANNERS)
def test_scanner(address, instrument):
    scanner = instrument(
        "scpi_scanner", address, "TW-8-0031", visa_library=DEVICES, channels="101:103"
    )  # fmt: skip
    scanner.configure()
    for _ in range(3):
        scanner.begin_scan()
        readings = scanner.collect_scan()
        assert [reading.output_mv for reading in readings] == [
            pytest.approx(49.812),
            pytest.approx(50.1234),
            None,
        ]
        assert readings[2].status is ReadingStatus.OVER


@pytest.mark.parametrize("address", ["TCPIP0::192.0.2.10::5025::SOCKET", "ASRL2::INSTR"])
def test_thermometer(address, instrument):
    thermometer = instrument("scpi_thermometer", address, "TT-4-0113", visa_library=DEVICES)
    thermometer.configure()
    assert thermometer.read_temperature_c() == pytest.approx(21.35)


def test_another_instrument_at_the_address(instrument):
    with pytest.raises(WrongInstrument):
        instrument("scpi_thermometer", "GPIB0::9::INSTR", "TT-4-0113", visa_library=DEVICES).configure()


def test_command_that_it_does_not_know_is_an_error_and_not_a_reading(instrument):
    words = {"read": "READ:TEMP?"}
    thermometer = instrument("scpi_thermometer", "ASRL2::INSTR", visa_library=DEVICES, words=words)
    with pytest.raises(DriverError):
        thermometer.read_temperature_c()


def test_command_without_an_answer_is_a_timeout(instrument):
    words = {"read": "UNIT:TEMP C"}
    thermometer = instrument(
        "scpi_thermometer", "ASRL2::INSTR", deadline_s=0.2, visa_library=DEVICES, words=words
    )
    with pytest.raises(LinkTimeout):
        thermometer.read_temperature_c()


def test_address_that_the_simulator_does_not_have(instrument):
    with pytest.raises(LinkDown):
        instrument("scpi_thermometer", "GPIB0::10::INSTR", visa_library=DEVICES).configure()
