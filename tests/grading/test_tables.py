"""Readings tables: read as intended, or refused with file, line, column and what would be right."""

from textwrap import dedent

import numpy as np
import pytest

from grading.measurement import ErrorModel, SourceError
from grading.sources.any_source import load_source

HEADER = "cell,step,gas,direction,pressure_bar,oxygen_fraction,temperature_c,mv"
GOOD = """\
TB-0417,1,air,up,1.0132,,21.0,10.4
TB-0417,2,oxygen,up,1.02,0.985,21.0,50.1
TB-0417,3,oxygen,up,1.63,0.985,21.1,80.2
TB-0417,4,oxygen,down,1.02,0.985,21.0,50.2
"""


@pytest.fixture
def load(tmp_path):
    def from_text(text, errors=None, encoding="utf-8"):
        path = tmp_path / "bench.csv"
        path.write_bytes(text.encode(encoding))
        return load_source(path, errors)

    return from_text


def refusal(load, text):
    with pytest.raises(SourceError) as refused:
        load(text)
    return str(refused.value)


def test_a_table_becomes_steps(load):
    read = load(f"{HEADER}\n{GOOD}")
    assert read.source_kind == "readings"
    assert [cell.cell for cell in read.cells] == ["TB-0417"]
    assert read.steps.step.tolist() == [1, 2, 3, 4]
    assert read.steps.gas == ("air", "oxygen", "oxygen", "oxygen")
    assert read.steps.direction == ("up", "up", "up", "down")
    assert read.steps.nominal_po2_bar[1:].tolist() == [1.0, 1.6, 1.0]
    assert read.steps.oxygen_fraction[0].tolist() == [0.20946, 0.985, 0.985, 0.985]
    assert read.steps.relative_humidity[0].tolist() == [0.5, 0.0, 0.0, 0.0]
    assert read.steps.output_mv[0].tolist() == [10.4, 50.1, 80.2, 50.2]
    assert read.steps.settled.tolist() == [[-1, -1, -1, -1]]
    assert read.conditions.uncertainty_source == "stated default instrument set"
    assert "50% assumed in air" in read.conditions.notes[0]


def test_cells_with_steps_of_their_own_share_one_table(load):
    read = load(
        f"{HEADER}\n{GOOD}OS-1123,1,oxygen,up,1.22,0.985,21,48.0\nOS-1123,2,oxygen,up,1.02,0.985,21,40\n"
    )
    assert [cell.cell for cell in read.cells] == ["TB-0417", "OS-1123"]
    present = np.isfinite(read.steps.output_mv)
    assert present.sum(axis=1).tolist() == [4, 2]
    nominal = read.steps.nominal_po2_bar
    assert [nominal[k] for k in np.flatnonzero(present[1])] == [1.2, 1.0]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_spreadsheets_marks_and_line_ends_are_read(load, encoding, end):
    text = f"{HEADER}\n{GOOD}\n\n".replace("\n", end)
    assert load(text, encoding=encoding).steps.output_mv[0, 2] == 80.2


def test_decimal_commas_go_with_semicolons(load):
    text = f"{HEADER}\n{GOOD}".replace(",", ";").replace(".", ",")
    read = load(text)
    assert read.steps.pressure_bar[0].tolist() == [1.0132, 1.02, 1.63, 1.02]
    quoted = f"{HEADER}\n{GOOD}".replace("TB-0417", '"TB-0417, left"')
    assert load(quoted).cells[0].cell == "TB-0417, left"


def test_what_is_not_certain_is_refused(load):
    both = f"{HEADER}\n{GOOD}".replace(",", ";").replace("1.63", "1,63")
    assert refusal(load, both) == (
        "bench.csv line 4, pressure_bar: '1,63' has a decimal comma "
        "and line 2, pressure_bar: '1.0132' a decimal point"
    )
    assert "commas and semicolons in the header" in refusal(load, HEADER.replace(",", ";", 1) + "\n")
    assert "tabs" in refusal(load, HEADER.replace(",", "\t") + "\n")
    split = refusal(load, f"{HEADER}\nTB-0417,1,oxygen,up,1,02,0,985,21,50\n")
    assert split == (
        "bench.csv line 2: 10 fields where the header has 8 "
        "(a decimal comma needs semicolons between the fields)"
    )


