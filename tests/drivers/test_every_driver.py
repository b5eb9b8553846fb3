"""The contract that every driver keeps. None is exempt: a new one must add its peer here."""

import importlib
import inspect
import math
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pytest

from drivers import catalogue, ports
from drivers.catalogue import driver_names, driver_roles, open_instrument
from drivers.errors import BadSpec, DriverError, LinkDown, NoReading, Refused
from drivers.ports import InstrumentSpec, ReadingStatus
from rig_configs.roles import ROLES

PROTOCOLS = {role: getattr(ports, kind.port) for role, kind in ROLES.items()}
PROTOCOLS["valves"] = ports.OwnedValveBlock
BY_HAND = {"typed_gauge"}
OVERLOADED = "9.9E37"
UNIT_WORDS = {
    "_bar_per_min": "bar/min",
    "_bar": "bar",
    "_mv": "mV",
    "_c": "degrees Celsius",
    "_ms": "ms",
    "_percent": "percent",
}
UNITLESS = {"read_state", "read_owner"}
NOT_VERBS = {"A", "An", "The", "This", "It", "How", "What", "Whether"}


def scpi_peer(peers, fetch, taken=None, scan="over"):
    """An instrument that takes every setting and whose reading is `fetch`; `scan` where it is a line."""
    taken = {} if taken is None else taken
    answers = {"*IDN?": "Tideway Works,X,S-1,1", "SYST:ERR?": "0", "UNIT:TEMP?": "C", "UNIT:PRES?": "BAR"}

    def serve(connection):
        for line in peers.lines(connection):
            word, _, value = line.partition(" ")
            if not line.endswith("?"):
                taken[word] = value
                if word == "SCAN":
                    connection.sendall(f"1 {scan} 5\nEND {value}\n".encode())
            else:
                answer = answers.get(line, taken.get(line.removesuffix("?"), fetch))
                connection.sendall(answer.encode() + b"\n")

    peer = peers.tcp(serve)
    return peer.visa


def modbus_peer(peers, words):
    """A unit with the default gauge map, other registers zero, and `words` put over it."""
    bank = peers.Bank(dict.fromkeys(range(64), 0))
    for address, values in words.items():
        bank.put(address, values)
    return peers.tcp(bank.serve).modbus


def overloaded(peers, driver):
    """Address and options of a driver whose instrument has no value."""
    pi = peers.float_words(3.14159265)
    if driver in ("scpi_scanner", "scpi_relay_voltmeter"):
        return scpi_peer(peers, OVERLOADED), {"channels": "101"}
    if driver == "line_voltmeter":
        return scpi_peer(peers, OVERLOADED), {"channels": [1], "boot_s": 0}
    if driver.startswith("scpi_"):
        return scpi_peer(peers, OVERLOADED), {}
    if driver in ("modbus_gauge", "modbus_pressure_controller"):
        return modbus_peer(peers, {2: pi, 4: [2, 1]}), {}
    if driver in ("modbus_thermometer", "modbus_room_oxygen"):
        return modbus_peer(peers, {0: peers.float_words(math.nan)}), {}
    if driver == "modbus_millivolts":
        return modbus_peer(peers, {0: peers.float_words(9.9e37)}), {"sockets": [1]}
    if driver == "modbus_valves":
        return modbus_peer(peers, {14: pi}), {}
    if driver in BY_HAND:
        return "by hand", {}
    raise AssertionError(f"{driver} needs a peer here, and a reading that it does not have")


@dataclass(frozen=True)
class Stated:
    """A reading in the instrument's own unit, and the driver's result in ours.

    Attributes:
        says: the answer's text, or the registers with their values: float32 for a float, a word for an int.
        ours: in mV (one a socket), bar, degrees Celsius or percent, or the state of valves.
        options: options in the bench file.
    """

    says: str | Mapping[int, float]
    ours: object
    options: Mapping[str, Any] = field(default_factory=dict)


