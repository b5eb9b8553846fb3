"""The virtual bench over its wires, by clients that are not the project's drivers."""

import math
import shutil
import socket
import struct
import subprocess
from dataclasses import replace

import pytest

from drivers.virtual.start import start
from drivers.virtual_spec import FaultSpec


@pytest.fixture
def served(six_cell_spec):
    session = start(replace(six_cell_spec, mode="lockstep"))
    yield session
    session.stop()


def port_of(endpoint: str) -> int:
    return int(endpoint.split("::")[2] if endpoint.startswith("TCPIP") else endpoint[16:].split("/")[0])


class Text:
    """A raw text connection."""

    def __init__(self, endpoint):
        self.socket = socket.create_connection(("127.0.0.1", port_of(endpoint)), timeout=60.0)
        self.file = self.socket.makefile("rb")

    def write(self, line):
        self.socket.sendall(line.encode() + b"\n")

    def ask(self, line):
        self.write(line)
        return self.file.readline().decode().rstrip("\n")

    def close(self):
        self.file.close()
        self.socket.close()


class Registers:
    """Modbus TCP by hand: one request, one answer, after the published frame layout."""

    def __init__(self, endpoint):
        self.socket = socket.create_connection(("127.0.0.1", port_of(endpoint)), timeout=60.0)
        self.transaction = 0

    def exchange(self, pdu):
        self.transaction += 1
        self.socket.sendall(struct.pack(">HHHB", self.transaction, 0, len(pdu) + 1, 1) + pdu)
        head = self._take(7)
        transaction, protocol, length, unit = struct.unpack(">HHHB", head)
        assert (transaction, protocol, unit) == (self.transaction, 0, 1)
        return self._take(length - 1)

    def read(self, address, count, function=3):
        answer = self.exchange(struct.pack(">BHH", function, address, count))
        if answer[0] & 0x80:
            return answer[1]
        assert answer[:2] == bytes([function, 2 * count])
        return list(struct.unpack(f">{count}H", answer[2:]))

    def write(self, address, value):
        pdu = struct.pack(">BHH", 6, address, value)
        answer = self.exchange(pdu)
        return answer[1] if answer[0] & 0x80 else (0 if answer == pdu else -1)

    def close(self):
        self.socket.close()

    def _take(self, count):
        data = b""
        while len(data) < count:
            piece = self.socket.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data


def as_float(words):
    return struct.unpack(">f", struct.pack(">HH", *words))[0]


@pytest.fixture
def text(served):
    opened = []

    def connect(name):
        opened.append(Text(served.endpoints[name]))
        return opened[-1]

    yield connect
    for one in opened:
        one.close()


@pytest.fixture
def registers(served):
    opened = []

    def connect(name):
        opened.append(Registers(served.endpoints[name]))
        return opened[-1]

    yield connect
    for one in opened:
        one.close()


def test_every_port_is_on_loopback_alone(served):
    assert len({port_of(endpoint) for endpoint in served.endpoints.values()}) == 7
    assert all("127.0.0.1" in endpoint for endpoint in served.endpoints.values())


def test_the_scanner_tells_who_it_is_and_scans(served, text):
    scanner = text("scanner")
    assert scanner.ask("*IDN?") == "Tideway Works,TW-8,TW-8-0031,1.2"
    for line in (
        "CONF:VOLT:DC",
        "SENS:VOLT:DC:RANG 1",
        "SENS:VOLT:DC:NPLC 1",
        "ROUT:SCAN (@101:106)",
        "INIT",
    ):
        scanner.write(line)
    assert scanner.ask("SYST:ERR?") == '0,"No error"'
    served.clock.sleep_until(0.12)
    volts = [float(value) for value in scanner.ask("FETC?").split(",")]
    assert len(volts) == 6
    assert volts[0] == pytest.approx(0.0104, abs=2e-4)
    assert scanner.ask("fetch?") == scanner.ask("FETCH?")
    assert scanner.ask("ROUT:SCAN?") == "#226(@101,102,103,104,105,106)"


