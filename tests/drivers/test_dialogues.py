"""Every SCPI and line driver, word for word: nothing more, nothing less and nothing else on the wire."""

import re
import threading

import pytest
from pydantic import ValidationError

from drivers.catalogue import open_instrument
from drivers.errors import BadReply, LinkTimeout, NoReading, Refused, WrongInstrument
from drivers.ports import InstrumentSpec, ReadingStatus
from drivers.scpi.voltmeter import VoltmeterWords

IDENTITY = ("*IDN?", "Tideway Works,TW-8,TW-8-0031,1.2")
NO_ERROR = ("SYST:ERR?", '0,"No error"')
METER_SETTINGS = (
    ("CONF:VOLT:DC", None),
    ("SENS:VOLT:DC:RANG 0.1", None),
    ("SENS:VOLT:DC:NPLC 1", None),
    ("SENS:ZERO:AUTO OFF", None),
    ("SENS:VOLT:DC:RANG?", "+1.00000E-01"),
    ("SENS:VOLT:DC:NPLC?", "1.0"),
)


@pytest.fixture
def instrument(opened):
    def make(driver, address, serial="TW-8-0031", deadline_s=5.0, **options):
        return opened(open_instrument(InstrumentSpec("meter", driver, address, serial, deadline_s, options)))

    return make


def test_scanner(dialogue, instrument):
    peer = dialogue(
        IDENTITY,
        ("*CLS", None),
        *METER_SETTINGS,
        ("ROUT:SCAN (@101,102,103)", None),
        ("ROUT:SCAN?", "#214(@101,102,103)"),
        NO_ERROR,
        ("INIT", None),
        NO_ERROR,
        ("FETC?", "+5.01234E-02,-1.2E-05,+9.9E37"),
    )
    scanner = instrument("scpi_scanner", peer.visa, channels="101:103", sockets=[4, 5, 6])
    scanner.configure()
    scanner.begin_scan()
    readings = scanner.collect_scan()
    assert scanner.sockets == (4, 5, 6)
    assert scanner.scan_duration_s == pytest.approx(0.06)
    assert [reading.output_mv for reading in readings] == [
        pytest.approx(50.1234),
        pytest.approx(-0.012),
        None,
    ]
    assert [reading.offset_s for reading in readings] == pytest.approx([0.01, 0.03, 0.05])
    assert readings[2].status is ReadingStatus.OVER


def test_scanner_that_refuses_to_start(dialogue, instrument):
    peer = dialogue(("INIT", None), ("SYST:ERR?", '-213,"Init ignored"'), NO_ERROR)
    scanner = instrument("scpi_scanner", peer.visa)
    with pytest.raises(Refused, match="-213"):
        scanner.begin_scan()
    with pytest.raises(BadReply, match="start one first"):
        scanner.collect_scan()


def test_scanner_that_sends_a_channel_too_few(dialogue, instrument):
    peer = dialogue(("INIT", None), NO_ERROR, ("FETC?", "+5.0E-02,+5.1E-02"))
    scanner = instrument("scpi_scanner", peer.visa, channels="101:103")
    scanner.begin_scan()
    with pytest.raises(BadReply):
        scanner.collect_scan()


def test_scanner_whose_scan_is_not_there_in_time(dialogue, instrument):
    peer = dialogue(("INIT", None), NO_ERROR, ("FETC?", None))
    scanner = instrument("scpi_scanner", peer.visa, deadline_s=0.2)
    scanner.begin_scan()
    with pytest.raises(LinkTimeout):
        scanner.collect_scan()


def test_scanner_of_another_serial(dialogue, instrument):
    peer = dialogue(("*IDN?", "Tideway Works,TW-8,TW-8-0099,1.2"))
    with pytest.raises(WrongInstrument, match=r"TW-8-0031.*TW-8-0099"):
        instrument("scpi_scanner", peer.visa).configure()


def test_scanner_that_takes_another_range(dialogue, instrument):
    taken = (*METER_SETTINGS[:4], ("SENS:VOLT:DC:RANG?", "1.0"))
    peer = dialogue(IDENTITY, ("*CLS", None), *taken)
    with pytest.raises(Refused, match="range"):
        instrument("scpi_scanner", peer.visa).configure()


