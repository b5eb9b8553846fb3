"""After a trip, a crash or changed limits the next start reports it, and a person must clear it first."""

from __future__ import annotations

import math
import os
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import ClassVar

import pytest

from drivers.virtual_spec import FaultSpec
from grading.record.format import FileText
from grading.results import CellInfo
from rig.between_runs.clearing import MEMORY_LOST
from rig.between_runs.last_run import last_recorded, limit_changes, watched_limits
from rig.between_runs.memory import MemoryDamaged, Remembered, memory_file, read_memory, write_memory
from rig.between_runs.rig_names import rig_names
from rig.cli.main import main
from rig.loop.stop import StopLevel, StopRequest
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import open_bench
from rig.setup.bench_file import BenchFile, load_bench, parse_bench
from rig.setup.procedure import parse_procedure
from rig_configs.files.checked_toml import TomlText

PROCEDURE = """
schema = "leadline.procedure/1"
name = "short"
version = "1"
[air]
hold = false
[purge]
swings = 2
high_bar = 1.6
least_oxygen_fraction = 0.6
[hold]
least_s = 20
cap_s = 30
[[steps]]
po2_bar = 1.0
direction = "up"
"""
CELLS = (CellInfo("TB-0417", socket=1), CellInfo("OS-1123", socket=2))
TRIP = FaultSpec("lid_opened", 20.0)


@dataclass
class Keyboard:
    """Answers by the code of the question; no answer means that no person is there."""

    show_every_s: ClassVar[float] = math.inf
    answers: dict[str, str] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def update(self, snapshot):
        pass

    def say(self, text, severity="info"):
        self.said.append(text)

    def ask(self, prompt):
        self.asked.append(prompt.code)
        return self.answers.get(prompt.code)

    def withdraw(self):
        pass


class StopsLater(StopRequest):
    """Stopped by the operator once the run is under way, which saves a test the rest of it."""

    def __init__(self, level, looks):
        super().__init__()
        self._wanted, self._looks = level, looks

    @property
    def level(self):
        self._looks -= 1
        if self._looks == 0:
            self.request("test", self._wanted)
        return self._level


def begun(outcome):
    """Whether the run could start."""
    return outcome.how == "stopped" and outcome.record is not None


def bench_file(**changes) -> BenchFile:
    text = load_bench("virtual_bench").text
    for key, value in changes.items():
        text = "\n".join(
            f"{key} = {value}" if line.startswith(f"{key} ") else line for line in text.split("\n")
        )
    return parse_bench(TomlText("bench.toml", text))


@pytest.fixture
def rig(tmp_path, monkeypatch):
    """A rig of hardware as its memory sees it; the instruments are those of the virtual bench."""
    monkeypatch.setenv("LEADLINE_STATE_DIR", str(tmp_path / "state"))

    def run(*, answers=None, clear=(), faults=(), file=None, out="records", hardware=True, stop=None):
        file = file or bench_file()
        keyboard = Keyboard(answers or {})
        with open_bench(file, cells=CELLS, seed=3, mode="direct", faults=faults) as bench:
            outcome = run_session(
                replace(bench, virtual=None) if hardware else bench,
                RunRequest(
                    parse_procedure(TomlText("short.toml", PROCEDURE)),
                    CELLS,
                    FileText(name="general", file="general.toml", text=""),
                    tmp_path / out,
                    "test",
                    clear=clear,
                ),
                keyboard,
                stop or StopsLater(StopLevel.RAMPED, 120),
            )
            gas_l = bench.virtual.pot().gas_used_l
        return outcome, keyboard, gas_l

    return run


def memory(tmp_path) -> Path:
    return memory_file(rig_names(bench_file())[0], tmp_path / "state")


def forget(tmp_path):
    """Remove the rig's memory under each of its names."""
    for name in rig_names(bench_file()):
        memory_file(name, tmp_path / "state").unlink()


def test_an_unremarkable_run_asks_nothing_of_the_next(rig, tmp_path):
    for _ in range(2):
        outcome, keyboard, _ = rig(stop=StopRequest())
        assert outcome.how == "completed", outcome.why
        assert keyboard.asked == []
    remembered = read_memory(memory(tmp_path))
    assert (remembered.how, remembered.code) == ("completed", "")