def test_read_and_measure_take_bench_time(served, text):
    scanner = text("scanner")
    scanner.write("ROUT:SCAN (@101,103)")
    assert len(scanner.ask("READ?").split(",")) == 2
    assert served.clock.monotonic_s() == pytest.approx(0.04)
    assert len(scanner.ask("MEAS:VOLT:DC? (@106)").split(",")) == 1
    assert served.clock.monotonic_s() == pytest.approx(0.06)


def test_close_and_read_reads_the_closed_channel(text):
    scanner = text("scanner")
    scanner.write("CONF:VOLT:DC")
    scanner.write("ROUT:CLOS (@102)")
    old = float(scanner.ask("READ?"))
    assert scanner.ask("ROUT:CLOS? (@101:103)") == "0,1,0"
    assert old == pytest.approx(0.0085, abs=2e-4)


def test_what_the_scanner_refuses_is_in_its_queue(text):
    scanner = text("scanner")
    for line, number in (
        ("SENS:VOLT:DC:NPLC 0.001", -222),
        ("ROUT:SCAN (@109)", -222),
        ("SENS:VOLT:DC:RANG 50", -222),
        ("SENS:ZERO:AUTO PERHAPS", -224),
        ("FETC?;*OPC?", -230),
        ("INIT;INIT", -213),
    ):
        scanner.write(line)
        assert int(scanner.ask("SYST:ERR?").split(",")[0]) == number


def test_two_clients_may_ask_in_turn(text):
    first, second = text("thermometer"), text("thermometer")
    assert first.ask("UNIT:TEMP?") == "C"
    assert float(second.ask("MEAS:TEMP?")) == float(first.ask("MEAS:TEMP?"))


def test_line_ends_and_split_packets_do_not_matter(text):
    thermometer = text("thermometer")
    thermometer.socket.sendall(b"*ID")
    thermometer.socket.sendall(b"N?\r\n\r\n")
    assert thermometer.file.readline() == b"Tideway Works,TW-T2,TT-4-0113,1.2\n"


def test_gauge_registers(served, registers):
    gauge = registers("gauge_a")
    words = gauge.read(0, 13)
    assert as_float(words[0:2]) == pytest.approx(served.pot().room_pressure_bar, abs=2e-3)
    assert as_float(words[2:4]) == pytest.approx(math.pi, abs=1e-6)
    assert words[4:6] == [0, 1]
    assert struct.pack(">4H", *words[6:10]) == b"TG-20117"
    assert gauge.read(0, 13, function=4) == words
    served.clock.sleep_until(1.0)
    assert (gauge.read(12, 1)[0] - words[12]) & 0xFFFF == 20
    assert gauge.read(0, 2) != words[0:2]


def test_registers_that_do_not_exist_or_cannot_be_written_are_exception_2(registers):
    gauge = registers("gauge_a")
    assert gauge.read(12, 2) == 2
    assert gauge.write(0, 1) == 2
    valves = registers("valves")
    assert valves.write(7, 900) == 2
    assert valves.read(17, 2) == 2


def test_valve_registers(served, registers):
    valves = registers("valves")
    assert valves.write(3, 1) == 4
    assert valves.write(16, 1) == 0
    assert valves.write(5, 1) == 0
    assert valves.write(1, 501) == 3
    assert valves.write(1, 0) == 3
    assert valves.write(2, 100) == 4
    assert valves.write(3, 1) == 0
    assert valves.write(1, 300) == 0
    assert valves.read(0, 1) == [3]
    served.clock.sleep_until(0.4)
    assert valves.read(0, 1) == [2]
    assert valves.read(17, 1) == [1]
    assert valves.read(6, 3) == [1, 500, 2000]
    served.clock.sleep_until(3.0)
    assert valves.read(0, 1) == [0]
    assert valves.read(6, 1) == [3]
    assert valves.write(9, 77) == 0
    assert valves.read(9, 1) == [77]


