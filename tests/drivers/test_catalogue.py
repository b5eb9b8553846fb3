"""From a bench file's entry to a driver: names, options, addresses, third parties, cost of an import."""

import subprocess
import sys
import textwrap

import pytest

from drivers import catalogue
from drivers.catalogue import driver_names, driver_roles, open_instrument
from drivers.errors import BadSpec
from drivers.ports import InstrumentSpec, Thermometer

VISA = "TCPIP::127.0.0.1::9::SOCKET"
MODBUS = "tcp://127.0.0.1:9/1"


def test_a_misspelt_driver_is_met_with_the_nearest_name():
    with pytest.raises(BadSpec, match="did you mean 'scpi_scanner'") as caught:
        open_instrument(InstrumentSpec("meter", "scpi_scaner", VISA))
    assert caught.value.key == "driver"


def test_a_driver_from_nowhere_is_met_with_the_list():
    with pytest.raises(BadSpec, match="valid: line_voltmeter, modbus_gauge"):
        open_instrument(InstrumentSpec("meter", "xyzzy", VISA))


@pytest.mark.parametrize(
    ("driver", "options", "key", "message"),
    [
        ("scpi_scanner", {"chanels": "101"}, "options.chanels", "did you mean 'channels'"),
        ("scpi_scanner", {"nplc": -1}, "options.nplc", "greater than 0"),
        ("scpi_scanner", {"channels": "101:"}, "options.channels", "101:108"),
        ("scpi_scanner", {"channels": "105:101"}, "options.channels", "backwards"),
        ("scpi_scanner", {"channels": "101,101"}, "options.channels", "twice"),
        (
            "scpi_scanner",
            {"channels": "101:165"},
            "options.channels",
            "at most 64 channels, as many as a pot",
        ),
        ("scpi_scanner", {"channels": "101:99999999999"}, "options.channels", "at most 64 channels"),
        ("scpi_scanner", {"channels": f"1:{'9' * 5000}"}, "options.channels", "such as 101:108"),
        ("scpi_scanner", {"channels": "101:132,201:233"}, "options.channels", "at most 64 channels"),
        ("scpi_relay_voltmeter", {"channels": "1:99999999999"}, "options.channels", "at most 64 channels"),
        ("line_voltmeter", {"channels": [*range(65)]}, "options.channels", "at most 64 items"),
        ("modbus_millivolts", {"sockets": [*range(1, 66)]}, "options.sockets", "at most 64 items"),
        ("scpi_scanner", {"channels": "101:103", "sockets": [1, 2]}, "options", "3 different sockets"),
        ("scpi_scanner", {"words": {"fetsh": "X?"}}, "options.words.fetsh", "did you mean 'fetch'"),
        ("scpi_scanner", {"words": {"nplc": "N {cycles}"}}, "options.words.nplc", r"\{nplc\} can"),
        (
            "scpi_pressure_controller",
            {"words": {"set_pressure": "SOUR:PRES 2.0"}},
            "options.words.set_pressure",
            r"no place for its value; write \{pressure_bar\}",
        ),
        (
            "scpi_pressure_controller",
            {"words": {"set_ramp_query": ""}},
            "options.words.set_ramp_query",
            "such as SOUR:PRES:SLEW",
        ),
        (
            "scpi_relay_voltmeter",
            {"words": {"close_channel": "C 1"}},
            "options.words.close_channel",
            "channel",
        ),
        ("scpi_scanner", {"words": {"begin": "INIT\nOUTP ON"}}, "options.words.begin", "one line"),
        ("modbus_gauge", {"pressure": {"addres": 4}}, "options.pressure.addres", "did you mean 'address'"),
        ("modbus_gauge", {"pressure": {"address": 70000}}, "options.pressure.address", "65535"),
        ("modbus_gauge", {"lowest_bar": 5, "highest_bar": 2}, "options", "below highest_bar"),
        ("modbus_millivolts", {"step": 1}, "options", "2 registers"),
        (
            "modbus_pressure_controller",
            {"ramp": {"address": 9, "scale": 0}},
            "options.ramp.scale",
            "not be 0",
        ),
        ("line_voltmeter", {"channels": []}, "options", "at least one"),
        ("typed_gauge", {"most_bar": -1}, "options.most_bar", "should be greater than 0, found -1$"),
        ("modbus_gauge", {"pressure": {}}, "options.pressure.address", "missing$"),
    ],
)
def test_an_unusable_option_is_named_with_what_would_be_right(driver, options, key, message):
    address = MODBUS if driver.startswith("modbus") else VISA
    with pytest.raises(BadSpec, match=message) as caught:
        open_instrument(InstrumentSpec("unit", driver, address, options=options), ask=lambda question: None)
    assert caught.value.key == key
    assert "\n" not in str(caught.value)
    assert len(str(caught.value)) < 200


def test_as_many_channels_as_a_pot_can_have_sockets_are_taken(opened):
    spec = InstrumentSpec("unit", "scpi_scanner", VISA, options={"channels": "101:132,201:232"})
    assert len(opened(open_instrument(spec)).sockets) == 64


