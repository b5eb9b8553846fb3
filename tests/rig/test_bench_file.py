"""Bench files: what is refused, in which words, and what a checked one gives."""

from __future__ import annotations

import re
from datetime import date

import pytest

from drivers.ports import Identity
from rig.setup.bench import open_bench
from rig.setup.bench_file import (
    BenchFile,
    error_model,
    instrument_lines,
    load_bench,
    parse_bench,
    pressure_limits,
)
from rig.setup.procedure import load_procedure, parse_procedure
from rig_configs.files.checked_toml import FileError, TomlText
from rig_configs.files.shipped_files import open_config, shipped_names

VIRTUAL = open_config("benches", "virtual_bench").text
FULL = open_config("procedures", "full").text


def bench(*changes: tuple[str, str]) -> BenchFile:
    text = VIRTUAL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return parse_bench(TomlText("mine.toml", text))


def problems(*changes: tuple[str, str]) -> tuple[str, ...]:
    with pytest.raises(FileError) as caught:
        bench(*changes)
    return caught.value.problems


def line_of(text: str) -> int:
    return VIRTUAL[: VIRTUAL.index(text)].count("\n") + 1


@pytest.mark.parametrize("name", shipped_names("benches"))
def test_every_shipped_bench_is_valid_and_takes_the_quick_procedure(name: str) -> None:
    loaded = load_bench(name)
    assert loaded.by_role("voltmeter") is not None
    assert pressure_limits(loaded, load_procedure("quick")).trip_bar <= loaded.limits.relief_pressure_bar


def test_unknown_key_names_line_and_nearest_key() -> None:
    found = problems(("ramp_bar_per_min", "rampbar_per_min"))
    line = line_of("ramp_bar_per_min")
    assert found == (
        f"mine.toml:{line}: limits.rampbar_per_min: unknown key; did you mean 'ramp_bar_per_min'?",
    )


def test_all_problems_are_reported_at_once() -> None:
    found = problems(
        ('role = "barometer"', 'role = "gauge"'),
        ('driver = "modbus_valves"', 'driver = "modbus_valve"'),
        ("trip_pressure_bar = 2.3", "trip_pressure_bar = 3.1"),
        ("zero_mv", "zero_v"),
    )
    text = "\n".join(found)
    assert "trip_pressure_bar: 3.1 bar is not below relief_pressure_bar 3 bar" in text
    assert "'gauge' is already the role of 'gauge_a'" in text
    assert "no instrument has role 'barometer'" in text
    assert "no driver is called 'modbus_valve'; did you mean 'modbus_valves'?" in text
    assert "uncertainty.zero_v: unknown key; did you mean 'zero_mv'?" in text


def test_regulator_that_gives_more_than_the_pot_may_take_is_refused() -> None:
    (found,) = problems(("supply_pressure_bar = 4.0", "supply_pressure_bar = 4.5"))
    assert found == (
        f"mine.toml:{line_of('supply_pressure_bar')}: gas.supply_pressure_bar: 4.5 bar is more than the pot "
        f"may take, working_pressure_bar 4 bar (mine.toml:{line_of('working_pressure_bar')}); set the "
        "regulator no higher than the plate"
    )
    assert bench(("supply_pressure_bar = 4.0", "supply_pressure_bar = 3.9")).gas.supply_pressure_bar == 3.9


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("stop_pressure_bar = 2.2", "stop_pressure_bar = 2.3", "not below trip_pressure_bar 2.3 bar"),
        ("trip_pressure_bar = 2.3", "trip_pressure_bar = 3.0", "not below relief_pressure_bar 3 bar"),
        ("relief_pressure_bar = 3.0", "relief_pressure_bar = 4.1", "not below working_pressure_bar 4 bar"),
    ],
)
def test_stop_trip_relief_and_plate_have_to_rise_in_this_order(old: str, new: str, said: str) -> None:
    (found,) = problems((old, new))
    assert said in found
    assert "the order is stop, trip, relief, working" in found


def test_a_fastest_vent_no_faster_than_the_ramp_is_refused() -> None:
    new = "ramp_bar_per_min = 0.5\nfastest_vent_bar_per_min = 0.4"
    (found,) = problems(("ramp_bar_per_min = 0.5", new))
    assert "limits.fastest_vent_bar_per_min: 0.4 bar/min is not above ramp_bar_per_min 0.5 bar/min" in found
    assert bench(("ramp_bar_per_min = 0.5", new.replace("0.4", "0.6"))).limits.fastest_vent_bar_per_min == 0.6


