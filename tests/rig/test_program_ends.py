"""The whole program against a bench in another process, ended in every way that a program can end.

Pressure is in the pot each time, and the bench's own gauge, read without the program, shows the result.
"""

from __future__ import annotations

import json
import os
import pty
import resource
import select
import signal
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from drivers.catalogue import open_instrument
from drivers.ports import InstrumentSpec
from grading.record.reader import Record, read_record
from rig.cli.main import main
from rig.setup.bench_file import load_bench

LEADLINE = [sys.executable, "-m", "rig.cli.main"]
STRIKE_AT_BAR = 1.3
VENTED_BELOW_BAR = 1.05
PATIENCE_S = 30.0
"""How long an answer may take: the test is about how a program ends, not how busy the machine is."""
AT_ONCE = 5
"""Programs that run at the same time: more would make each other late on two cores."""

PROCEDURE = """
schema = "leadline.procedure/1"
name = "short"
version = "1"
[air]
hold = false
[purge]
method = "swings"
low_bar = 1.05
high_bar = 2.0
swings = 7
[[steps]]
po2_bar = 1.0
direction = "up"
"""

pytestmark = pytest.mark.timeout(900)


class Terminal:
    """A terminal window that a program runs in; what it prints goes into a file."""

    # A program of its own session, whose keys make signals as they do for a person.
    IN_IT = (sys.executable, "-c", "import os, sys; os.login_tty(0); os.execv(sys.argv[1], sys.argv[1:])")

    def __init__(self, name: str, log: Path) -> None:
        self.ours, self.theirs = pty.openpty()
        self._log = log
        self._closes = threading.Event()
        self._thread = threading.Thread(target=self._keep, name=name)
        self._thread.start()

    def press(self, key: str) -> None:
        os.write(self.ours, key.encode())

    def echoes(self) -> bool:
        return bool(termios.tcgetattr(self.theirs)[3] & termios.ECHO)

    def close(self) -> None:
        """Close the window; the program in it is hung up."""
        self._closes.set()
        self._thread.join()

    def _keep(self) -> None:
        with self._log.open("wb", buffering=0) as out:
            while not self._closes.is_set():
                if select.select([self.ours], [], [], 0.1)[0]:
                    out.write(os.read(self.ours, 4096))
        os.close(self.ours)


@dataclass
class Rig:
    """A served bench, and the program that runs on it."""

    folder: Path
    bench: subprocess.Popen[bytes]
    program: subprocess.Popen[bytes]
    terminal: Terminal | None = None

    def pressure_bar(self) -> float:
        """The reading of the pot's gauge, without the program."""
        entry = load_bench(str(self.folder / "served.toml")).instruments["gauge_a"]
        spec = InstrumentSpec("gauge", "modbus_gauge", entry.address, deadline_s=PATIENCE_S)
        gauge = open_instrument(spec)
        try:
            gauge.configure()
            return gauge.read_pressure_bar()
        finally:
            gauge.close()

    def start_again(self, *more: str) -> subprocess.Popen[bytes]:
        """Start the program on the same bench a second time."""
        return start(self.folder, *run_command(self.folder), *more, log="again.txt")

    def said(self, log: str = "run.txt") -> str:
        """The program's output so far."""
        return (self.folder / log).read_text()

    def is_stopping(self) -> bool:
        """Whether the program's record shows that it is ending."""
        return '"to":"STOPPING"' in self.events()

    def events(self) -> str:
        (record,) = (self.folder / "records").iterdir()
        return (record / "events.ndjson").read_text()

    def wait_until(self, what: Callable[[], bool], within_s: float = 200.0) -> None:
        until_s = time.monotonic() + within_s
        while not what():
            assert time.monotonic() < until_s, self.said()
            assert self.bench.poll() is None
            time.sleep(0.1)

    def wait_until_vented(self) -> None:
        self.wait_until(lambda: self.pressure_bar() < VENTED_BELOW_BAR)