def test_several_registers_are_written_in_order(registers):
    valves = registers("valves")
    # Function 16: heartbeat is register 5; 3 to 5 would energise before the heartbeat has been seen.
    pdu = struct.pack(">BHHB3H", 16, 3, 3, 6, 1, 0, 9)
    assert valves.exchange(pdu)[:2] == bytes([0x90, 4])
    assert valves.write(5, 9) == 0
    assert valves.exchange(pdu) == struct.pack(">BHH", 16, 3, 3)
    assert valves.read(0, 1) == [2]


needs_mbpoll = pytest.mark.skipif(
    shutil.which("mbpoll") is None, reason="mbpoll is not installed (Debian: apt install mbpoll)"
)


def mbpoll(endpoint, options):
    """Run mbpoll once; it counts registers from 1, and needs -B for the high word first."""
    command = f"mbpoll -m tcp -p {port_of(endpoint)} -a 1 {options} -1 127.0.0.1"
    return subprocess.run(command.split(), capture_output=True, text=True, timeout=60, check=False)


@needs_mbpoll
def test_mbpoll_reads_pressure_and_pi(served):
    shown = mbpoll(served.endpoints["gauge_a"], "-r 1 -c 2 -t 4:float -B").stdout
    lines = [line.strip("[").split("]:") for line in shown.splitlines() if "]:" in line]
    values = {register: float(value) for register, value in lines}
    assert values["1"] == pytest.approx(served.pot().room_pressure_bar, abs=2e-3)
    assert values["3"] == pytest.approx(math.pi, abs=1e-4)


@needs_mbpoll
def test_mbpoll_gets_an_illegal_address(served):
    run = mbpoll(served.endpoints["valves"], "-r 100 -c 1 -t 4")
    assert run.returncode == 1
    assert "Illegal data address" in run.stderr


@pytest.mark.parametrize("name", ["gauge_a", "valves"])
def test_a_lost_link_hangs_up_and_comes_back(served, registers, name):
    role = served_role(name)
    served.inject(FaultSpec(f"{role}_link_lost", at_s=0.0, duration_s=5.0))
    with pytest.raises((EOFError, ConnectionError)):
        registers(name).read(0, 1)
    served.clock.sleep_until(6.0)
    assert len(registers(name).read(0, 1)) == 1


def served_role(name):
    return {"gauge_a": "gauge", "valves": "valves"}[name]


def test_a_lost_text_link_hangs_up(served, text):
    scanner = text("scanner")
    served.inject(FaultSpec("voltmeter_link_lost", at_s=0.0))
    assert scanner.ask("*IDN?") == ""
    assert text("scanner").file.readline() == b""


def test_a_silent_instrument_costs_its_deadline_in_bench_time(served, registers, text):
    served.inject(FaultSpec("gauge_silent", at_s=0.0))
    with pytest.raises(EOFError):
        registers("gauge_a").read(0, 2)
    assert served.clock.monotonic_s() == pytest.approx(0.2)
    served.inject(FaultSpec("voltmeter_silent", at_s=0.0))
    scanner = text("scanner")
    scanner.write("CONF:VOLT:DC")
    assert scanner.ask("*IDN?") == ""
    assert served.clock.monotonic_s() == pytest.approx(0.4)


def test_a_slow_answer_takes_bench_time_and_one_too_slow_does_not_come(served, registers):
    served.inject(FaultSpec("slow_replies", at_s=0.0, duration_s=10.0, value=0.15, target="gauge"))
    gauge = registers("gauge_a")
    assert len(gauge.read(0, 2)) == 2
    assert served.clock.monotonic_s() == pytest.approx(0.15)
    served.clock.sleep_until(11.0)
    served.inject(FaultSpec("slow_replies", at_s=0.0, value=3.0, target="gauge"))
    with pytest.raises(EOFError):
        gauge.read(0, 2)