def test_a_trip_is_shown_with_its_time_and_nothing_starts_until_its_code_is_typed(rig):
    tripped, _, _ = rig(faults=(TRIP,), stop=StopRequest())
    assert tripped.code == "LID_OPEN"
    for answers in ({}, {"clear_trip": "yes"}, {"clear_trip": ""}, {"clear_trip": "lid_open"}):
        refused, keyboard, gas_l = rig(answers=answers)
        assert (refused.how, refused.exit_code, refused.code) == ("refused", 3, "NOT_CLEARED")
        assert gas_l == 0.0
        assert "UTC with LID_OPEN: The lid switch says that the lid is open." in refused.why
        assert f"ended at {datetime.now(UTC):%Y-}" in refused.why
        assert "--clear LID_OPEN" in refused.why
        assert "\n" not in refused.why
        assert any("UTC with LID_OPEN" in text for text in keyboard.said)
    done, keyboard, _ = rig(answers={"clear_trip": "LID_OPEN"})
    assert begun(done)
    assert keyboard.asked == ["clear_trip"]
    assert rig()[1].asked == []


def test_a_code_given_beforehand_clears_and_a_wrong_one_is_refused_without_a_question(rig):
    rig(faults=(TRIP,), stop=StopRequest())
    refused, keyboard, _ = rig(clear=("TOO_FAST",))
    assert refused.exit_code == 3
    assert "--clear TOO_FAST does not clear it" in refused.why
    assert keyboard.asked == []
    done, keyboard, _ = rig(clear=("LID_OPEN",))
    assert begun(done)
    assert keyboard.asked == []
    unneeded, keyboard, _ = rig(clear=("LID_OPEN",))
    assert begun(unneeded)
    assert any("--clear LID_OPEN was not needed" in text for text in keyboard.said)


def test_what_was_cleared_stays_cleared_when_the_start_is_refused_for_another_reason(rig, tmp_path):
    rig(faults=(TRIP,), stop=StopRequest())
    refused, _, _ = rig(clear=("LID_OPEN",), faults=(FaultSpec("gauge_offset", 0.0, value=0.1),))
    assert refused.code == "VENTED_ZERO"
    assert rig()[1].asked == []


def test_it_is_remembered_without_the_records_and_by_the_records_without_the_memory(rig, tmp_path):
    rig(faults=(TRIP,), stop=StopRequest())
    assert rig(out="elsewhere")[0].code == "NOT_CLEARED"
    forget(tmp_path)
    assert begun(rig(out="elsewhere")[0])
    forget(tmp_path)
    assert rig()[0].code == "NOT_CLEARED"
    assert begun(rig(clear=("LID_OPEN",))[0])


def without_serial(name="valves"):
    """The bench file, which no longer gives the serial of what moves the pressure."""
    file = bench_file()
    entry = file.instruments[name].model_copy(update={"serial": ""})
    return replace(file, instruments={**file.instruments, name: entry})


def test_a_trip_is_remembered_when_the_serial_is_taken_out_of_the_bench_file_or_added(rig, tmp_path):
    assert rig_names(without_serial())[0] != rig_names(bench_file())[0]
    rig(faults=(TRIP,), stop=StopRequest())
    assert rig(file=without_serial(), out="elsewhere")[0].code == "NOT_CLEARED"
    assert begun(rig(file=without_serial(), out="elsewhere", clear=("LID_OPEN",))[0])
    rig(file=without_serial(), out="third", faults=(TRIP,), stop=StopRequest())
    assert rig(out="fourth")[0].code == "NOT_CLEARED"


def test_a_run_that_never_ended_needs_a_person_to_look(rig, tmp_path):
    rig()
    remembered = read_memory(memory(tmp_path))
    write_memory(memory(tmp_path), replace(remembered, how="", ended_utc=""))
    refused, _, _ = rig()
    assert refused.code == "NOT_CLEARED"
    assert "did not end properly; what the pot holds is not known" in refused.why
    assert begun(rig(clear=("INTERRUPTED",))[0])