def test_scanner_that_takes_other_channels(dialogue, instrument):
    settings = (("ROUT:SCAN (@101,102)", None), ("ROUT:SCAN?", "(@101)"))
    peer = dialogue(IDENTITY, ("*CLS", None), *METER_SETTINGS, *settings)
    with pytest.raises(Refused, match="channels"):
        instrument("scpi_scanner", peer.visa, channels="101,102").configure()


@pytest.mark.parametrize("answer", ["(@101:99999999999)", "(@101,101)", "(@102:101)", "(@:)"])
def test_scanner_that_answers_no_channel_list(answer, dialogue, instrument):
    settings = (("ROUT:SCAN (@101)", None), ("ROUT:SCAN?", answer))
    peer = dialogue(IDENTITY, ("*CLS", None), *METER_SETTINGS, *settings)
    with pytest.raises(BadReply, match="channel list"):
        instrument("scpi_scanner", peer.visa, channels="101").configure()


def test_scanner_that_finds_fault_with_a_setting(dialogue, instrument):
    settings = (("ROUT:SCAN (@101)", None), ("ROUT:SCAN?", "(@101)"))
    errors = (("SYST:ERR?", '-222,"Data out of range;NPLC"'), ("SYST:ERR?", "-113,Undefined"), NO_ERROR)
    peer = dialogue(IDENTITY, ("*CLS", None), *METER_SETTINGS, *settings, *errors)
    with pytest.raises(Refused, match="-222"):
        instrument("scpi_scanner", peer.visa, channels="101").configure()


@pytest.mark.parametrize(
    ("word", "wrong"),
    [
        ("NPLC {nplc:d}", "its format does not suit the value; write it as in 'SENS:VOLT:DC:NPLC {nplc:g}'"),
        ("NPLC {nplc:{x}}", "its format does not suit the value"),
        ("NPLC {nplc", "a brace has no partner; write {{ or }} for a brace that is sent"),
        ("NPLC {cycles}", "{cycles} cannot be filled in here, {nplc} can"),
        ("NPLC {0}", "{0} cannot be filled in here"),
    ],
)
def test_a_word_that_cannot_be_filled_in_is_refused_before_it_is_needed(word, wrong):
    with pytest.raises(ValidationError, match=re.escape(wrong)):
        VoltmeterWords(nplc=word)
    for good in ("NPLC {nplc}", "NPLC {nplc:.2f}", "NPLC {{{nplc:g}}}", ""):
        assert VoltmeterWords(nplc=good).nplc == good


def test_another_make_needs_only_other_words(dialogue, instrument):
    words = {
        "clear": "",
        "function": "",
        "range": ":VOLT:RANGE {range_v:.3f}",
        "range_query": "",
        "nplc": ":VOLT:NPLC {nplc:.1f}",
        "nplc_query": "",
        "autozero": "",
        "scan": ":SCAN:LIST {channels}",
        "scan_query": "",
        "begin": "*TRG",
        "fetch": "DATA?",
        "error": "ERR?",
    }
    peer = dialogue(
        IDENTITY,
        (":VOLT:RANGE 0.100", None),
        (":VOLT:NPLC 2.0", None),
        (":SCAN:LIST 1,2", None),
        ("ERR?", "0"),
        ("*TRG", None),
        ("ERR?", "0"),
        ("DATA?", "50.1,50.2"),
    )
    scanner = instrument("scpi_scanner", peer.visa, channels="1:2", nplc=2, unit="mV", words=words)
    scanner.configure()
    scanner.begin_scan()
    assert [reading.output_mv for reading in scanner.collect_scan()] == [50.1, 50.2]


def test_single_voltmeter(dialogue, instrument):
    peer = dialogue(
        IDENTITY, ("*CLS", None), *METER_SETTINGS, NO_ERROR, ("INIT", None), NO_ERROR, ("FETC?", "4.8E-2")
    )
    meter = instrument("scpi_voltmeter", peer.visa, socket=3)
    meter.configure()
    meter.begin_scan()
    (reading,) = meter.collect_scan()
    assert (reading.socket, reading.output_mv) == (3, pytest.approx(48.0))