def test_missing_instrument_says_why_it_is_needed() -> None:
    start, end = VIRTUAL.index("[instruments.gauge_b]"), VIRTUAL.index("[instruments.barometer]")
    found = problems((VIRTUAL[start:end], ""))
    assert found == (
        "mine.toml: instruments: no instrument has role 'second_gauge', needed because valves may open only "
        "while two gauges agree; add [instruments.NAME] with it",
    )


def test_driver_that_cannot_serve_the_role_is_refused_with_those_that_can() -> None:
    (found,) = problems(('driver = "scpi_thermometer"', 'driver = "modbus_valves"'))
    assert "'modbus_valves' cannot serve as thermometer" in found
    assert "scpi_thermometer" in found


def test_address_must_fit_a_virtual_or_a_real_bench() -> None:
    (found,) = problems(('address = "virtual"', 'address = "tcp://192.0.2.9:502/1"'))
    assert found.endswith('on a bench with a [virtual] table; write "virtual"')
    start, end = VIRTUAL.index("[virtual]"), VIRTUAL.index("[instruments.scanner]")
    found_all = problems((VIRTUAL[start:end], ""))
    assert len(found_all) == 6
    assert all("needs a [virtual] table" in text for text in found_all)


def test_calibration_must_end_after_it_began() -> None:
    (found,) = problems(("due = 2027-02-10", "due = 2025-02-10"))
    assert "due: 2025-02-10 is not after calibrated 2026-02-10" in found


def test_step_above_the_working_pressure_names_both_files_and_what_would_be_right() -> None:
    low = bench(
        ("working_pressure_bar = 4.0", "working_pressure_bar = 1.9"),
        ("stop_pressure_bar = 2.2", "stop_pressure_bar = 1.8"),
        ("trip_pressure_bar = 2.3", "trip_pressure_bar = 1.85"),
        ("relief_pressure_bar = 3.0", "relief_pressure_bar = 1.9"),
        ("supply_pressure_bar = 4.0", "supply_pressure_bar = 1.9"),
    )
    procedure = parse_procedure(TomlText("tall.toml", FULL))
    with pytest.raises(FileError) as caught:
        pressure_limits(low, procedure)
    line = FULL[: FULL.index("po2_bar = 2.0")].count("\n") + 1
    plate = line_of("working_pressure_bar")
    assert (
        f"tall.toml:{line}: steps[6].po2_bar: PO2 2 bar needs 2.03 bar absolute, above working_pressure_bar "
        f"1.9 bar of mine.toml:{plate}; write at most 1.77"
    ) in caught.value.problems
    assert any("steps[5].po2_bar" in text and "stop_pressure_bar" in text for text in caught.value.problems)
    assert any("purge.high_bar: a swing to 2 bar absolute" in text for text in caught.value.problems)


def test_limits_left_out_follow_from_the_procedure() -> None:
    loaded = bench(("stop_pressure_bar = 2.2", "#"), ("trip_pressure_bar = 2.3", "#"))
    limits = pressure_limits(loaded, load_procedure("full"))
    assert limits.stop_bar == pytest.approx(2.0 / 0.985 + 0.2)
    assert limits.trip_bar == pytest.approx(2.0 / 0.985 + 0.3)


def test_procedure_that_would_trip_above_the_relief_valve_is_refused() -> None:
    loaded = bench(
        ("stop_pressure_bar = 2.2", "#"),
        ("trip_pressure_bar = 2.3", "#"),
        ("relief_pressure_bar = 3.0", "relief_pressure_bar = 2.2"),
    )
    with pytest.raises(FileError, match="would lift before the run trips"):
        pressure_limits(loaded, load_procedure("full"))


def test_uncertainties_reach_the_error_model_by_role() -> None:
    errors = error_model(bench())
    assert errors.gauge_gain == 0.0005  # of the reference gauge, not of the second one
    assert errors.barometer_bar == 0.0004
    assert errors.voltmeter_gain == 0.0002
    assert errors.temperature_k == 0.2
    assert errors.bottle_oxygen_fraction == 0.001
    assert errors.source == "bench file mine.toml"


