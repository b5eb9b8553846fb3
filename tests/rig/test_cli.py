"""The command line as a user meets it: words, exit codes, and nothing half-written."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from rig.cli.main import main
from rig_configs.files.shipped_files import open_config

LEADLINE = [sys.executable, "-m", "rig.cli.main"]
COMMANDS = [
    ("demo",),
    ("preflight",),
    ("plan",),
    ("run",),
    ("grade",),
    ("certify",),
    ("archive", "check"),
    ("bench", "list"),
    ("bench", "serve"),
    ("bench", "describe"),
    ("bench", "faults"),
]

GOLDEN = Path(__file__).parents[1] / "golden" / "records" / "v1" / "2026-03-02T101500Z-a1b2"


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def in_a_process(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*LEADLINE, *arguments],
        capture_output=True,
        text=True,
        timeout=300,
        env={**os.environ, **environment},
        check=False,
    )


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_has_help_with_an_example(
    command: tuple[str, ...], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, *command, "--help")
    assert code == 0
    assert f"Example: leadline {' '.join(command)}" in " ".join(out.split())
    assert err == ""


def test_help_flows_at_any_width_and_keeps_its_brackets() -> None:
    wide = in_a_process("bench", "serve", "--help", COLUMNS="160")
    assert "runs against it as against a real bench." in wide.stdout
    assert "a bench file with a [virtual] table" in " ".join(wide.stdout.split())


def test_a_file_of_another_kind_is_reported_in_one_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(open_config("benches", "virtual_bench").text)
    code, _, err = run(capsys, "plan", str(bench), "--bench", str(bench))
    assert code == 2
    assert len(err.splitlines()) == 1
    assert "'leadline.bench/1' is another kind of file; 'leadline.procedure/1' is needed here" in err


def test_hundreds_of_problems_are_cut_short(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    cells = tmp_path / "cells.csv"
    cells.write_text("socket,serial\n" + "".join(f"{number},S{number}\n" for number in range(1, 300)))
    code, _, err = run(capsys, "run", "virtual_bench", "-c", str(cells), "-o", str(tmp_path / "out"))
    lines = err.splitlines()
    assert code == 2
    assert len(lines) == 21
    assert lines[-1] == "leadline: and 271 more"


def test_a_cell_without_a_channel_is_refused_before_a_record_begins(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bench = tmp_path / "bench.toml"
    bench.write_text(open_config("benches", "virtual_bench").text.replace("sockets = 8", "sockets = 9"))
    cells = tmp_path / "cells.csv"
    cells.write_text("socket,serial\n9,TB-0417\n")
    out = tmp_path / "records"
    code, _, err = run(capsys, "run", str(bench), "-c", str(cells), "-o", str(out))
    assert code == 2
    assert "no channel for socket 9, where a cell sits; it reads sockets 1 to 8" in err
    assert not out.exists()


def test_help_names_every_command_and_the_exit_codes() -> None:
    done = in_a_process("--help")
    assert done.returncode == 0
    for command in {parts[0] for parts in COMMANDS}:
        assert command in done.stdout
    assert "3 refused for safety" in done.stdout.replace("\n", " ")


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv = ['leadline', '--help']\n"
        "from rig.cli.main import main\n"
        "main(['--help'])\n"
        "heavy = {'numpy', 'scipy', 'matplotlib', 'pydantic', 'pyvisa', 'pymodbus', 'typst'}\n"
        "sys.exit(', '.join(sorted(heavy & set(sys.modules))) or 0)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("arguments", "reported"),
    [
        (("demo", "--sed", "3"), "leadline: No such option: --sed"),
        (("dmo",), "leadline: No such command 'dmo'"),
        (("plan", "full"), "leadline: Missing option '--bench'"),
        (("demo", "--seed", "x"), "leadline: Invalid value for '--seed'"),
        (("preflight", "virtual_bnch"), "leadline: no bench is called 'virtual_bnch'; did you mean"),
        (("plan", "fll", "--bench", "virtual_bench"), "did you mean 'full'?"),
        (("run", "virtual_bench", "-c", "nowhere.csv"), "leadline: nowhere.csv: no such file"),
        (("run", "virtual_bench", "-c", "six_cells", "--limits", "genral"), "did you mean 'general'?"),
        (("run", "virtual_bench", "-c", "six_cells", "--inject", "boom"), "write NAME[:TARGET]"),
        (("run", "virtual_bench", "-c", "six_cells", "--inject", "boom@3"), "boom"),
        (("run", "solenoid_bench", "-c", "six_cells", "--inject", "x@3"), "leave --inject out"),
        (("run", "solenoid_bench", "-c", "six_cells", "--seed", "3"), "are for a virtual bench"),
        (("bench", "describe", "solenoid_bench"), "has no [virtual] table"),
        (("grade", "nowhere"), "nowhere"),
        (("certify", "nowhere"), "leadline: nowhere: holds no record"),
        (
            ("grade", str(GOLDEN), "--limits", "general", "--second-run", str(GOLDEN)),
            "is the same run; name the record of another",
        ),
        (
            ("grade", str(GOLDEN), "--limits", "general", "--second-run", "nowhere"),
            "leadline: nowhere: is no record",
        ),
        (("bench", "serve", "--write", "nowhere/served.toml"), "there is no folder"),
        (("bench", "serve", "--write", "."), "is a folder, not a file"),
        (("plan", "fullest_of_all", "--bench", "virtual_bench"), "shipped: full, quick. Your own file"),
        (("archive", "check", "nowhere"), "leadline: nowhere: no such folder"),
        (("archive", "check", ""), "Invalid value for 'FOLDER': is empty; write a path"),
        (("bench", "serve", "--write", ""), "Invalid value for '--write': is empty"),
        (("certify", ""), "Invalid value for 'RECORD': is empty"),
        (("demo", "--out", ""), "Invalid value for '--out' / '-o': is empty"),
        (("grade", ""), "Invalid value for 'SOURCE': is empty"),
        (("grade", "nowhere", "--plot", ""), "Invalid value for '--plot': is empty"),
        (("plan", "", "--bench", "virtual_bench"), "no procedure is called ''"),
        (("preflight", ""), "no bench is called ''"),
        (("preflight", "virtual_bench", "--out", ""), "Invalid value for '--out' / '-o': is empty"),
        (("run", "virtual_bench", "-c", ""), "no cells file is called ''"),
        (("run", "virtual_bench", "-c", "six_cells", "--out", ""), "Invalid value for '--out' / '-o'"),
    ],
)
def test_bad_input_is_one_line_and_code_2(
    arguments: tuple[str, ...],
    reported: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = run(capsys, *arguments)
    assert (code, out) == (2, "")
    assert reported in err
    assert len(err.splitlines()) == 1
    assert "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_duplicate_serial_names_both_lines_and_starts_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    cells = tmp_path / "box.csv"
    cells.write_text("socket,serial\n1,TB-0417\n2,TB-0417\n")
    out = tmp_path / "records"
    code, _, err = run(capsys, "run", "virtual_bench", "-c", str(cells), "-o", str(out))
    assert code == 2
    assert f"{cells}:3: serial: 'TB-0417' is already on line 2" in err
    assert not out.exists()


@pytest.mark.parametrize("fault", ["lid_opened@1", "gauge_unit_psi@1", "wrong_instrument:gauge@0"])
def test_refused_run_leaves_nothing_behind(
    fault: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out = tmp_path / "deep" / "records"
    run_it = ("run", "virtual_bench", "-p", "quick", "-c", "six_cells", "--no-certificates")
    code, _, err = run(capsys, *run_it, "--inject", fault, "--out", str(out))
    assert code == 3
    assert err.startswith("leadline: ")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("plan", "quick", "--bench", "{pipe}"),
        ("plan", "{pipe}", "--bench", "virtual_bench"),
        ("preflight", "{pipe}"),
        ("run", "{pipe}", "-c", "six_cells"),
        ("run", "virtual_bench", "-c", "six_cells", "-p", "{pipe}"),
        ("run", "virtual_bench", "-c", "{pipe}"),
        ("run", "virtual_bench", "-c", "six_cells", "--limits", "{pipe}"),
        ("bench", "serve", "{pipe}"),
        ("bench", "serve", "--cells", "{pipe}"),
        ("bench", "describe", "{pipe}"),
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("name", ["pipe.toml", "pipe"])
def test_pipe_in_place_of_a_file_is_reported_and_does_not_block(
    arguments: tuple[str, ...],
    name: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    pipe = tmp_path / name
    os.mkfifo(pipe)
    code, out, err = run(capsys, *(argument.format(pipe=pipe) for argument in arguments))
    assert (code, out) == (2, "")
    assert err == f"leadline: {pipe}: is a pipe or a device, not a file; save its text as a file\n"
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_step_above_the_pot_is_refused_before_anything_starts(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    tall = tmp_path / "tall.toml"
    steps = "".join(f'[[steps]]\npo2_bar = {po2}\ndirection = "up"\n' for po2 in (1.0, 1.5, 2.0, 2.5, 3.0))
    tall.write_text(
        f'schema = "leadline.procedure/1"\nname = "tall"\nversion = "1"\ncalibration_po2_bar = 1.0\n{steps}'
    )
    out = tmp_path / "records"
    arguments = ("-p", str(tall), "-c", "six_cells", "-o", str(out))
    code, _, err = run(capsys, "run", "virtual_bench", *arguments)
    assert code == 2
    assert f"{tall}:18: steps[5].po2_bar: PO2 3 bar needs 3.05 bar absolute, above stop_pressure_bar" in err
    assert not out.exists()


@pytest.mark.parametrize("command", [("demo",), ("run", "virtual_bench", "-c", "six_cells")])
def test_output_folder_that_cannot_be_written_is_refused_before_anything_starts(
    command: tuple[str, ...], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    taken = tmp_path / "taken"
    taken.write_text("a file")
    code, out, err = run(capsys, *command, "--out", str(taken / "records"))
    assert (code, out) == (2, "")
    assert err == f"leadline: {taken / 'records'}: {taken} is a file, not a folder; choose another --out\n"
    assert taken.read_text() == "a file"


def test_output_folder_that_is_a_link_to_nothing_is_refused_before_anything_starts(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    code, out, err = run(capsys, "run", "virtual_bench", "-c", "six_cells", "--out", str(loop))
    assert (code, out) == (2, "")
    assert err == f"leadline: {loop}: {loop} is a link to nothing; choose another --out\n"


@pytest.mark.parametrize(
    ("folder", "reported"),
    [("nowhere", "no folder to read from"), ("a_file", "is a file, not a folder"), ("", "is empty")],
)
def test_font_folder_that_is_none_is_refused_and_nothing_is_written(
    folder: str,
    reported: str,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    record = tmp_path / "record"
    record.mkdir()
    (record / "run.json").write_text("{}")
    (tmp_path / "a_file").write_text("no fonts")
    code, out, err = run(capsys, "certify", str(record), "--font-dir", folder)
    assert (code, out) == (2, "")
    assert reported in err
    assert len(err.splitlines()) == 1
    assert [path.name for path in record.iterdir()] == ["run.json"]


def test_output_folder_on_a_system_that_refuses_is_reported(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "demo", "--out", "/proc/leadline")
    assert code == 2
    assert err.startswith("leadline: /proc/leadline: cannot be written to (")
    assert len(err.splitlines()) == 1


def test_unreachable_port_is_code_3_and_names_instrument_and_address(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = open_config("benches", "solenoid_bench").text
    for host in ("10", "11", "21", "22", "23", "30"):
        text = text.replace(f"192.0.2.{host}::5025", "127.0.0.1::1")
        text = text.replace(f"192.0.2.{host}:502/1", f"127.0.0.1:1/{host}")
    bench = tmp_path / "dead.toml"
    bench.write_text(text)
    out = tmp_path / "records"
    code, _, err = run(capsys, "run", str(bench), "-c", "six_cells", "-o", str(out))
    assert code == 3
    assert "gauge_a: cannot open tcp://127.0.0.1:1: connection refused; check" in err
    assert all(line.startswith(f"leadline: {bench}:") for line in err.splitlines())
    assert not out.exists()


def test_plan_and_lists_as_json_are_json_alone(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments, key in (
        (("plan", "quick", "--bench", "virtual_bench"), "steps"),
        (("preflight", "virtual_bench"), "checks"),
        (("bench", "list"), "benches"),
    ):
        code, out, err = run(capsys, *arguments, "--json")
        assert (code, err) == (0, "")
        assert key in json.loads(out)
    code, out, err = run(capsys, "bench", "faults", "--json")
    assert (code, err) == (0, "")
    assert {"name", "text"} <= set(json.loads(out)[0])


def test_preflight_of_a_dead_bench_prints_its_table_and_code_3(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = open_config("benches", "hand_pot").text
    bench = tmp_path / "pot.toml"
    bench.write_text(text.replace("/dev/ttyUSB", "/dev/no_such_tty"))
    code, out, err = run(capsys, "preflight", str(bench))
    assert (code, err) == (3, "")
    assert "Not ready: 2 failed" in out


def test_describe_prints_what_the_virtual_bench_answers_to(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "bench", "describe")
    assert code == 0
    assert "ROUTe:SCAN" in out


def test_closed_pipe_is_no_traceback() -> None:
    shell = f"{sys.executable} -m rig.cli.main bench faults --json | head -c 20"
    done = subprocess.run(["bash", "-c", shell], capture_output=True, text=True, timeout=300, check=False)
    assert done.stderr == ""


@pytest.mark.parametrize("closed", [">&-", "2>&-", "<&-", ">&- 2>&-", "<&- >&- 2>&-"])
@pytest.mark.parametrize("command", ["bench list", "bench list --json", "plan quick --bench virtual_bench"])
def test_closed_streams_are_no_error(command: str, closed: str) -> None:
    shell = f"{sys.executable} -m rig.cli.main {command} {closed}"
    done = subprocess.run(["bash", "-c", shell], capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_no_file_of_ours_gets_the_number_of_a_closed_stream(tmp_path: Path) -> None:
    code = (
        "from rig.cli.streams import make_streams_safe\n"
        "make_streams_safe()\n"
        f"file = open({str(tmp_path / 'record')!r}, 'w')\n"
        "file.write(str(file.fileno()))\n"
    )
    shell = f'{sys.executable} -c "{code}" <&- >&- 2>&-'
    subprocess.run(["bash", "-c", shell], timeout=300, check=True)
    assert int((tmp_path / "record").read_text()) > 2


def test_terminal_that_cannot_show_our_signs_gets_plain_ones() -> None:
    done = in_a_process("preflight", "virtual_bench", PYTHONIOENCODING="ascii")
    assert done.returncode == 0, done.stderr
    assert "+ ok" in done.stdout
    assert "?" not in done.stdout


def test_an_unexpected_error_is_one_line_with_a_file_for_us(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))

    def broken(*_: object) -> None:
        raise ZeroDivisionError("nobody foresaw this")

    monkeypatch.setattr("rig.setup.plan.make_plan", broken)
    code, out, err = run(capsys, "plan", "full", "--bench", "virtual_bench")
    assert (code, out) == (1, "")
    assert err.startswith("leadline: internal error (ZeroDivisionError: nobody foresaw this); please report")
    assert len(err.splitlines()) == 1
    (report,) = tmp_path.iterdir()
    assert "Traceback" in report.read_text()


@pytest.mark.parametrize(
    ("old", "new", "reported"),
    [
        (
            "ramp_bar_per_min",
            "ramp_bar_per_mn",
            "limits.ramp_bar_per_mn: unknown key; did you mean",
        ),
        ('role = "voltmeter"', 'role = "thermometer"', "no instrument has role 'voltmeter'"),
        ("nplc = 1", "nplcs = 1", "instruments.scanner.options.nplcs"),
        (
            '"101:108"',
            '"101:99999999999"',
            "instruments.scanner.options.channels: should name at most 64 channels",
        ),
    ],
)
@pytest.mark.parametrize("command", ["run", "preflight"])
def test_bench_file_that_is_wrong_starts_nothing(
    command: str, old: str, new: str, reported: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    bench = tmp_path / "mine.toml"
    bench.write_text(open_config("benches", "virtual_bench").text.replace(old, new, 1))
    out = tmp_path / "records"
    cells = ("-c", "six_cells") if command == "run" else ()
    code, shown, err = run(capsys, command, str(bench), *cells, "--out", str(out))
    assert code == 2
    assert reported in err
    assert all(line.startswith(f"leadline: {bench}") for line in err.splitlines())
    assert shown == ""
    assert not out.exists()


def test_cells_file_that_is_no_cells_file_is_reported_by_column(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    cells = tmp_path / "box.csv"
    cells.write_text("slot,serail\n1,TB-0417\n")
    code, _, err = run(capsys, "run", "virtual_bench", "-c", str(cells), "-o", str(tmp_path / "records"))
    assert code == 2
    assert f"{cells}:1: unknown column 'serail'; did you mean 'serial'?" in err


def test_a_folder_of_records_is_answered_with_one_of_them(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "one").mkdir()
    (tmp_path / "one" / "run.json").write_text("{}")
    code, _, err = run(capsys, "grade", str(tmp_path))
    assert code == 2
    assert err == (
        f"leadline: {tmp_path}: a folder of records, not one record; name one, such as {tmp_path / 'one'}\n"
    )