def test_relay_voltmeter_never_leaves_two_channels_closed(dialogue, instrument):
    peer = dialogue(
        IDENTITY,
        ("*CLS", None),
        ("ROUT:OPEN (@101)", None),
        ("ROUT:OPEN (@102)", None),
        *METER_SETTINGS,
        NO_ERROR,
        ("ROUT:CLOS (@101)", None),
        ("READ?", "5.0E-2"),
        ("ROUT:OPEN (@101)", None),
        ("ROUT:CLOS (@102)", None),
        ("READ?", "9.91E37"),
        ("ROUT:OPEN (@102)", None),
    )
    meter = instrument("scpi_relay_voltmeter", peer.visa, channels="101:102")
    meter.configure()
    meter.begin_scan()
    first, second = meter.collect_scan()
    assert first.output_mv == pytest.approx(50.0)
    assert (second.output_mv, second.status) == (None, ReadingStatus.NO_VALUE)
    assert 0 < first.offset_s < second.offset_s


def test_slow_relay_voltmeter_does_not_hold_up_the_loop(peers, instrument):
    go_on = threading.Event()

    def serve(connection):
        for line in peers.lines(connection):
            if line == "READ?":
                go_on.wait(120)
                connection.sendall(b"5.0E-2\n")

    meter = instrument(
        "scpi_relay_voltmeter", peers.tcp(serve).visa, deadline_s=0.1, channels="101", channel_delay_s=5.0,
        words={"close_channel": "", "open_channel": ""},
    )  # fmt: skip
    meter.begin_scan()
    with pytest.raises(LinkTimeout):
        meter.collect_scan()
    with pytest.raises(Refused, match="busy"):
        meter.begin_scan()
    go_on.set()


def test_thermometer(dialogue, instrument):
    peer = dialogue(
        IDENTITY,
        ("*CLS", None),
        ("UNIT:TEMP C", None),
        ("UNIT:TEMP?", "C"),
        NO_ERROR,
        ("MEAS:TEMP?", "+2.13500E+01"),
        ("MEAS:TEMP?", "9.91E37"),
        ("MEAS:TEMP?", "850"),
    )
    thermometer = instrument("scpi_thermometer", peer.visa)
    thermometer.configure()
    assert thermometer.read_temperature_c() == pytest.approx(21.35)
    with pytest.raises(NoReading):
        thermometer.read_temperature_c()
    with pytest.raises(BadReply, match="850"):
        thermometer.read_temperature_c()


def test_thermometer_that_stays_in_fahrenheit(dialogue, instrument):
    peer = dialogue(IDENTITY, ("*CLS", None), ("UNIT:TEMP C", None), ("UNIT:TEMP?", "F"))
    with pytest.raises(BadReply):
        instrument("scpi_thermometer", peer.visa).configure()


def test_pressure_controller(dialogue, instrument):
    peer = dialogue(
        IDENTITY,
        ("*CLS", None),
        ("UNIT:PRES BAR", None),
        ("SENS:PRES:MODE ABS", None),
        ("UNIT:PRES?", "BAR"),
        ("SENS:PRES:MODE?", '"ABSOLUTE"'),
        NO_ERROR,
        ("SOUR:PRES:SLEW 0.5", None),
        NO_ERROR,
        ("SOUR:PRES:SLEW?", "5.000000E-01"),
        ("SOUR:PRES 1.61300", None),
        NO_ERROR,
        ("SOUR:PRES?", "1.613"),
        ("OUTP:MODE CONT", None),
        NO_ERROR,
        ("SENS:PRES?", "1.0132"),
        ("OUTP:MODE MEAS", None),
        NO_ERROR,
        ("OUTP:MODE VENT", None),
        NO_ERROR,
    )
    controller = instrument("scpi_pressure_controller", peer.visa)
    controller.configure()
    controller.set_ramp_bar_per_min(0.5)
    controller.set_pressure_bar(1.613)
    controller.hold_output(True)
    assert controller.read_pressure_bar() == pytest.approx(1.0132)
    controller.hold_output(False)
    controller.vent()


def test_pressure_controller_that_counts_its_ramp_per_second(dialogue, instrument):
    peer = dialogue(("SOUR:PRES:SLEW 0.01", None), NO_ERROR, ("SOUR:PRES:SLEW?", "0.01"))
    instrument("scpi_pressure_controller", peer.visa, slew_per="s").set_ramp_bar_per_min(0.6)


def test_pressure_controller_that_keeps_another_ramp_is_refused(dialogue, instrument):
    peer = dialogue(("SOUR:PRES:SLEW 0.5", None), NO_ERROR, ("SOUR:PRES:SLEW?", "5.0"))
    with pytest.raises(Refused, match=r"took the ramp \(bar/min\) 5 when sent 0.5"):
        instrument("scpi_pressure_controller", peer.visa).set_ramp_bar_per_min(0.5)


