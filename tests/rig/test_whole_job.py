"""The whole job in a separate process, as a user starts it: stopped, tripped, refused, killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from rig.cli.main import main
from rig.run.outcome import RunOutcome
from rig.terminal.live import TerminalView

LEADLINE = [sys.executable, "-m", "rig.cli.main"]
QUICK_RUN = ("run", "virtual_bench", "-p", "quick", "-c", "six_cells", "--seed", "7", "--operator", "Test")


def only_record(folder: Path) -> Path:
    (record,) = folder.iterdir()
    return record


def ending(record: Path) -> dict[str, Any]:
    data: dict[str, Any] = json.loads((record / "end.json").read_text())
    return data


def start(out: Path, *more: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*LEADLINE, *QUICK_RUN, "-o", str(out), *more],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        bufsize=1,
    )


def wait_for_line(process: subprocess.Popen[str], word: str) -> str:
    assert process.stdout is not None
    for line in process.stdout:
        if word in line.lower():
            return line
    raise AssertionError(f"ended without saying {word!r}: {process.stderr and process.stderr.read()}")


def grades(record: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert main(["grade", str(record), "--json"]) == 0
    cells: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["cells"]
    return cells


@pytest.fixture(scope="module")
def completed(tmp_path_factory: pytest.TempPathFactory) -> tuple[subprocess.CompletedProcess[str], Path]:
    out = tmp_path_factory.mktemp("records")
    done = subprocess.run(
        [*LEADLINE, *QUICK_RUN, "-o", str(out), "--json"],
        capture_output=True,
        text=True,
        timeout=500,
        check=False,
    )
    return done, only_record(out)


def test_completed_run_ends_with_code_0_and_keeps_all_it_made(
    completed: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    done, record = completed
    assert done.returncode == 0, done.stderr
    assert ending(record)["how"] == "completed"
    run = json.loads((record / "run.json").read_text())
    assert run["operator"] == "Test"
    assert run["limits"]["name"] == "general"
    papers = sorted(path.name for path in (record / "certificates").iterdir())
    assert len(papers) == 8
    assert {"summary.pdf", "labels.pdf"} < set(papers)
    assert len(PdfReader(record / "certificates" / "summary.pdf").pages) == 1
    assert (record / "results.json").is_file()
    assert f"Record        {record}" in done.stderr


def test_json_of_a_run_is_alone_on_stdout_and_is_what_grade_says(
    completed: tuple[subprocess.CompletedProcess[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    done, record = completed
    printed = json.loads(done.stdout)
    assert [cell["cell"] for cell in printed["cells"]] == [
        "TB-0417",
        "OS-1123",
        "TB-0388",
        "OS-1090",
        "TB-0402",
        "OS-1131",
    ]
    assert {cell["cell"]: cell["grade"] for cell in grades(record, capsys)} == {
        cell["cell"]: cell["grade"] for cell in printed["cells"]
    }


def test_healthy_cell_passes_and_ceiling_is_rejected(
    completed: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    by_cell = {cell["cell"]: cell for cell in json.loads(completed[0].stdout)["cells"]}
    assert by_cell["TB-0417"]["grade"] == "pass"
    assert by_cell["OS-1090"]["grade"] == "reject"
    assert by_cell["TB-0402"]["grade"] in ("watch", "reject")


def test_sound_archive_is_code_0(
    completed: tuple[subprocess.CompletedProcess[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["archive", "check", str(completed[1].parent)]) == 0
    assert "1 record, 1 sound, 0 not" in capsys.readouterr().out


def test_certify_prints_one_cell_and_refuses_a_stranger(
    completed: tuple[subprocess.CompletedProcess[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    record = str(completed[1])
    assert main(["certify", record, "--cell", "TB-0417", "--json"]) == 0
    papers = json.loads(capsys.readouterr().out)["papers"]
    assert any("TB-0417" in path for path in papers)
    assert not any("OS-1123" in path for path in papers)
    assert main(["certify", record, "--cell", "TB-0471"]) == 2
    assert "has no cell 'TB-0471'; did you mean 'TB-0417'?" in capsys.readouterr().err


def test_other_limits_show_what_changed_against_the_kept_grading(
    completed: tuple[subprocess.CompletedProcess[str], Path],
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    from rig_configs.files.shipped_files import open_config

    strict = tmp_path / "strict.toml"
    text = open_config("limits", "general").text.replace('name = "general"', 'name = "strict"', 1)
    at = text.index("oxygen_output_mv")
    strict.write_text(text[:at] + text[at:].replace("pass_least = 40.0", "pass_least = 60.0", 1))
    if strict.read_text() == text:
        pytest.fail("the general limits file no longer says pass_least = 40.0 for the output in oxygen")
    assert main(["grade", str(completed[1]), "--limits", str(strict)]) == 0
    shown = capsys.readouterr().out
    assert "What changed against the grading kept with the record" in shown
    assert "TB-0417" in shown[shown.index("What changed") :]


def test_bench_is_not_asked_for_a_record(
    completed: tuple[subprocess.CompletedProcess[str], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["grade", str(completed[1]), "--bench", "virtual_bench"]) == 2
    assert "leave --bench out" in capsys.readouterr().err


def test_one_ctrl_c_vents_keeps_the_record_and_grades_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    process = start(tmp_path)
    wait_for_line(process, "purge")
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=500)
    assert process.returncode == 1, err
    assert "Run stopped: " in out
    assert "Traceback" not in out + err
    record = only_record(tmp_path)
    assert ending(record)["how"] == "stopped"
    assert not (record / "certificates").exists()
    cells = grades(record, capsys)
    assert {cell["grade"] for cell in cells} == {"ungraded"}
    assert all(cell["reasons"] for cell in cells)


def test_sigterm_drops_the_valves_and_keeps_the_record(tmp_path: Path) -> None:
    process = start(tmp_path)
    wait_for_line(process, "purge")
    process.terminate()
    out, err = process.communicate(timeout=500)
    assert process.returncode == 1, err
    assert "Run aborted: " in out
    assert ending(only_record(tmp_path))["how"] == "aborted"


def test_killed_run_leaves_a_record_that_reads_as_ungraded_with_the_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    process = start(tmp_path)
    wait_for_line(process, "purge")
    time.sleep(0.5)
    process.kill()
    process.communicate(timeout=500)
    record = only_record(tmp_path)
    assert not (record / "end.json").exists()
    cells = grades(record, capsys)
    assert {cell["grade"] for cell in cells} == {"ungraded"}
    assert "interrupted" in " ".join(cells[0]["reasons"])
    assert main(["archive", "check", str(tmp_path)]) == 1
    assert "interrupted" in capsys.readouterr().out


def test_trip_is_code_1_with_what_to_do(tmp_path: Path) -> None:
    process = start(tmp_path, "--inject", "supply_stuck_open@120")
    out, err = process.communicate(timeout=500)
    assert process.returncode == 1, err
    assert "ALARM" in out
    assert "lose the bottle" in out
    assert ending(only_record(tmp_path))["how"] == "tripped"


def test_gauge_in_psi_is_refused_with_code_3_before_any_record(tmp_path: Path) -> None:
    process = start(tmp_path, "--inject", "gauge_unit_psi@0")
    out, err = process.communicate(timeout=500)
    assert process.returncode == 3, out + err
    assert "psi" in out
    assert err.startswith("leadline: vented zero and units: ")
    assert len(err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_disk_without_room_is_reported_before_anything_starts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import shutil

    real = shutil.disk_usage(tmp_path)
    monkeypatch.setattr("shutil.disk_usage", lambda _path: real._replace(free=10_000_000))
    assert main([*QUICK_RUN, "-o", str(tmp_path / "records")]) == 3
    shown = capsys.readouterr().out
    assert "only 10 MB are free" in shown
    assert not (tmp_path / "records").exists()


def test_grading_that_fails_after_a_run_keeps_the_record_in_sight(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from rig.archive.finish import FinishFailed

    def broken(record: Path, **_: object) -> None:
        raise FinishFailed(f"{record}: could not be graded: no memory; the record is kept as it is")

    record = tmp_path / "2026-03-02T101500Z-a1b2"

    def session(*_: object, **__: object) -> RunOutcome:
        return RunOutcome(record, "completed", "done")

    monkeypatch.setattr("rig.run.session.run_session", session)
    monkeypatch.setattr("rig.job.job.finish_record", broken)
    assert main([*QUICK_RUN, "-o", str(tmp_path)]) == 1
    captured = capsys.readouterr()
    assert f"Record        {record}" in captured.out
    assert captured.err == (
        f"leadline: {record}: could not be graded: no memory; the record is kept as it is\n"
    )


def test_leaves_no_process_behind(tmp_path: Path) -> None:
    process = start(tmp_path)
    wait_for_line(process, "purge")
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children")
    if not children.exists():
        process.kill()
        process.communicate()
        pytest.skip("this system does not list a process's children")
    started = [int(pid) for pid in children.read_text().split()]
    process.kill()
    process.communicate()
    until_s = time.monotonic() + 60
    while any(_alive(pid) for pid in started) and time.monotonic() < until_s:
        time.sleep(0.05)
    assert started
    assert not any(_alive(pid) for pid in started)


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[-1].split()[0]
    return state != "Z"


def test_a_screen_that_fails_before_the_session_does_not_end_the_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr(TerminalView, "say", fails)
    # Refused at its vented-zero check, so that the run is short.
    assert main([*QUICK_RUN, "-o", str(tmp_path), "--inject", "gauge_unit_psi@1"]) == 3
    assert "Traceback" not in capsys.readouterr().err