TWO_CHANNELS = {"channels": "101,102"}
BAR_UNIT, KPA_UNIT = 1, 4
PROOF = 3.14159265
STATED = {
    "line_voltmeter": [Stated("50.1234", (50.1234,), {"channels": [1], "boot_s": 0})],
    "modbus_gauge": [
        Stated({0: 1.6043, 2: PROOF, 5: BAR_UNIT}, 1.6043),
        Stated(
            {0: 160.43, 2: PROOF, 5: KPA_UNIT},
            1.6043,
            {"pressure": {"address": 0, "scale": 0.01}, "unit": {"expected": KPA_UNIT}},
        ),
        Stated(
            {0: 1604, 2: PROOF, 5: BAR_UNIT},
            1.604,
            {"pressure": {"address": 0, "kind": "uint16", "scale": 0.001}},
        ),
    ],
    "modbus_millivolts": [
        Stated({0: 50.1234, 2: -10.3}, (50.1234, -10.3), {"sockets": [1, 2]}),
        Stated({0: 0.0501234}, (50.1234,), {"sockets": [1], "first": {"address": 0, "scale": 1000.0}}),
        Stated(
            {0: 5012, 1: 65536 - 1030},
            (50.12, -10.3),
            {"sockets": [1, 2], "step": 1, "first": {"address": 0, "kind": "int16", "scale": 0.01}},
        ),
    ],
    "modbus_pressure_controller": [
        Stated({0: 1.6043, 2: PROOF, 5: BAR_UNIT}, 1.6043),
        Stated(
            {0: 160.43, 2: PROOF, 5: KPA_UNIT},
            1.6043,
            {"pressure": {"address": 0, "scale": 0.01}, "unit": {"expected": KPA_UNIT}},
        ),
    ],
    "modbus_room_oxygen": [
        Stated({0: 20.9}, 20.9),
        Stated({0: 209}, 20.9, {"oxygen": {"address": 0, "kind": "uint16", "scale": 0.1}}),
    ],
    "modbus_thermometer": [
        Stated({0: 23.46}, 23.46),
        Stated(
            {0: 2966},
            23.45,
            {"temperature": {"address": 0, "kind": "int16", "scale": 0.1, "offset": -273.15}},
        ),
    ],
    "modbus_valves": [
        Stated({0: 0b00, 5: 7, 6: 0b001, 14: PROOF}, ports.ValveState(False, True, True, 7, False, False)),
        Stated({0: 0b01, 5: 8, 6: 0b010, 14: PROOF}, ports.ValveState(True, True, False, 8, True, False)),
        Stated({0: 0b10, 5: 9, 6: 0b100, 14: PROOF}, ports.ValveState(False, False, False, 9, False, True)),
    ],
    "scpi_pressure_controller": [Stated("1.6043", 1.6043)],
    "scpi_relay_voltmeter": [
        Stated("0.0501234", (50.1234, 50.1234), TWO_CHANNELS),
        Stated("50.1234", (50.1234, 50.1234), {**TWO_CHANNELS, "unit": "mV"}),
        Stated("50123.4", (50.1234, 50.1234), {**TWO_CHANNELS, "unit": "uV"}),
    ],
    "scpi_scanner": [
        Stated("+5.01234E-02,-1.03E-02", (50.1234, -10.3), TWO_CHANNELS),
        Stated("50.1234,-10.3", (50.1234, -10.3), {**TWO_CHANNELS, "unit": "mV"}),
        Stated("50123.4,-10300", (50.1234, -10.3), {**TWO_CHANNELS, "unit": "uV"}),
    ],
    "scpi_thermometer": [Stated("23.46", 23.46)],
    "scpi_voltmeter": [
        Stated("0.0501234", (50.1234,)),
        Stated("50.1234", (50.1234,), {"unit": "mV"}),
        Stated("50123.4", (50.1234,), {"unit": "uV"}),
    ],
    "typed_gauge": [Stated("1.60 bara", 1.60)],
}


def scanned_mv(meter):
    meter.begin_scan()
    return tuple(reading.output_mv for reading in meter.collect_scan())


READ = {
    "voltmeter": scanned_mv,
    "gauge": lambda gauge: gauge.read_pressure_bar(),
    "second_gauge": lambda gauge: gauge.read_pressure_bar(),
    "barometer": lambda gauge: gauge.read_barometer_bar(),
    "controller": lambda controller: controller.read_pressure_bar(),
    "thermometer": lambda thermometer: thermometer.read_temperature_c(),
    "room_oxygen": lambda monitor: monitor.read_oxygen_percent(),
    "valves": lambda block: block.read_state(),
}


def stating(peers, driver, stated):
    """Address of an instrument that states a value."""
    if driver in BY_HAND:
        return "by hand"
    if isinstance(stated.says, str):
        return scpi_peer(peers, stated.says, scan=stated.says)
    return modbus_peer(
        peers,
        {
            address: peers.float_words(value) if isinstance(value, float) else [value]
            for address, value in stated.says.items()
        },
    )