@dataclass(frozen=True)
class Ended:
    """The result: the program's exit code and output, the record, and the pot's pressure."""

    code: int
    said: str
    record: Path
    pressure_bar: float
    second_said: str = ""
    second_code: int = 0
    terminal_echoes: bool = True

    def read(self) -> Record:
        return read_record(self.record)

    def grades(self, capsys: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
        assert main(["grade", str(self.record), "--json"]) == 0
        return json.loads(capsys.readouterr().out)["cells"]


def run_command(folder: Path) -> list[str]:
    return ["run", "served.toml", "-p", "short.toml", "-c", "three_cells", "--out", str(folder / "records")]


def start(folder: Path, *words: str, log: str) -> subprocess.Popen[bytes]:
    """Start a program; its output goes through this process into a file, in spite of its own disk."""
    (folder / log).touch()
    program = subprocess.Popen(
        [*LEADLINE, *words],
        cwd=folder,
        env=os.environ | {"LEADLINE_STATE_DIR": str(folder), "COLUMNS": "120"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )

    def keep() -> None:
        assert program.stdout is not None
        with program.stdout, (folder / log).open("wb", buffering=0) as out:
            for line in program.stdout:
                out.write(line)

    threading.Thread(target=keep, name=f"{folder.name} {log}").start()
    return program


def start_in_terminal(folder: Path, terminal: Terminal, *words: str) -> subprocess.Popen[bytes]:
    """Start a program whose input and output are a terminal."""
    return subprocess.Popen(
        [*Terminal.IN_IT, *LEADLINE, *words],
        cwd=folder,
        env=os.environ | {"LEADLINE_STATE_DIR": str(folder), "COLUMNS": "120", "TERM": "xterm"},
        stdin=terminal.theirs,
        stdout=terminal.theirs,
        stderr=terminal.theirs,
    )


@contextmanager
def under_pressure(folder: Path, *, in_terminal: bool = False) -> Iterator[Rig]:
    """Serve a bench, run the program on it, and return both once there is pressure in the pot."""
    folder.mkdir()
    text = load_bench("virtual_bench").text.replace("ramp_bar_per_min = 0.5", "ramp_bar_per_min = 1.9")
    text = text.replace('address = "virtual"', f'address = "virtual"\ndeadline_s = {PATIENCE_S}')
    (folder / "bench.toml").write_text(text)
    (folder / "short.toml").write_text(PROCEDURE)
    serve = ("bench", "serve", "bench.toml", "--cells", "three_cells", "--write", "served.toml")
    bench = start(folder, *serve, log="bench.txt")
    rig = Rig(folder, bench, bench)
    try:
        rig.wait_until((folder / "served.toml").exists)
        if in_terminal:
            rig.terminal = Terminal(f"{folder.name} run.txt", folder / "run.txt")
            rig.program = start_in_terminal(folder, rig.terminal, *run_command(folder))
        else:
            rig.program = start(folder, *run_command(folder), log="run.txt")
        rig.wait_until(lambda: rig.pressure_bar() > STRIKE_AT_BAR)
        yield rig
    finally:
        for process in (rig.program, bench):
            process.kill()
            process.wait()
        if rig.terminal is not None:
            rig.terminal.close()
            os.close(rig.terminal.theirs)


def ended(rig: Rig, second_said: str = "", second_code: int = 0) -> Ended:
    """Wait for the program's end and gather what it leaves."""
    code = rig.program.wait(timeout=250)
    echoes = rig.terminal is None or rig.terminal.echoes()
    for thread in threading.enumerate():
        if rig.terminal is None and thread.name == f"{rig.folder.name} run.txt":
            thread.join(timeout=10)
    pressure_bar = rig.pressure_bar() if rig.bench.poll() is None else float("nan")
    record = min((rig.folder / "records").iterdir())
    return Ended(code, rig.said(), record, pressure_bar, second_said, second_code, echoes)


def signalled(*numbers: signal.Signals) -> Callable[[Path], Ended]:
    """Send signals, each once the program has begun to obey the one before, and wait for its own end."""

    def scenario(folder: Path) -> Ended:
        with under_pressure(folder) as rig:
            for place, number in enumerate(numbers):
                if place:
                    rig.wait_until(rig.is_stopping)
                rig.program.send_signal(number)
            return ended(rig)

    return scenario


def killed_and_started_again(folder: Path) -> Ended:
    with under_pressure(folder) as rig:
        rig.program.kill()
        first = ended(rig)
        rig.wait_until_vented()
        again = rig.start_again("--clear", "INTERRUPTED")
        rig.wait_until(lambda: "purge" in rig.said("again.txt") or again.poll() is not None)
        again.terminate()
        code = again.wait(timeout=250)
        return Ended(first.code, first.said, first.record, rig.pressure_bar(), rig.said("again.txt"), code)


def suspended(folder: Path) -> Ended:
    with under_pressure(folder) as rig:
        rig.program.send_signal(signal.SIGSTOP)
        rig.wait_until_vented()
        rig.program.send_signal(signal.SIGCONT)
        return ended(rig)


def second_program(folder: Path) -> Ended:
    with under_pressure(folder) as rig:
        second = rig.start_again()
        code = second.wait(timeout=250)
        said = rig.said("again.txt")
        rig.program.terminate()
        return ended(rig, said, code)


def disk_full(folder: Path) -> Ended:
    with under_pressure(folder) as rig:
        resource.prlimit(rig.program.pid, resource.RLIMIT_FSIZE, (0, 0))
        return ended(rig)


def bench_lost(folder: Path) -> Ended:
    with under_pressure(folder) as rig:
        rig.bench.kill()
        rig.bench.wait()
        return ended(rig)


def suspend_key(folder: Path) -> Ended:
    """Press Ctrl-Z; once it is answered and the run has gone on, press Ctrl-C."""
    with under_pressure(folder, in_terminal=True) as rig:
        assert rig.terminal is not None
        rig.terminal.press("\x1a")
        rig.wait_until(lambda: "Ctrl-Z is ignored" in rig.said())
        begun = len(rig.events())
        rig.wait_until(lambda: len(rig.events()) > begun + 500)
        assert not rig.is_stopping()
        rig.terminal.press("\x03")
        return ended(rig)


def quit_key(folder: Path) -> Ended:
    with under_pressure(folder, in_terminal=True) as rig:
        assert rig.terminal is not None
        rig.terminal.press("\x1c")
        return ended(rig)


def window_closed(folder: Path) -> Ended:
    with under_pressure(folder, in_terminal=True) as rig:
        assert rig.terminal is not None
        rig.terminal.close()
        code = rig.program.wait(timeout=250)
        record = min((rig.folder / "records").iterdir())
        return Ended(code, rig.said(), record, rig.pressure_bar())


SCENARIOS: dict[str, Callable[[Path], Ended]] = {
    "bench lost": bench_lost,
    "Ctrl-C": signalled(signal.SIGINT),
    "Ctrl-C twice": signalled(signal.SIGINT, signal.SIGINT),
    "SIGTERM": signalled(signal.SIGTERM),
    "Ctrl-\\": quit_key,
    "Ctrl-Z": suspend_key,
    "hang-up": signalled(signal.SIGHUP),
    "window closed": window_closed,
    "kill -9": killed_and_started_again,
    "suspended": suspended,
    "second program": second_program,
    "disk full": disk_full,
}


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Ended]]]:
    place = tmp_path_factory.mktemp("ends")
    with ThreadPoolExecutor(AT_ONCE) as pool:
        yield {
            name: pool.submit(scenario, place / name.replace(" ", "_"))
            for name, scenario in SCENARIOS.items()
        }