@pytest.mark.parametrize("level", [StopLevel.RAMPED, StopLevel.NOW])
def test_an_operator_who_stopped_the_run_has_nothing_to_clear(rig, level):
    outcome, _, _ = rig(stop=StopsLater(level, 400))
    assert outcome.how in ("stopped", "aborted")
    assert rig()[1].asked == []


def test_a_pot_that_was_left_under_pressure_is_asked_for_even_after_a_stop_on_request(rig, tmp_path):
    rig()
    remembered = read_memory(memory(tmp_path))
    write_memory(
        memory(tmp_path), replace(remembered, how="stopped", code="NOT_VENTED", text="NOT VENTED: .")
    )
    assert rig()[0].code == "NOT_CLEARED"
    assert begun(rig(clear=("NOT_VENTED",))[0])


def test_changed_limits_are_shown_old_and_new_and_confirmed_in_two_steps(rig):
    rig()
    changed = bench_file(relief_pressure_bar="2.9", volume_l="1.1")
    refused, keyboard, gas_l = rig(file=changed)
    assert (refused.code, refused.exit_code, gas_l) == ("LIMITS_CHANGED", 3, 0.0)
    assert "relief_pressure_bar 3 -> 2.9, volume_l 1 -> 1.1" in refused.why
    half = {"changed_limits": "CHANGED"}
    assert rig(file=changed, answers=half)[0].code == "LIMITS_CHANGED"
    wrong = {**half, "changed_relief_pressure_bar": "3", "changed_volume_l": "1.1"}
    assert rig(file=changed, answers=wrong)[0].code == "LIMITS_CHANGED"
    both = {**half, "changed_relief_pressure_bar": "2.9", "changed_volume_l": "1.1"}
    done, keyboard, _ = rig(file=changed, answers=both)
    assert begun(done)
    assert keyboard.asked == ["changed_limits", "changed_relief_pressure_bar", "changed_volume_l"]
    assert rig(file=changed)[1].asked == []


def test_the_refusal_names_the_code_that_confirms_these_changes_and_no_others(rig):
    rig()
    changed = bench_file(relief_pressure_bar="2.9")
    code = rig(file=changed)[0].why.rpartition("--clear ")[2]
    assert rig(file=bench_file(relief_pressure_bar="2.8"), clear=(code,))[0].exit_code == 3
    assert begun(rig(file=changed, clear=(code,))[0])


def test_a_trip_and_changed_limits_need_both_codes(rig):
    rig(faults=(TRIP,), stop=StopRequest())
    changed = bench_file(relief_pressure_bar="2.9")
    refused = rig(file=changed, clear=("LID_OPEN",))[0]
    assert refused.code == "LIMITS_CHANGED"
    code = refused.why.rpartition("--clear ")[2]
    assert begun(rig(file=changed, clear=(code, "LID_OPEN"))[0])


@pytest.mark.parametrize(
    "damage", [b"", b"{}", b"\xff\xfe\x00", b'{"schema": "leadline.rig/1"}\n00000000', None]
)
def test_a_damaged_memory_is_one_line_and_must_be_confirmed(rig, tmp_path, damage):
    rig()
    file = memory(tmp_path)
    if damage is None:
        data = bytearray(file.read_bytes())
        data[data.index(b"3.")] ^= 1
        damage = bytes(data)
    file.write_bytes(damage)
    refused, _, gas_l = rig()
    assert (refused.exit_code, gas_l) == (3, 0.0)
    assert f"{file} is damaged" in refused.why
    assert "\n" not in refused.why
    refused = rig(clear=(MEMORY_LOST,))[0]
    assert refused.code == "LIMITS_CHANGED"
    assert "are not known. They are now: working_pressure_bar 4, relief" in refused.why
    code = refused.why.rpartition("--clear ")[2]
    assert begun(rig(clear=(MEMORY_LOST, code))[0])
    assert rig()[1].asked == []


def test_a_memory_that_cannot_be_written_is_reported_and_the_records_remember(rig, tmp_path, monkeypatch):
    (tmp_path / "state").mkdir()
    limits = watched_limits(bench_file())
    older = Remembered("bench", "records/old", "2026-01-02T00:00:00.000Z", limits, how="completed")
    write_memory(memory(tmp_path), older)

    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("rig.between_runs.memory.write_whole", full)
    tripped, keyboard, _ = rig(faults=(TRIP,), stop=StopRequest())
    assert tripped.code == "LID_OPEN"
    assert any("cannot be written (No space left on device)" in text for text in keyboard.said)
    assert read_memory(memory(tmp_path)) == older
    assert rig()[0].code == "NOT_CLEARED"