def make(driver, address, options=None, deadline_s=5.0, typed="over"):
    spec = InstrumentSpec("unit", driver, address, "", deadline_s, options or {})
    return open_instrument(spec, ask=lambda question: typed)


def an_address(driver):
    return "TCPIP::127.0.0.1::9::SOCKET" if "modbus" not in driver else "tcp://127.0.0.1:9/1"


every_driver = pytest.mark.parametrize("driver", driver_names())
every_wired_driver = pytest.mark.parametrize(
    "driver", [name for name in driver_names() if name not in BY_HAND]
)


def driver_class(driver, opened):
    return type(opened(make(driver, an_address(driver))))


@every_driver
def test_it_implements_its_roles(driver, opened):
    instrument = opened(make(driver, an_address(driver)))
    assert driver_roles(driver)
    for role in driver_roles(driver):
        assert isinstance(instrument, PROTOCOLS[role])


@every_driver
def test_every_method_says_what_it_does_and_in_which_unit(driver, opened):
    cls = driver_class(driver, opened)
    assert inspect.getdoc(sys.modules[cls.__module__])
    for name, member in inspect.getmembers(cls):
        if name.startswith("_") or not (inspect.isfunction(member) or isinstance(member, property)):
            continue
        text = inspect.getdoc(member)
        assert text, f"{name} has no docstring"
        assert re.match(r"[A-Z]", text), name
        if isinstance(member, property):
            continue
        first_word = text.split()[0].rstrip(",;.:")
        assert first_word not in NOT_VERBS, f"{name}: a docstring begins with what the method does"
        assert not first_word.endswith("s"), f"{name}: {first_word!r} is not an imperative"
        if name not in UNITLESS and name.startswith(("read_", "set_")):
            assert name.endswith(tuple(UNIT_WORDS)), f"{name} names no unit"
        for suffix in (suffix for suffix in UNIT_WORDS if name.endswith(suffix)):
            assert UNIT_WORDS[suffix] in text, f"{name} does not say {UNIT_WORDS[suffix]}"


@every_driver
def test_it_refuses_an_option_that_it_does_not_have(driver):
    with pytest.raises(BadSpec) as caught:
        make(driver, an_address(driver), {"no_such_option": 1})
    assert caught.value.key == "options.no_such_option"


@every_wired_driver
def test_it_refuses_an_address_of_another_kind(driver):
    for address in ("virtual", "tcp:/127.0.0.1", "COM7 please"):
        with pytest.raises(BadSpec) as caught:
            make(driver, address)
        assert caught.value.key == "address"


@every_wired_driver
def test_nothing_at_its_address_is_link_down(driver, opened, free_port):
    visa, modbus = f"TCPIP::127.0.0.1::{free_port}::SOCKET", f"tcp://127.0.0.1:{free_port}/1"
    instrument = opened(make(driver, modbus if "modbus" in driver else visa))
    with pytest.raises(LinkDown, match=r"unit: .*refused"):
        instrument.configure()


@every_driver
def test_nothing_is_sent_before_the_first_call(driver, peers, opened):
    address, options = overloaded(peers, driver)
    opened(make(driver, address, options))


@every_driver
def test_closing_twice_does_no_harm(driver, peers):
    address, options = overloaded(peers, driver)
    instrument = make(driver, address, options)
    instrument.close()
    instrument.close()
    if driver not in BY_HAND:
        with pytest.raises(LinkDown, match="closed"):
            instrument.configure()


@every_driver
def test_a_reading_that_is_not_there_is_no_number(driver, peers, opened):
    address, options = overloaded(peers, driver)
    instrument = opened(make(driver, address, options))
    if isinstance(instrument, ports.Voltmeter):
        instrument.begin_scan()
        for reading in instrument.collect_scan():
            assert reading.output_mv is None
            assert reading.status is ReadingStatus.OVER
    for name in ("read_pressure_bar", "read_barometer_bar", "read_temperature_c"):
        if hasattr(instrument, name):
            with pytest.raises(NoReading):
                getattr(instrument, name)()


@pytest.mark.parametrize(
    ("driver", "stated"),
    [
        pytest.param(name, stated, id=f"{name}-{number}")
        for name in driver_names()
        for number, stated in enumerate(STATED.get(name, [None]), start=1)
    ],
)
def test_what_an_instrument_states_in_its_unit_comes_back_in_ours(driver, stated, peers, opened):
    assert stated is not None, f"{driver} needs a peer here that states a known value"
    address = stating(peers, driver, stated)
    instrument = opened(make(driver, address, stated.options, typed=stated.says))
    instrument.configure()
    for role in driver_roles(driver):
        found = READ[role](instrument)
        if isinstance(stated.ours, ports.ValveState):
            assert found == stated.ours
        else:
            # A float32 carries seven digits.
            assert found == pytest.approx(stated.ours, rel=1e-6)


