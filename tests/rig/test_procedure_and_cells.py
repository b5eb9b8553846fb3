"""Procedure and cells files: what is refused and in which words."""

from __future__ import annotations

import pytest

from grading.results import CellInfo
from rig.setup.cells import load_cells, parse_cells
from rig.setup.procedure import ProcedureFile, load_procedure, parse_procedure
from rig_configs.files.checked_toml import FileError, TomlText
from rig_configs.files.shipped_files import open_config, shipped_names

FULL = open_config("procedures", "full").text


def procedure(*changes: tuple[str, str]) -> ProcedureFile:
    text = FULL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return parse_procedure(TomlText("mine.toml", text))


def cells(text: str) -> tuple[CellInfo, ...]:
    return parse_cells(TomlText("box.csv", text), range(1, 9))


def cell_problems(text: str) -> tuple[str, ...]:
    with pytest.raises(FileError) as caught:
        cells(text)
    return caught.value.problems


@pytest.mark.parametrize("name", shipped_names("procedures"))
def test_every_shipped_procedure_is_valid(name: str) -> None:
    assert load_procedure(name).steps


def test_targets_are_pressures_in_the_gas_that_the_purge_left() -> None:
    full = procedure()
    top = full.steps[5]
    assert full.target_bar(top, 0.98) == pytest.approx(2.0408, abs=1e-4)
    assert full.highest_target_bar() == pytest.approx(2.0 / 0.985)
    assert full.cap_s(top) == 120.0


@pytest.mark.parametrize(
    ("old", "new", "reported"),
    [
        ("po2_bar = 1.6", "po2_bar = 2.0", "add a step between"),
        ("po2_bar = 1.2", "po2_bar = 0.9", "write 'down'"),
        ("calibration_po2_bar = 1.0", "calibration_po2_bar = 1.1", "no step is at 1.1 bar"),
        ("high_bar = 2.0", "high_bar = 1.1", "not above low_bar"),
        ("cap_s = 120", "cap_s = 20", "shorter than least_s"),
        ("stop_mbar_per_min = 4.0", "stop_mbar_per_min = 0.5", "below warn_mbar_per_min"),
        ('method = "swings"', 'method = "swing"', "did you mean 'swings'"),
        ("[[steps]]", "[[step]]", "did you mean 'steps'"),
    ],
)
def test_what_contradicts_itself_is_refused(old: str, new: str, reported: str) -> None:
    with pytest.raises(FileError, match=r"mine\.toml:\d+: ") as caught:
        procedure((old, new))
    assert reported in str(caught.value)


def test_every_procedure_ends_where_the_gas_is_checked_again() -> None:
    for name in shipped_names("procedures"):
        shipped = load_procedure(name)
        assert shipped.steps[-1].po2_bar == shipped.calibration_po2_bar
        assert not shipped.closing_step_added
    upwards = FULL.split("[[steps]]")
    only_up = parse_procedure(TomlText("mine.toml", "[[steps]]".join(upwards[:5])))
    assert [step.po2_bar for step in only_up.steps] == [1.0, 1.2, 1.4, 1.6, 1.0]
    assert only_up.steps[-1].direction == "down"
    assert only_up.closing_step_added
    calibration_alone = parse_procedure(TomlText("mine.toml", "[[steps]]".join(upwards[:2])))
    assert len(calibration_alone.steps) == 1


def test_a_large_step_down_is_allowed_where_the_vent_follows_and_nowhere_else() -> None:
    text = FULL.split("[[steps]]")
    last = ["\npo2_bar = 1.0\ndirection = 'down'\n"]
    assert parse_procedure(TomlText("mine.toml", "[[steps]]".join(text[:7] + last)))
    with pytest.raises(FileError, match="add a step between"):
        parse_procedure(TomlText("mine.toml", "[[steps]]".join(text[:7] + last + last)))


def test_procedure_without_steps_is_refused() -> None:
    with pytest.raises(FileError, match="steps"):
        parse_procedure(TomlText("mine.toml", FULL[: FULL.index("[[steps]]")]))


def test_cells_come_in_socket_order_with_what_is_known() -> None:
    box = cells(
        "serial,socket,maker,temperature_coefficient_percent_per_k\nOS-1123,2,Ostrand,0.1\nTB-0417,1,Tarnby,\n"
    )
    assert [(cell.socket, cell.cell, cell.maker) for cell in box] == [
        (1, "TB-0417", "Tarnby"),
        (2, "OS-1123", "Ostrand"),
    ]
    assert box[1].temperature_coefficient_percent_per_k == 0.1
    assert box[0].temperature_coefficient_percent_per_k is None


def test_a_check_cell_is_booked_by_yes() -> None:
    box = cells("socket,serial,check_cell\n1,TB-0417,yes\n2,OS-1123,no\n3,OS-1124,\n")
    assert [cell.check_cell for cell in box] == [True, False, False]
    (problem,) = cell_problems("socket,serial,check_cell\n1,TB-0417,good\n")
    assert "check_cell: 'good' is neither yes nor no" in problem


def test_semicolons_and_decimal_commas_are_recognised_together() -> None:
    box = cells("socket;serial;temperature_coefficient_percent_per_k\n1;TB-0417;0,25\n")
    assert box[0].temperature_coefficient_percent_per_k == 0.25


def test_duplicate_serial_names_both_lines() -> None:
    assert cell_problems("socket,serial\n1,TB-0417\n2,OS-1123\n3,TB-0417\n") == (
        "box.csv:4: serial: 'TB-0417' is already on line 2; a cell sits in one socket only",
    )


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ("", "box.csv: is empty"),
        ("socket,serial\n", "has a header and no cells"),
        ("socket,serail\n1,TB-0417\n", "unknown column 'serail'; did you mean 'serial'?"),
        ("socket\n1\n", "column 'serial' is missing"),
        ("socket,serial,serial\n1,a,b\n", "column 'serial' appears 2 times"),
        ("socket,serial\n1,TB-0417\n1,OS-1123\n", "box.csv:3: socket: 1 is already taken on line 2"),
        ("socket,serial\n9,TB-0417\n", "box.csv:2: socket: 9 is not on this bench; it has 1 to 8"),
        ("socket,serial\nA,TB-0417\n", "'A' is not a socket number"),
        ("socket,serial\n1,\n", "serial: is blank"),
        ("socket\tserial\n1\tTB-0417\n", "box.csv:1: separated by tabs; use commas or semicolons"),
        ("socket,serial\n1,TB\x070417\n", "unprintable"),
        ("socket,serial\n1,TB-0417,more\n", "box.csv:2: 3 fields where the header has 2"),
        ('socket,serial\n1,"TB-0417\n', "not a CSV table"),
        ("socket,serial,temperature_coefficient_percent_per_k\n1,a,warm\n", "'warm' is not a number"),
    ],
)
def test_wrong_cells_files_are_reported_by_line_and_column(text: str, reported: str) -> None:
    assert reported in "\n".join(cell_problems(text))


def test_shipped_cells_fit_the_virtual_bench() -> None:
    assert len(load_cells("six_cells", range(1, 9))) == 6


def test_file_of_that_name_in_the_working_folder_is_not_taken_for_a_shipped_one() -> None:
    with pytest.raises(FileError, match="no cells file is called 'seven_cells'"):
        load_cells("seven_cells")