def fastest_fall_bar_per_min(record: Record) -> float:
    """Fastest fall over any 5 s of the recorded pressure."""
    t_s, bar = record.t_s, record.pressure_bar.value
    later = t_s.searchsorted(t_s + 5.0)
    kept = later < len(t_s)
    return max(60.0 * (bar[kept] - bar[later[kept]]) / (t_s[later[kept]] - t_s[kept]))


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("Ctrl-C", "Ctrl-C"),
        ("Ctrl-Z", "Ctrl-C"),
        ("hang-up", "the terminal was closed"),
        ("window closed", "the terminal was closed"),
    ],
)
def test_one_ctrl_c_or_a_closed_terminal_vents_on_the_ramp(results, capsys, name, why):
    run = results[name].result()
    assert run.code == 1
    assert run.terminal_echoes
    assert run.pressure_bar < VENTED_BELOW_BAR
    record = run.read()
    assert fastest_fall_bar_per_min(record) < 2.2
    assert record.end is not None
    assert (record.end.how, record.end.why) == ("stopped", f"Stopped on request ({why}).")
    assert {cell["grade"] for cell in run.grades(capsys)} == {"ungraded"}
    assert not any("decompression" in str(cell["reasons"]) for cell in run.grades(capsys))


@pytest.mark.parametrize("name", ["Ctrl-C twice", "SIGTERM", "Ctrl-\\"])
def test_an_urgent_stop_drops_every_output_and_marks_the_cells(results, capsys, name):
    run = results[name].result()
    assert run.code == 1
    assert run.terminal_echoes
    assert run.pressure_bar < VENTED_BELOW_BAR
    record = run.read()
    assert record.end is not None
    assert fastest_fall_bar_per_min(record) > 2.2
    assert all("decompression" in str(cell["reasons"]) for cell in run.grades(capsys))


