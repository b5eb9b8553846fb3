"""Preflight on the virtual bench: what passes, what fails, and what the user is asked to do."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers.virtual_spec import FaultSpec
from rig.cli.main import main
from rig.run.free_space import free_bytes
from rig.run.preflight import Check, PreflightReport, run_preflight, standing_checks
from rig.setup.bench import BenchNotReady, open_bench
from rig.setup.bench_file import BenchFile, load_bench, parse_bench
from rig.setup.cells import load_cells
from rig_configs.files.checked_toml import FileError, TomlText
from rig_configs.files.shipped_files import open_config

VIRTUAL = open_config("benches", "virtual_bench").text


def changed(old: str, new: str) -> BenchFile:
    assert old in VIRTUAL
    return parse_bench(TomlText("mine.toml", VIRTUAL.replace(old, new, 1)))


def with_fault(*faults: FaultSpec, out: Path = Path()) -> PreflightReport:
    cells = load_cells("six_cells")
    with open_bench(load_bench("virtual_bench"), cells=cells, mode="direct", faults=faults) as bench:
        return standing_checks(bench, out)


def line(report: PreflightReport, what: str) -> Check:
    return next(check for check in report.checks if check.what == what)


def test_sound_bench_is_ready_over_the_wire(tmp_path: Path) -> None:
    report = run_preflight(load_bench("virtual_bench"), tmp_path)
    assert report.ready
    assert "TW-8-0031" in line(report, "scanner answers").found
    assert line(report, "vented zero and units").verdict == "ok"
    assert line(report, "scanner scan rate").verdict == "ok"
    assert json.loads(json.dumps(report.as_dict()))["ready"] is True


def test_a_ramp_that_strains_cells_is_cautioned_of(tmp_path: Path) -> None:
    report = run_preflight(changed("ramp_bar_per_min = 0.5", "ramp_bar_per_min = 1.5"), tmp_path)
    assert report.ready
    assert line(report, "ramp").verdict == "caution"


def test_noise_is_judged_on_cells_or_on_a_short() -> None:
    assert line(with_fault(), "scanner noise").verdict == "ok"


def test_a_voltmeter_that_repeats_itself_is_cautioned_of() -> None:
    noise = line(with_fault(FaultSpec("voltmeter_frozen", 0.0)), "scanner noise")
    assert noise.verdict == "caution"
    assert "12 scans alike" in noise.found


def test_overdue_calibration_is_reported_and_does_not_bar_a_run(tmp_path: Path) -> None:
    report = run_preflight(
        changed("calibrated = 2026-02-10\ndue = 2027-02-10", "calibrated = 2019-02-10\ndue = 2020-02-10"),
        tmp_path,
    )
    assert report.ready
    found = line(report, "scanner calibration")
    assert found.verdict == "caution"
    assert "overdue since 2020-02-10" in found.found


def test_computer_clock_before_a_calibration_is_refused(tmp_path: Path) -> None:
    report = run_preflight(
        changed("calibrated = 2026-02-10\ndue = 2027-02-10", "calibrated = 2199-02-10\ndue = 2199-03-10"),
        tmp_path,
    )
    assert line(report, "scanner calibration").to_do == "set the computer's clock"
    assert not report.ready


def test_gauge_in_the_wrong_unit_is_refused_before_any_gas() -> None:
    report = with_fault(FaultSpec("gauge_unit_psi", 0.0))
    found = line(report, "vented zero and units")
    assert found.verdict == "fail"
    assert "psi" in found.found


def test_dead_instrument_fails_alone_and_says_what_to_do(tmp_path: Path) -> None:
    text = open_config("benches", "solenoid_bench").text
    for host in ("10", "11", "21", "22", "23", "30"):
        text = text.replace(f"192.0.2.{host}::5025", "127.0.0.1::1").replace(
            f"192.0.2.{host}:502/1", f"127.0.0.1:1/{host}"
        )
    bench = parse_bench(TomlText("dead.toml", text))
    report = run_preflight(bench, tmp_path)
    found = line(report, "gauge_a answers")
    assert found.verdict == "fail"
    assert "127.0.0.1:1" in found.found
    assert "cable" in found.to_do
    with pytest.raises(BenchNotReady) as caught:
        open_bench(bench)
    lines = str(caught.value).splitlines()
    assert len(lines) == 6
    assert all(text.startswith("dead.toml:") for text in lines)


def test_wrong_serial_number_is_refused_by_name() -> None:
    virtual = changed('serial = "TG-20117"', 'serial = "TG-99999"')
    # The virtual gauge reports the serial of its file, so the error is made on the other side of the wire.
    with open_bench(load_bench("virtual_bench"), mode="real_time") as served:
        real = served.parts.addresses
        text = VIRTUAL[: VIRTUAL.index("[virtual]")] + VIRTUAL[VIRTUAL.index("[instruments.scanner]") :]
        for name, address in real.items():
            at = text.index('address = "virtual"', text.index(f"[instruments.{name}]"))
            text = text[:at] + f'address = "{address}"' + text[at + len('address = "virtual"') :]
        wrong = parse_bench(TomlText("wrong.toml", text.replace("TG-20117", "TG-99999", 1)))
        with pytest.raises(BenchNotReady, match=r"gauge_a: .*TG-20117"):
            open_bench(wrong)
    assert virtual.instruments["gauge_a"].serial == "TG-99999"


def test_option_that_a_driver_does_not_know_is_reported_with_its_line() -> None:
    with pytest.raises(FileError, match=r"mine\.toml:\d+: instruments\.scanner\.options\.nplcc: .*'nplc'"):
        open_bench(changed("nplc = 1", "nplcc = 1"))


@pytest.mark.parametrize(
    ("scan", "virtual", "verdict", "says"),
    [
        ("interval_s = 0.2", "", "ok", "drop 2 s after the last heartbeat, one comes every 0.4 s"),
        ("interval_s = 0.5", "", "caution", "runs may end without cause"),
        ("interval_s = 0.2", "watchdog_s = 0.7\n", "caution", "one comes every 0.4 s"),
        ("interval_s = 1.0", "watchdog_s = 2.0\n", "fail", "every run would end at once"),
    ],
)
def test_watchdog_time_is_held_against_the_heartbeat(
    tmp_path: Path, scan: str, virtual: str, verdict: str, says: str
) -> None:
    text = VIRTUAL.replace("interval_s = 0.2", scan).replace("[virtual]\n", f"[virtual]\n{virtual}")
    found = line(run_preflight(parse_bench(TomlText("mine.toml", text)), tmp_path), "valves watchdog")
    assert found.verdict == verdict
    assert says in found.found


def test_bench_without_a_watchdog_is_cautioned(tmp_path: Path) -> None:
    bench = changed('serial = "TV-00058"', 'serial = "TV-00058"\noptions = { watchdog = false }')
    found = line(run_preflight(bench, tmp_path), "valves watchdog")
    assert found.verdict == "caution"
    assert "reports no watchdog" in found.found


def test_room_is_reported_for_a_folder_that_is_not_made_yet(tmp_path: Path) -> None:
    assert free_bytes(tmp_path / "deep" / "records") == pytest.approx(free_bytes(tmp_path), rel=0.01)
    assert list(tmp_path.iterdir()) == []


def test_a_bench_with_a_dial_only_is_checked_and_says_what_the_run_asks(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = open_config("benches", "virtual_hand_pot").text
    before, _, rest = text.partition("[instruments.gauge]")
    dial = '[instruments.dial]\nrole = "gauge"\ndriver = "typed_gauge"\naddress = "virtual"\n'
    file = tmp_path / "dial.toml"
    file.write_text(before + dial + rest[rest.index("[cells_uncertainty]") :])
    assert main(["preflight", str(file), "--out", str(tmp_path)]) == 0
    capsys.readouterr()
    report = run_preflight(load_bench(str(file)), tmp_path)
    assert report.ready
    dial_line = line(report, "dial answers")
    assert (dial_line.verdict, dial_line.found) == ("not checked", "read by a person")
    assert "the run asks for it" in dial_line.to_do
    zero = line(report, "vented zero and units")
    assert zero.verdict == "not checked"
    assert "the run asks for the barometer and the dial" in zero.to_do
    assert line(report, "meter scan rate").verdict == "ok"