@pytest.mark.parametrize(
    ("name", "value", "bar"),
    [
        ("pressure_kpa", 163.0, 1.63),
        ("pressure_mbar", 1630.0, 1.63),
        ("pressure_hpa", 1630.0, 1.63),
        ("pressure_mpa", 0.163, 1.63),
        ("pressure_psia", 23.6412, 1.63),
    ],
)
def test_units_stand_in_the_header(load, name, value, bar):
    text = f"{HEADER.replace('pressure_bar', name)}\nTB-0417,1,oxygen,up,{value},0.985,21,80\n"
    assert load(text).steps.pressure_bar[0, 0] == pytest.approx(bar, rel=1e-5)


def test_gauge_pressure_needs_the_barometer(load):
    gauge = HEADER.replace("pressure_bar", "pressure_gauge_bar")
    reported = refusal(load, f"{gauge}\nTB-0417,1,oxygen,up,0.6,0.985,21,80\n")
    assert reported.endswith("needs one column of ambient pressure beside it: add barometer_bar")
    both = gauge.replace("mv", "mv,barometer_hpa")
    assert load(f"{both}\nTB-0417,1,oxygen,up,0.6,0.985,21,80,1013.0\n").steps.pressure_bar[0, 0] == 1.613
    psig = HEADER.replace("pressure_bar", "pressure_psig").replace("mv", "mv,barometer_bar")
    read = load(f"{psig}\nTB-0417,1,oxygen,up,8.7,0.985,21,80,1.0\n")
    assert read.steps.pressure_bar[0, 0] == pytest.approx(1.59984, abs=1e-4)


def test_psi_alone_is_not_taken_for_either(load):
    text = f"{HEADER.replace('pressure_bar', 'pressure_psi')}\nTB-0417,1,oxygen,up,23,0.985,21,80\n"
    assert "'pressure_psi' does not say absolute or gauge" in refusal(load, text)
    misspelt = f"{HEADER.replace('pressure_bar', 'presure_bar')}\n"
    assert "did you mean 'pressure_bar'?" in refusal(load, f"{misspelt}{GOOD}")


def test_every_fault_is_named_by_line_and_column(load):
    text = dedent(f"""\
        {HEADER}
        TB-0417,1,oxygen,up,1.02,98.5,21,50
        TB-0417,2,oxigen,sideways,1.2,0.985,21,sixty
        ,3,oxygen,up,160,0.985,210,
        TB-0417,4.5,oxygen,up,1.6,,21,80000
    """)
    assert refusal(load, text).splitlines() == [
        "bench.csv line 2, oxygen_fraction: 98.5 looks like percent; write 0.985",
        "bench.csv line 3, gas: 'oxigen' is not one of air, oxygen, nitrogen",
        "bench.csv line 3, direction: 'sideways' is not one of up, down",
        "bench.csv line 3, mv: 'sixty' is not a number; write it like 1.25",
        "bench.csv line 4, pressure_bar: 160 bar is 160 bar, outside 0.3 to 12 bar; if the unit is another "
        "one, name it in the header (pressure_kpa, pressure_psia, ...)",
        "bench.csv line 4, temperature_c: 210 degrees Celsius is outside -20 to 70; is the unit right?",
        "bench.csv line 4, mv: blank; write a number",
        "bench.csv line 4, cell: blank; write the cell of the row",
        "bench.csv line 5, step: 4.5 is not a whole number",
        "bench.csv line 5, mv: 80000 mV is not the output of a cell; is it in microvolts?",
        "bench.csv line 5, oxygen_fraction: blank; write the fraction in the pot, such as 0.995",
    ]


def test_a_long_list_of_faults_is_cut(load):
    rows = "\n".join(f"TB-0417,{k},oxygen,up,1.0,0.985,21,x" for k in range(50))
    reported = refusal(load, f"{HEADER}\n{rows}\n").splitlines()
    assert len(reported) == 21
    assert reported[-1] == "bench.csv: and 30 more like these"