@pytest.mark.parametrize(
    ("options", "ramp"), [({}, "0.6"), ({"slew_per": "s"}, "0.01")], ids=["bar/min", "bar/s"]
)
def test_a_controller_with_words_gets_bar_and_its_own_ramp(options, ramp, peers, opened):
    taken = {}
    instrument = opened(make("scpi_pressure_controller", scpi_peer(peers, "1.0", taken), options))
    instrument.configure()
    instrument.set_ramp_bar_per_min(0.6)
    instrument.set_pressure_bar(1.6)
    assert (taken["SOUR:PRES:SLEW"], taken["SOUR:PRES"]) == (ramp, "1.60000")


@pytest.mark.parametrize(
    ("set_point", "ramp", "words"),
    [
        ({}, {}, (1.6, 0.6)),
        ({"scale": 0.01}, {"scale": 60.0}, (160.0, 0.01)),
    ],
    ids=["bar and bar/min", "kPa and bar/s"],
)
def test_a_controller_with_registers_gets_its_own_units(set_point, ramp, words, peers, opened):
    bank = peers.Bank(dict.fromkeys(range(64), 0))
    for address, value in ((0, peers.float_words(1.0)), (2, peers.float_words(PROOF)), (5, [BAR_UNIT])):
        bank.put(address, value)
    options = {"set_point": {"address": 20, **set_point}, "ramp": {"address": 22, **ramp}}
    instrument = opened(make("modbus_pressure_controller", peers.tcp(bank.serve).modbus, options))
    instrument.configure()
    instrument.set_pressure_bar(1.6)
    instrument.set_ramp_bar_per_min(0.6)
    written = [bank.registers[address] for address in range(20, 24)]
    assert written == peers.float_words(words[0]) + peers.float_words(words[1])


def test_a_valve_block_gets_milliseconds(peers, opened):
    bank = peers.Bank(dict.fromkeys(range(64), 0))
    bank.put(7, [400, 2000])
    bank.put(14, peers.float_words(PROOF))
    block = opened(make("modbus_valves", peers.tcp(bank.serve).modbus))
    block.configure()
    assert (block.longest_shot_ms, block.watchdog_ms) == (400, 2000)
    block.open_supply_for(120)
    block.open_vent_for(80)
    assert bank.writes == [(6, 1, [120]), (6, 2, [80])]


@every_driver
def test_a_command_out_of_range_never_reaches_the_wire(driver, opened):
    instrument = opened(make(driver, an_address(driver)))
    attempts = []
    if isinstance(instrument, ports.ValveBlock):
        too_long_ms = instrument.longest_shot_ms + 1
        for value in (0, -5, too_long_ms):
            attempts += [(instrument.open_supply_for, value), (instrument.open_vent_for, value)]
        attempts += [(instrument.beat, -1), (instrument.beat, 65536)]
    if isinstance(instrument, ports.PressureController):
        attempts += [
            (instrument.set_pressure_bar, value) for value in (-1.0, 0.0, 2.51, 40.0, math.nan, math.inf)
        ]
        attempts += [(instrument.set_ramp_bar_per_min, value) for value in (0.0, -0.5, 1.01, math.nan)]
    for method, value in attempts:
        # A command on the wire would raise LinkDown: nothing listens at this address.
        with pytest.raises(Refused, match="not within"):
            method(value)


@every_wired_driver
def test_an_error_says_whether_to_ask_again_and_whom_it_is_about(driver, opened):
    instrument = opened(make(driver, an_address(driver)))
    with pytest.raises(DriverError) as caught:
        instrument.configure()
    assert caught.value.retryable is True
    assert caught.value.instrument == "unit"
    assert caught.value.status is ReadingStatus.LINK_DOWN


def test_the_table_names_classes_that_exist():
    for name, entry in catalogue._BUILT_IN.items():
        module, _, cls = entry.target.partition(":")
        place = module.removeprefix("drivers.").replace(".", "_")
        assert place.endswith(name), "a driver's file and folder say its name"
        assert inspect.isclass(getattr(importlib.import_module(module), cls))