def test_without_a_folder_for_the_lock_nothing_starts(rig, tmp_path):
    (tmp_path / "state").write_text("in the way")
    refused, _, gas_l = rig()
    assert (refused.exit_code, gas_l) == (3, 0.0)
    assert f"{tmp_path / 'state'}: cannot be made" in refused.why
    assert "name another folder in LEADLINE_STATE_DIR" in refused.why


@pytest.mark.parametrize("planted", ["link", "pipe"])
def test_a_memory_that_is_no_file_is_not_followed_or_waited_for(rig, tmp_path, planted):
    rig()
    file = memory(tmp_path)
    elsewhere = tmp_path / "elsewhere"
    file.rename(elsewhere)
    before = elsewhere.read_bytes()
    if planted == "link":
        file.symlink_to(elsewhere)
    else:
        os.mkfifo(file)
    refused, _, _ = rig()
    assert refused.code == "NOT_CLEARED"
    assert f"{file} is {'a link' if planted == 'link' else 'damaged'}" in refused.why
    code = rig(clear=(MEMORY_LOST,))[0].why.rpartition("--clear ")[2]
    assert begun(rig(clear=(MEMORY_LOST, code))[0])
    assert elsewhere.read_bytes() == before


def test_two_rigs_remember_apart_and_the_newer_of_memory_and_record_counts(tmp_path):
    one, other = (memory_file(name, tmp_path) for name in ("tcp://one", "tcp://other"))
    write_memory(one, Remembered("bench", "records/a", "2026-01-02T00:00:00Z", {"volume_l": 1.0, "x": None}))
    assert read_memory(one).limits == {"volume_l": 1.0, "x": None}
    assert read_memory(other) is None
    one.write_bytes(one.read_bytes()[:-1])
    with pytest.raises(MemoryDamaged, match="is damaged"):
        read_memory(one)


def test_a_virtual_bench_leaves_nothing_for_a_real_one_of_the_same_name(rig, tmp_path):
    rig(faults=(TRIP,), stop=StopRequest(), hardware=False)
    assert not (tmp_path / "state").exists()
    assert last_recorded(tmp_path / "records", bench_file()).code == "LID_OPEN"
    assert last_recorded(tmp_path / "records", replace(bench_file(), virtual=None)) is None


NAME = "Skerry Point Bench (virtual)"


def day(number):
    return datetime(2026, 1, number, tzinfo=UTC)


def trip(number, code, text=""):
    return ("trip", day(number), {"code": code, "text": text})


@pytest.fixture
def bench_record(tmp_path, small_record):
    """A function that writes a record of a bench, by the day it was made on."""

    def write(number, bench, **more):
        text = bench if isinstance(bench, str) else bench.text
        return small_record(tmp_path, day(number), bench={"name": NAME, "text": text}, **more)

    return write


def test_the_newest_readable_record_gives_the_first_trip_and_the_limits(tmp_path, bench_record):
    bench = bench_file()
    assert last_recorded(tmp_path / "none", bench) is None
    bench_record(1, bench)
    found = last_recorded(tmp_path, bench)
    assert (found.how, found.code) == ("", "")
    assert limit_changes(found.limits, watched_limits(bench)) == ()
    trips = (trip(2, "TOO_FAST", "Too fast."), trip(2, "LEAK"))
    bench_record(2, bench_file(volume_l="0.4"), events=trips, how="tripped")
    found = last_recorded(tmp_path, bench)
    assert (found.how, found.code, found.text) == ("tripped", "TOO_FAST", "Too fast.")
    changes = limit_changes(found.limits, watched_limits(bench))
    assert [change.text for change in changes] == ["volume_l 0.4 -> 1"]
    (tmp_path / "2026-01-03").mkdir()
    (tmp_path / "2026-01-03" / "run.json").write_text("{torn")
    assert last_recorded(tmp_path, bench) == found
    alarm = ("alarm", day(4), {"code": "NOT_VENTED", "text": "NOT VENTED: +300 mbar."})
    bench_record(4, bench, events=(alarm,), how="stopped")
    assert last_recorded(tmp_path, bench).code == "NOT_VENTED"


