"""The bench's SCPI parser against what IEEE 488.2 and SCPI 1999 ask, as far as from memory."""

import pytest

from drivers.virtual.servers.scpi_parser import (
    ScpiError,
    ScpiParser,
    block,
    channels_of,
    number_of,
    spellings,
)


@pytest.fixture
def parser():
    made = ScpiParser(lambda: "Maker,Model,Serial,1.0", lambda: None)
    made.set = []
    made.add("[SENSe:]VOLTage[:DC]:RANGe", "range", lambda argument: made.set.append(argument))
    made.add("[SENSe:]VOLTage[:DC]:RANGe?", "range", lambda _: made.set[-1])
    made.add("[SENSe:]VOLTage[:DC]:NPLCycles?", "aperture", lambda _: "1")
    return made


def ask(parser, message):
    """Work through one message that never has to wait."""
    work = parser.handle(message)
    with pytest.raises(StopIteration) as stopped:
        next(work)
    return stopped.value.value


def test_spellings_are_short_and_long_with_optional_levels():
    assert set(spellings("SYSTem:ERRor[:NEXT]?")) == {
        f"{system}:{error}{level}?"
        for system in ("SYST", "SYSTEM")
        for error in ("ERR", "ERROR")
        for level in ("", ":NEXT")
    }


@pytest.mark.parametrize(
    "header",
    ["VOLT:RANG", "volt:dc:range", "SENS:VOLTAGE:DC:RANG", ":SENSe:VOLTage:RANGe", "sense:volt:rang"],
)
def test_short_and_long_forms_in_any_case(parser, header):
    assert ask(parser, f"{header} 1") is None
    assert parser.set == ["1"]
    assert ask(parser, "SYST:ERR?") == '0,"No error"'


@pytest.mark.parametrize("header", ["VOLTA:RANG", "VOL:RANG", "SENS:RANG", "VOLT:RANG:X", "RANG"])
def test_other_abbreviations_are_undefined_headers(parser, header):
    ask(parser, f"{header} 1")
    assert parser.set == []
    assert ask(parser, "SYST:ERR?") == '-113,"Undefined header"'


def test_a_compound_message_continues_at_the_same_level_and_answers_in_one_line(parser):
    assert ask(parser, "SENS:VOLT:DC:RANG 10;NPLC?;RANG?;*IDN?") == "1;10;Maker,Model,Serial,1.0"
    assert ask(parser, "SENS:VOLT:DC:RANG?;:SYST:VERS?") == "10;1999.0"


def test_an_error_ends_its_message_and_leaves_earlier_answers(parser):
    assert ask(parser, "*OPC?;NONSENSE;*OPC?") == "1"
    assert ask(parser, "SYST:ERR:COUN?") == "1"


def test_the_error_queue_is_first_in_first_out_and_its_last_entry_reports_an_overflow(parser):
    for _ in range(40):
        ask(parser, "BOGUS")
    ask(parser, "*SRE 9999")
    numbers = []
    while (text := ask(parser, "SYST:ERR?")) != '0,"No error"':
        numbers.append(int(text.split(",")[0]))
    assert numbers[0] == -113
    assert numbers[-1] == -350
    assert len(numbers) == 16


def test_rst_keeps_the_error_queue_and_cls_empties_it(parser):
    ask(parser, "BOGUS")
    ask(parser, "*RST")
    assert ask(parser, "SYST:ERR:COUN?") == "1"
    ask(parser, "*CLS")
    assert ask(parser, "SYST:ERR:COUN?") == "0"


def test_event_status_shows_the_class_of_error_once(parser):
    assert ask(parser, "*ESR?") == "128"
    ask(parser, "BOGUS")
    assert ask(parser, "*ESR?") == "32"
    assert ask(parser, "*ESR?") == "0"
    ask(parser, "*ESE 999")
    assert ask(parser, "*ESR?") == "16"


def test_status_byte_shows_queue_and_enabled_events(parser):
    ask(parser, "*CLS;*ESE 32;*SRE 32")
    assert ask(parser, "*STB?") == "0"
    ask(parser, "BOGUS")
    assert int(ask(parser, "*STB?")) & 0b1100100 == 0b1100100


def test_every_mandatory_common_command_is_there(parser):
    for query in ("*ESE?", "*ESR?", "*IDN?", "*OPC?", "*SRE?", "*STB?", "*TST?", "SYST:ERR?", "SYST:VERS?"):
        assert ask(parser, query) is not None
    for command in ("*CLS", "*ESE 0", "*OPC", "*RST", "*SRE 0", "*WAI", "STAT:PRES"):
        assert ask(parser, command) is None
    assert ask(parser, "SYST:ERR?") == '0,"No error"'


def test_an_operation_complete_sets_its_bit(parser):
    ask(parser, "*CLS;*OPC")
    assert ask(parser, "*ESR?") == "1"


@pytest.mark.parametrize(
    ("text", "number"), [("", -109), ("1,2", -108), ("ABC", -104), ("0.001", -222), ("nan", -222)]
)
def test_a_number_is_refused_for_what_is_wrong_with_it(text, number):
    with pytest.raises(ScpiError) as error:
        number_of(text, 0.02, 100.0)
    assert error.value.number == number


@pytest.mark.parametrize(
    ("text", "channels"),
    [("(@101)", (101,)), ("(@101:104)", (101, 102, 103, 104)), ("(@103:101, 108)", (103, 102, 101, 108))],
)
def test_channel_lists(text, channels):
    assert channels_of(text, tuple(range(101, 109))) == channels


@pytest.mark.parametrize(("text", "number"), [("", -109), ("101", -104), ("(@)", -104), ("(@109)", -222)])
def test_channel_lists_that_are_refused(text, number):
    with pytest.raises(ScpiError) as error:
        channels_of(text, tuple(range(101, 109)))
    assert error.value.number == number


def test_a_definite_length_block_says_how_long_it_is():
    assert block("(@101,102,103)") == "#214(@101,102,103)"
    assert block("(@1)") == "#14(@1)"


def test_a_message_without_end_is_refused(parser):
    assert ask(parser, "*IDN?;" * 2000) is None
    assert ask(parser, "SYST:ERR?") == '-102,"Syntax error"'