@pytest.mark.parametrize(
    ("address", "message"),
    [
        ("tcp://127.0.0.1/1", "tcp://HOST:PORT/UNIT"),
        ("tcp://127.0.0.1:70000/1", "tcp://HOST:PORT/UNIT"),
        ("tcp://127.0.0.1:502/300", "0 to 255"),
        ("rtu:///1", "no unit"),
        ("rtu:///dev/ttyUSB0/one", "0 to 247"),
        ("rtu:///dev/ttyUSB0/1?bauds=9600", "bauds"),
        ("rtu:///dev/ttyUSB0/1?baud=fast", "whole numbers"),
        ("rtu:///dev/ttyUSB0/1?parity=M", "N, E or O"),
        (VISA, "tcp://HOST:PORT/UNIT"),
    ],
)
def test_an_unusable_modbus_address_is_reported_with_what_would_be_right(address, message):
    with pytest.raises(BadSpec, match=message) as caught:
        open_instrument(InstrumentSpec("gauge", "modbus_gauge", address))
    assert caught.value.key == "address"


def test_two_instruments_on_one_line_must_agree_on_its_speed(opened):
    opened(open_instrument(InstrumentSpec("a", "modbus_gauge", "rtu:///dev/ttyNONE/1?baud=9600")))
    opened(open_instrument(InstrumentSpec("b", "modbus_gauge", "rtu:///dev/ttyNONE/2?baud=9600")))
    with pytest.raises(BadSpec, match="other line settings"):
        open_instrument(InstrumentSpec("c", "modbus_gauge", "rtu:///dev/ttyNONE/3?baud=19200"))


def test_a_typed_gauge_needs_somebody_to_ask():
    with pytest.raises(BadSpec, match="operator"):
        open_instrument(InstrumentSpec("dial", "typed_gauge", "by hand"))


def test_a_voltmeter_read_by_eye_is_sent_to_the_readings_table():
    with pytest.raises(BadSpec, match=r"no driver is called 'typed_voltmeter'; .*leadline grade table\.csv"):
        open_instrument(InstrumentSpec("meter", "typed_voltmeter", "by hand"))


def test_every_driver_says_which_roles_it_serves():
    assert all(driver_roles(name) for name in driver_names())


THIRD_PARTY = '''
"""A third party's thermometer: an ice bath."""

from drivers.ports import Identity


class IceBath:
    """Reads 0 degrees Celsius, always."""

    roles = ("thermometer",)

    def __init__(self, spec, clock=None):
        self.name = spec.name
        self._offset_c = float(spec.options.get("offset_c", 0.0))

    def identify(self):
        """Return its identity."""
        return Identity(maker="Tideway Works", model="ice")

    def configure(self):
        """Do nothing: ice needs no settings."""

    def close(self):
        """Do nothing: there is no link."""

    def read_temperature_c(self):
        """Read temperature, in degrees Celsius."""
        return 0.0 + self._offset_c
'''


@pytest.fixture
def third_party(tmp_path, monkeypatch):
    """A distribution with its own driver, as pip would install it."""
    (tmp_path / "ice_bath.py").write_text(THIRD_PARTY)
    info = tmp_path / "ice_bath-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: ice-bath\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[leadline.drivers]\nice_bath = ice_bath:IceBath\n")
    monkeypatch.syspath_prepend(tmp_path)
    catalogue._third_party.cache_clear()
    yield
    catalogue._third_party.cache_clear()
    sys.modules.pop("ice_bath", None)


@pytest.mark.usefixtures("third_party")
def test_a_third_party_adds_a_driver_by_an_entry_point():
    assert "ice_bath" in driver_names()
    assert driver_roles("ice_bath") == ("thermometer",)
    thermometer = open_instrument(
        InstrumentSpec("bath", "ice_bath", "none", options={"offset_c": 0.5})
    )  # fmt: skip
    assert isinstance(thermometer, Thermometer)
    assert thermometer.read_temperature_c() == 0.5


def test_asking_for_the_drivers_imports_none_of_them():
    code = textwrap.dedent(
        """
        import sys
        from drivers.catalogue import driver_names, driver_roles
        [driver_roles(name) for name in driver_names()]
        print(sorted({"pyvisa", "pymodbus", "serial", "pydantic", "numpy"} & set(sys.modules)))
        """
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("key", "value"), [("heartbeat", True), ("lid_bit", True), ("heartbeat", "5"), ("longest_shot_ms", 400.5)]
)
def test_an_option_is_taken_as_it_is_written_and_true_is_no_register(key, value):
    spec = InstrumentSpec("valves", "modbus_valves", "tcp://127.0.0.1:502/1", "", 0.2, {key: value})
    with pytest.raises(BadSpec, match=f"{key}: should be a") as caught:
        open_instrument(spec)
    assert str(caught.value).endswith(f"found {value!r}")
