"""The virtual bench's Modbus units as mbpoll, a third-party client, sees them."""

import re
import subprocess
import time

import pytest

from drivers.addresses import parse_modbus_address
from drivers.catalogue import start_virtual
from drivers.virtual_spec import VirtualInstrument, VirtualSpec


@pytest.fixture(scope="module")
def bench():
    instruments = {
        "gauge_a": VirtualInstrument("gauge", "modbus_gauge", "TG-20117"),
        "valves": VirtualInstrument("valves", "modbus_valves", "TV-3"),
    }
    session = start_virtual(
        VirtualSpec(mode="real_time", instruments=instruments, room_pressure_bar=1.0, cells={1: "TB-0417"})
    )
    yield session
    session.stop()


@pytest.fixture
def mbpoll(bench, program):
    def run(name, reference, *words, kind="4", count=1):
        unit = parse_modbus_address(bench.endpoints[name])
        done = subprocess.run(
            [
                program("mbpoll"), "-m", "tcp", "-0", "-1", "-q", "-B", "-p", str(unit.port),
                "-a", str(unit.unit), "-r", str(reference), "-t", kind,
                *([] if words else ["-c", str(count)]), unit.host, *map(str, words),
            ],
            capture_output=True,
            text=True,
            timeout=30,
        )  # fmt: skip
        values = re.findall(r"^\[\d+\]:\s+(\S+)", done.stdout, re.MULTILINE)
        return done.returncode, values, done.stderr

    return run


def test_pressure_is_a_float_with_its_high_word_first(mbpoll):
    code, (pressure, pi), _ = mbpoll("gauge_a", 0, kind="4:float", count=2)
    assert code == 0
    assert float(pressure) == pytest.approx(1.0, abs=0.05)
    assert float(pi) == pytest.approx(3.14159, abs=1e-4)


def test_input_registers_are_the_holding_registers(mbpoll):
    _, (pressure,), _ = mbpoll("gauge_a", 0, kind="3:float")
    assert float(pressure) == pytest.approx(1.0, abs=0.05)


def test_unit_code_and_status(mbpoll):
    assert mbpoll("gauge_a", 4, count=2)[1] == ["0", "1"]


def test_serial_number(mbpoll):
    _, words, _ = mbpoll("gauge_a", 6, kind="4:hex", count=4)
    assert bytes.fromhex("".join(word[2:] for word in words)).rstrip(b"\0 ") == b"TG-20117"


def test_conversion_counter_moves(mbpoll):
    first = mbpoll("gauge_a", 12)[1]
    give_up_s = time.monotonic() + 10
    while mbpoll("gauge_a", 12)[1] == first:
        assert time.monotonic() < give_up_s


def test_register_that_does_not_exist(mbpoll):
    code, _, error = mbpoll("gauge_a", 200)
    assert code != 0
    assert "Illegal data address" in error


def test_gauge_cannot_be_written_to(mbpoll):
    assert mbpoll("gauge_a", 0, 5)[0] != 0


def test_heartbeat_is_taken(mbpoll):
    assert mbpoll("valves", 5, 4242)[0] == 0
    assert mbpoll("valves", 5)[1] == ["4242"]


@pytest.mark.parametrize("register", [1, 2])
def test_shot_longer_than_the_longest_is_refused(mbpoll, register):
    longest_ms = int(mbpoll("valves", 7)[1][0])
    code, _, error = mbpoll("valves", register, longest_ms + 1)
    assert code != 0
    assert "Illegal data value" in error


def test_outputs_cannot_be_switched_on_by_hand(mbpoll):
    assert mbpoll("valves", 0, 3)[0] != 0
    assert mbpoll("valves", 0)[1] == ["0"]