@pytest.mark.parametrize("text", ["nan", "inf", "1_0", "0x10", "--1", "1.2.3", "1e", "٣"])
def test_no_odd_number_slips_through(load, text):
    assert "is not a number" in refusal(load, f"{HEADER}\nTB-0417,1,oxygen,up,1.0,0.985,21,{text}\n")


def test_a_step_given_twice_is_refused(load):
    reported = refusal(load, f"{HEADER}\n{GOOD}TB-0417,3,oxygen,up,1.63,0.985,21,80\n")
    assert reported == (
        "bench.csv line 6, step: step 3 of TB-0417 is already on line 4; number the steps in order"
    )


def test_headers_that_are_no_table_are_refused(load, tmp_path):
    assert "column oxygen_fraction is missing" in refusal(
        load, "cell,step,gas,direction,pressure_bar,mv\nA,1,air,up,1,9\n"
    )
    assert "neither a readings table" in refusal(load, "a,b\n1,2\n")
    assert refusal(load, "cell,step,gas,direction,pressure_bar,oxygen_fraction\nA,1,air,up,1,\n") == (
        "bench.csv line 1: looks like a readings table, but column mv is missing"
    )
    assert refusal(load, "time,pressure_bar,temperature_c,oxygen_fraction,TB-0417\n0,1,21,1,50\n") == (
        "bench.csv line 1: looks like a trace table, but column t_s is missing"
    )
    assert "two columns are named 'mv'" in refusal(load, f"{HEADER},mv\n")
    assert "has no name" in refusal(load, f"{HEADER},\n")
    assert "a header without rows" in refusal(load, f"{HEADER}\n")
    assert "one column of pressure is needed" in refusal(load, f"{HEADER},pressure_kpa\n{'1,' * 8}1\n")
    assert refusal(load, " \n") == "bench.csv: empty"
    with pytest.raises(SourceError, match="not found"):
        load_source(tmp_path / "nothing.csv")
    (tmp_path / "binary.csv").write_bytes(b"cell\xff\x00")
    with pytest.raises(SourceError, match="UTF-8"):
        load_source(tmp_path / "binary.csv")


def test_stated_uncertainties_and_response_times_are_taken(load):
    text = (
        f"{HEADER},u_mv,u_pressure_bar,t90_s,relative_humidity\n"
        "A,1,air,up,1.0132,,21.0,10.4,0.05,,,0.35\n"
        "A,2,oxygen,up,1.02,0.985,21.0,50.1,0.1,0.002,5.5,\n"
        "A,3,oxygen,down,1.02,0.985,21.0,50.1,,,6.5,\n"
    )
    read = load(text, ErrorModel(source="bench file x"))
    assert read.steps.u_output_mv[0].tolist() == [0.05, 0.1, 0.0]
    assert read.steps.u_pressure_bar[0].tolist() == [0.0, 0.002, 0.0]
    assert read.steps.relative_humidity[0].tolist() == [0.35, 0.0, 0.0]
    assert [(r.direction, r.step, r.t90_s, r.u_t90_s) for r in read.responses[0]] == [
        ("up", 2, 5.5, 0.5),
        ("down", 3, 6.5, 0.5),
    ]
    assert read.conditions.uncertainty_source == "bench file x"


def test_the_number_of_digits_says_nothing_about_the_uncertainty(load):
    """A program drops trailing zeros: 1.6 may be 1.6000."""
    read = load(f"{HEADER}\nA,1,oxygen,up,1,1,21,50\nA,2,oxygen,up,1.6,1,21,80\n")
    assert np.all(read.steps.u_output_mv == 0.0)
    assert np.all(read.steps.u_pressure_bar == 0.0)


def test_a_name_that_no_label_has_room_for_is_refused(tmp_path):
    table = tmp_path / "readings.csv"
    table.write_text(
        "cell,step,gas,direction,pressure_bar,oxygen_fraction,temperature_c,mv\n"
        f"{'T' * 41},1,oxygen,up,1.0,1.0,21,50\n"
    )
    with pytest.raises(SourceError, match=r"readings\.csv.*2.*cell.*at most 40 printable characters"):
        load_source(table)