def test_kill_9_leaves_a_vented_pot_an_ungraded_record_and_a_start_that_makes_the_rig_safe(results, capsys):
    run = results["kill -9"].result()
    assert run.code == -signal.SIGKILL
    assert run.read().end is None
    for cell in run.grades(capsys):
        assert cell["grade"] == "ungraded"
        assert "interrupted" in str(cell["reasons"])
    assert "did not end properly" in run.second_said
    second = sorted(run.record.parent.iterdir())[-1]
    assert second != run.record
    kinds = [(event.kind, event.data.get("action")) for event in read_record(second).events]
    assert kinds.index(("valve", "de-energise")) < kinds.index(("vented_zero", None))
    assert kinds.index(("vented_zero", None)) < kinds.index(("valve", "shut"))


def test_a_suspended_program_finds_its_outputs_dropped_and_ends(results):
    run = results["suspended"].result()
    assert run.code == 1
    assert run.pressure_bar < VENTED_BELOW_BAR
    trips = [event.data["code"] for event in run.read().of_kind("trip")]
    assert trips[0] in ("WATCHDOG", "STALLED")


def test_a_second_program_on_the_same_rig_is_refused_and_the_first_continues(results):
    run = results["second program"].result()
    assert run.second_code == 3
    assert "another program" in run.second_said
    assert len(list(run.record.parent.iterdir())) == 1
    assert run.read().end.why.startswith("Stopped")


def test_a_full_disk_ends_the_run_vented_and_keeps_what_was_written(results):
    run = results["disk full"].result()
    assert run.code == 1
    assert run.pressure_bar < VENTED_BELOW_BAR
    assert "The record can no longer be written" in run.said
    assert len(run.read().t_s) > 20
    assert run.read().end is None


def test_a_bench_that_is_gone_ends_the_run_with_an_alarm_that_stands(results):
    run = results["bench lost"].result()
    assert run.code == 1
    assert "NOT CONFIRMED" in run.said
    assert run.read().of_kind("trip")


def test_no_end_shows_a_traceback(results):
    for name, result in results.items():
        run = result.result()
        assert "Traceback" not in run.said + run.second_said, name