def test_instruments_are_listed_with_identity_dates_and_overdue() -> None:
    lines = instrument_lines(
        bench(), date(2027, 2, 11), {"scanner": Identity("Tideway Works", "TW-8", "TW-8-0031", "1.2")}
    )
    scanner = next(line for line in lines if line.name == "scanner")
    assert scanner.overdue
    assert scanner.identity == "Tideway Works TW-8 firmware 1.2"
    assert scanner.uncertainty == "gain 0.02 %, zero 0.005 mV, resolution 0.0005 mV"
    gauge = next(line for line in lines if line.name == "gauge_a")
    assert not gauge.overdue
    assert re.search(r"zero 0\.0008 bar", gauge.uncertainty)


def test_name_that_is_no_bench_suggests_one() -> None:
    with pytest.raises(FileError, match="did you mean 'virtual_bench'"):
        load_bench("virtual_bnch")


SOLENOID = open_config("benches", "solenoid_bench").text
CONTROLLER = open_config("benches", "controller_bench").text
GAUGE_A, GAUGE_B, BAROMETER, VALVES = (f"tcp://192.0.2.{host}:502/1" for host in (21, 22, 23, 30))


def solenoid(*changes: tuple[str, str]) -> BenchFile:
    text = SOLENOID
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return parse_bench(TomlText("mine.toml", text))


@pytest.mark.parametrize("spelling", [GAUGE_A, "tcp://192.0.2.21:0502/1", "tcp://192.0.2.21:502"])
@pytest.mark.parametrize(
    ("address", "role"), [(GAUGE_B, "second_gauge"), (BAROMETER, "barometer"), (VALVES, "valves")]
)
def test_two_instruments_at_one_address_are_refused(address: str, role: str, spelling: str) -> None:
    with pytest.raises(FileError) as caught:
        solenoid((address, spelling))
    line = SOLENOID[: SOLENOID.index(address)].count("\n") + 1
    first = SOLENOID[: SOLENOID.index(GAUGE_A)].count("\n") + 1
    (found,) = caught.value.problems
    assert found.startswith(f"mine.toml:{line}: instruments.")
    assert (
        f".address: '{spelling}' is already 'gauge_a' (gauge, mine.toml:{first}); role '{role}' needs"
        in found
    )


def test_units_of_one_gateway_and_channels_of_one_unit_are_different_instruments() -> None:
    assert solenoid((GAUGE_B, "tcp://192.0.2.21:502/2"), (VALVES, "tcp://192.0.2.21:502/30"))
    channel = f'"{GAUGE_A}"\noptions = {{ pressure = {{ address = 40 }} }}'
    assert solenoid((f'"{GAUGE_B}"', channel))
    same = f'"{GAUGE_A}"\noptions = {{ highest_bar = 5.0 }}'
    with pytest.raises(FileError, match="is already 'gauge_a'"):
        solenoid((f'"{GAUGE_B}"', same))


def test_a_controller_may_be_the_gauge_too_but_not_the_barometer() -> None:
    own = "TCPIP::192.0.2.40::5025::SOCKET"
    as_gauge = CONTROLLER.replace('"modbus_gauge"', '"scpi_pressure_controller"', 1).replace(GAUGE_A, own)
    assert parse_bench(TomlText("mine.toml", as_gauge)).by_role("gauge") is not None
    unit = "tcp://192.0.2.40:502/1"
    modbus = CONTROLLER.replace('"scpi_pressure_controller"', '"modbus_pressure_controller"')
    as_barometer = modbus.replace(own, unit).replace(BAROMETER, unit)
    with pytest.raises(
        FileError, match="role 'controller' needs a device, unit number or channel of its own"
    ):
        parse_bench(TomlText("mine.toml", as_barometer))


def test_a_lid_smaller_than_any_cell_is_refused() -> None:
    (found,) = problems(("lid_diameter_mm = 100", "lid_diameter_mm = 0.001"))
    assert f"mine.toml:{line_of('lid_diameter_mm')}: pot.lid_diameter_mm: should be greater than or" in found


def test_more_channels_than_the_pot_has_sockets_are_refused_when_the_bench_is_opened() -> None:
    wide = bench(('channels = "101:108"', 'channels = "101:116"'))
    line = line_of("[instruments.scanner.options]")
    with pytest.raises(FileError) as caught:
        open_bench(wide)
    assert caught.value.problems == (
        f"mine.toml:{line}: instruments.scanner.options: reads socket 9, 10, 11, 12, 13, 14, 15, 16, but the "
        f"pot has 8 sockets (mine.toml:{line_of('sockets = 8')}); name no more channels than sockets",
    )