@pytest.mark.parametrize("suffixes", [("0000", "ffff"), ("ffff", "0000")])
def test_of_two_records_begun_in_one_second_the_later_counts(tmp_path, small_record, suffixes):
    bench = bench_file()
    for milliseconds, suffix, how in ((200, suffixes[0], "stopped"), (900, suffixes[1], "completed")):
        started = day(1).replace(microsecond=1000 * milliseconds)
        small_record(tmp_path, started, bench={"name": NAME, "text": bench.text}, how=how, suffix=suffix)
    assert last_recorded(tmp_path, bench).how == "completed"


def test_a_trip_in_a_second_segment_is_seen(tmp_path, bench_record):
    note = ("note", day(1), {"text": "Noted."})
    events = (note, trip(1, "TOO_FAST", "Too fast."))
    record = bench_record(1, bench_file(), events=events, how="tripped", append_fails_at=1)
    assert (record / "events.2.ndjson").exists()
    found = last_recorded(tmp_path, bench_file())
    assert (found.code, found.text) == ("TOO_FAST", "Too fast.")


def test_a_trip_that_cannot_be_trusted_is_still_a_trip(tmp_path, bench_record):
    record = bench_record(1, bench_file(), events=(trip(1, "TOO_FAST"), trip(1, "LEAK")), how="tripped")
    file = record / "events.ndjson"
    whole = file.read_bytes()
    file.write_bytes(whole.replace(b"TOO_FAST", b"TOO_LAST"))
    assert last_recorded(tmp_path, bench_file()).code == "LEAK"
    file.write_bytes(whole.replace(b"TOO_FAST", b"TOO_LAST").replace(b"LEAK", b"PEAK"))
    found = last_recorded(tmp_path, bench_file())
    assert (found.how, found.code, found.text) == ("tripped", "TRIPPED", "All said.")


def test_an_unfinished_last_line_is_not_read(tmp_path, bench_record):
    record = bench_record(1, bench_file(), events=(trip(1, "LEAK"), trip(1, "TOO_FAST")), how="tripped")
    file = record / "events.ndjson"
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(lines[0] + lines[2].removesuffix(b"\n"))
    assert last_recorded(tmp_path, bench_file()).code == "TRIPPED"


def test_a_limit_left_at_its_default_has_not_changed_when_it_is_written_down(tmp_path, bench_record):
    bench = bench_file()
    lines = [line for line in bench.text.split("\n") if not line.startswith("ramp_bar_per_min")]
    assert len(lines) < len(bench.text.split("\n"))
    bench_record(1, "\n".join(lines), how="completed")
    assert limit_changes(last_recorded(tmp_path, bench).limits, watched_limits(bench)) == ()


def test_runs_of_other_benches_do_not_count(tmp_path, bench_record):
    bench = bench_file()
    bench_record(1, bench)
    assert last_recorded(tmp_path, replace(bench, name="Another")) is None


def test_runs_on_a_virtual_bench_are_not_asked_unless_a_person_operates_it(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("LEADLINE_STATE_DIR", str(tmp_path / "state"))
    common = ["-p", "quick", "-o", str(tmp_path / "records"), "--no-certificates"]
    bench = ["run", "virtual_bench", "-c", "six_cells", *common, "--inject", "lid_opened@20"]
    assert [main(bench), main(bench)] == [1, 1]
    pot = ["run", "virtual_hand_pot", "-c", "three_cells", *common, "--inject", "gauge_silent@75"]
    assert main(pot) == 1
    assert "Code of this trip: GAUGE_LOST. The next run asks for it." in capsys.readouterr().out
    assert main([*pot, "--seed", "5", "--clear", "TOO_FAST"]) == 3
    assert "--clear TOO_FAST does not clear it" in capsys.readouterr().err
    assert main([*pot, "--seed", "5"]) == 1
    assert "The last run" not in capsys.readouterr().out
    assert main(pot) == 1
    assert "> GAUGE_LOST   (simulated person)" in capsys.readouterr().out
    assert not (tmp_path / "state").exists()