def test_pressure_controller_in_gauge_mode_is_refused(dialogue, instrument):
    peer = dialogue(
        IDENTITY,
        ("*CLS", None),
        ("UNIT:PRES BAR", None),
        ("SENS:PRES:MODE ABS", None),
        ("UNIT:PRES?", "BAR"),
        ("SENS:PRES:MODE?", "GAUGE"),
    )
    with pytest.raises(Refused, match="GAUGE"):
        instrument("scpi_pressure_controller", peer.visa).configure()


def test_pressure_controller_that_takes_another_set_point(dialogue, instrument):
    peer = dialogue(("SOUR:PRES 1.60000", None), NO_ERROR, ("SOUR:PRES?", "1.5"))
    with pytest.raises(Refused, match=r"1\.5 when sent 1\.6"):
        instrument("scpi_pressure_controller", peer.visa).set_pressure_bar(1.6)


def test_line_voltmeter(dialogue, instrument):
    peer = dialogue(
        ("*IDN?", "Skerry Point Bench,millivolt board,0042,1"),
        ("SCAN 1", "1 50.1234 65\r\n3 over 200\r\n2 49.9\r\nEND 1\r"),
        ("SCAN 2", "1 50.2 65\n2 none 130\n3 -0.1 200\nEND 2"),
    )
    board = instrument("line_voltmeter", peer.visa, serial="0042", channels=[1, 2, 3], boot_s=0)
    board.configure()
    board.begin_scan()
    first = board.collect_scan()
    assert [reading.socket for reading in first] == [1, 2, 3]
    assert [reading.output_mv for reading in first] == [50.1234, 49.9, None]
    assert first[0].offset_s == pytest.approx(0.065)
    board.begin_scan()
    assert [reading.status for reading in board.collect_scan()] == [
        ReadingStatus.OK,
        ReadingStatus.NO_VALUE,
        ReadingStatus.OK,
    ]


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        ("1 50.1\nEND 7", "asked for 1"),
        ("1 50.1\nEND 1", "left out"),
        ("1 50.1\n2 x\nEND 1", "not part"),
        ("5 50.1\nEND 1", "channel 5"),
        ("1,50.1", "SCAN 1"),
    ],
)
def test_line_voltmeter_that_sends_something_else(dialogue, instrument, answer, why):
    peer = dialogue(("SCAN 1", answer))
    board = instrument("line_voltmeter", peer.visa, channels=[1, 2], boot_s=0)
    board.begin_scan()
    with pytest.raises(BadReply, match=why):
        board.collect_scan()


def test_line_voltmeter_over_a_serial_line_that_restarts_when_opened(peers, instrument):
    asked = []

    def serve(peer):
        for line in peer.lines():
            asked.append(line)
            if line == "*IDN?":
                peer.write(b"Skerry Point Bench,millivolt board,0042,1\r\n")
            else:
                peer.write(f"1 50.1 20\r\nEND {line.split()[1]}\r\n".encode())

    board = instrument(
        "line_voltmeter", peers.serial(serve).visa, serial="0042", channels=[1], boot_s=0.05
    )  # fmt: skip
    board.configure()
    board.begin_scan()
    assert board.collect_scan()[0].output_mv == 50.1
    assert asked == ["*IDN?", "SCAN 1"]


def typed_gauge(*answers, **options):
    left = list(answers)
    spec = InstrumentSpec("dial", "typed_gauge", "hand", options=options)
    return open_instrument(spec, ask=lambda question: left.pop(0))


def test_typed_gauge_takes_absolute_bar_with_its_unit_and_nothing_else():
    assert typed_gauge("1.60 bara").read_pressure_bar() == 1.6
    assert typed_gauge("16", "1,6", " 1.6BARA ").read_pressure_bar() == 1.6
    assert typed_gauge("20 bara", "2 bara", most_bar=4.0).read_pressure_bar() == 2.0
    with pytest.raises(NoReading, match=r"no absolute pressure up to .* was typed"):
        typed_gauge(None).read_pressure_bar()
    with pytest.raises(NoReading, match="no pressure"):
        typed_gauge("").read_pressure_bar()
    with pytest.raises(BadReply, match="3 tries"):
        typed_gauge("1.6", "16", "1.6 bar").read_pressure_bar()
