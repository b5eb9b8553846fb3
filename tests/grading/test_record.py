"""The record: written data are on disk, and data on disk are read or refused, never guessed."""

import importlib.util
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from grading.measurement import SourceError
from grading.record.format import Reading, SampleRow
from grading.record.reader import check_record, read_record
from grading.record.writer import RecordWriteError, RecordWriter

HERE = Path(__file__).parent
_spec = importlib.util.spec_from_file_location("simulated_run", HERE / "simulated_run.py")
simulated_run = importlib.util.module_from_spec(_spec)
sys.modules["simulated_run"] = simulated_run
_spec.loader.exec_module(simulated_run)
CELLS = (simulated_run.Cell("TB-0417"), simulated_run.Cell("OS-1123"))


def row(t_s, **changed):
    given = {
        "t_s": t_s,
        "state": "EXECUTE",
        "phase": "measure",
        "step": 1,
        "pressure_bar": Reading(1.0123456, "ok", 0.004),
        "pressure_b_bar": None,
        "barometer_bar": Reading(1.01325),
        "temperature_c": Reading(21.23),
        "output_mv": {1: Reading(50.123456, "ok", -0.19), 2: Reading(None, "over", -0.17)},
    }
    return SampleRow(**{**given, **changed})


def small(root, rows=12, how="completed"):
    writer = RecordWriter.create(root, simulated_run.header(CELLS), simulated_run.STARTED, suffix="a1b2")
    for k in range(rows):
        if k % 4 == 0:
            writer.event("valve", k * 10.0, simulated_run.utc(k * 10), valve="supply", action="shot")
        writer.sample(row(k * 10.0))
    if how == "interrupted":
        writer.close()
    else:
        writer.end(how, "All steps done.", simulated_run.utc(rows * 10))
    return writer.path


@pytest.fixture
def record(tmp_path):
    return small(tmp_path)


def test_the_folder_is_named_by_its_start_and_run_json_is_there_before_any_reading(tmp_path):
    header = simulated_run.header(CELLS, operator="Ærlig Østmann")
    writer = RecordWriter.create(tmp_path / "records", header, simulated_run.STARTED)
    assert writer.path.name.startswith("2026-03-02T101500Z-")
    assert len(writer.path.name) == len("2026-03-02T101500Z-a1b2")
    run = json.loads((writer.path / "run.json").read_text(encoding="utf-8"))
    assert run["schema"] == "leadline.record/1"
    assert run["operator"] == "Ærlig Østmann"
    assert len(run["bench"]["sha256"]) == 64
    assert run["cells"][0]["cell"] == "TB-0417"
    writer.close()


def test_a_second_record_of_the_same_name_is_refused(record):
    with pytest.raises(FileExistsError):
        RecordWriter.create(record.parent, simulated_run.header(CELLS), simulated_run.STARTED, suffix="a1b2")


def test_samples_open_in_a_spreadsheet(record):
    lines = (record / "samples.csv").read_text().splitlines()
    assert lines[0].startswith("t_s,pressure_bar,pressure_offset_s,pressure_status,pressure_b_bar")
    assert lines[0].endswith("socket2_mv,socket2_offset_s,socket2_status")
    assert lines[1] == (
        "0.000,1.012346,0.004,ok,,,,1.013250,ok,21.230,ok,EXECUTE,measure,1,50.12346,-0.190,ok,,-0.170,over"
    )
    assert {line.count(",") for line in lines} == {lines[0].count(",")}


def test_what_was_written_is_read_back_with_stamps_and_status(record):
    read = read_record(record)
    assert read.problems == ()
    assert not read.damaged
    assert read.end.how == "completed"
    assert read.output_mv.value[3, 0] == pytest.approx(50.12346)
    assert np.isnan(read.output_mv.value[3, 1])
    assert read.output_mv.status[3].tolist() == ["ok", "over"]
    assert read.output_mv.stamp_s[3].tolist() == pytest.approx([29.81, 29.83])
    assert read.output_mv.missing == 12
    assert read.pressure_b_bar.missing == 0
    assert set(read.pressure_b_bar.status) == {""}
    assert [event.kind for event in read.of_kind("valve", "end")] == ["valve", "valve", "valve", "end"]
    assert check_record(record) == []


def test_an_interrupted_run_reads_and_says_so(tmp_path):
    path = small(tmp_path, how="interrupted")
    read = read_record(path)
    assert read.end is None
    assert not read.damaged
    assert len(read.t_s) == 12
    assert any("interrupted" in line for line in check_record(path))


def test_a_folder_without_a_run_or_from_the_future_is_refused_in_one_line(tmp_path, record):
    with pytest.raises(SourceError, match=r"run\.json"):
        read_record(tmp_path / "nothing")
    run = json.loads((record / "run.json").read_text())
    (record / "run.json").write_text(json.dumps({**run, "schema": "leadline.record/7"}))
    with pytest.raises(SourceError, match=r"leadline\.record/7"):
        read_record(record)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), None])
def test_a_reading_without_a_value_needs_a_status(tmp_path, value):
    writer = RecordWriter.create(tmp_path, simulated_run.header(CELLS), simulated_run.STARTED)
    with pytest.raises(ValueError, match="not a reading"):
        writer.sample(row(0.0, pressure_bar=Reading(value)))
    writer.close()


def test_words_that_would_break_the_table_are_refused(tmp_path):
    writer = RecordWriter.create(tmp_path, simulated_run.header(CELLS), simulated_run.STARTED)
    for changed in ({"phase": "a,b"}, {"state": "x\ny"}, {"pressure_bar": Reading(None, "odd")}):
        with pytest.raises(ValueError):
            writer.sample(row(0.0, **changed))
    with pytest.raises(ValueError):
        writer.event("note", 0.0, simulated_run.utc(0), crc32="0")
    with pytest.raises(ValueError):
        writer.event("note", 0.0, simulated_run.utc(0), value=float("nan"))
    with pytest.raises(ValueError, match="time zone"):
        writer.event("note", 0.0, datetime(2026, 3, 2))
    writer.close()


def test_every_truncation_of_every_file_stays_readable(tmp_path):
    path = small(tmp_path, rows=8, how="interrupted")
    for name in ("samples.csv", "events.ndjson"):
        whole = (path / name).read_bytes()
        ends = [i + 1 for i, byte in enumerate(whole) if byte == 10]
        for length in range(len(whole)):
            (path / name).write_bytes(whole[:length])
            read = read_record(path)
            complete = sum(end <= length for end in ends)
            kept = len(read.t_s) if name == "samples.csv" else len(read.events)
            assert kept == (max(complete - 1, 0) if name == "samples.csv" else complete)
        (path / name).write_bytes(whole)


def test_a_torn_last_line_is_reported_but_not_damage(tmp_path):
    path = small(tmp_path, how="interrupted")
    samples = path / "samples.csv"
    samples.write_bytes(samples.read_bytes()[:-9])
    read = read_record(path)
    assert len(read.t_s) == 11
    assert read.refused_rows == 1
    assert read.problems[0] == "samples.csv: the last line is not finished and was left out"


def test_every_single_bit_flip_of_a_finished_record_is_recognised(tmp_path):
    path = small(tmp_path, rows=3)
    rng = np.random.default_rng(3)
    for name in ("run.json", "samples.csv", "events.ndjson", "end.json"):
        whole = (path / name).read_bytes()
        bits = rng.choice(8 * len(whole), min(250, 8 * len(whole)), replace=False)
        for bit in bits:
            flipped = bytearray(whole)
            flipped[bit // 8] ^= 1 << (bit % 8)
            (path / name).write_bytes(bytes(flipped))
            try:
                assert read_record(path).damaged, (name, int(bit))
            except SourceError:
                assert name == "run.json"
        (path / name).write_bytes(whole)
    assert check_record(path) == []


def test_a_flip_in_an_interrupted_record_is_recognised_up_to_its_last_checkpoint(tmp_path):
    path = small(tmp_path, rows=30, how="interrupted")
    samples = path / "samples.csv"
    lines = samples.read_bytes().split(b"\n")
    lines[5] = lines[5].replace(b"50.12346", b"50.12347")
    samples.write_bytes(b"\n".join(lines))
    read = read_record(path)
    assert read.damaged
    assert "checkpoint at 60 s does not match" in read.problems[0]
    run = path / "run.json"
    run.write_bytes(run.read_bytes().replace(b"A. Operator", b"B. Operator"))
    assert "run.json is not the file that the run wrote" in read_record(path).problems


def test_rows_that_cannot_be_trusted_are_left_out_and_named(tmp_path):
    path = small(tmp_path, rows=20, how="interrupted")
    samples = path / "samples.csv"
    lines = samples.read_bytes().split(b"\n")
    lines[3] = b"\0" * len(lines[3])
    lines[4] = b"\0" * 10
    lines[6] = lines[6].replace(b",ok,", b",", 1)
    lines[8] = lines[8].replace(b"1.012346", b"1.01x346")
    lines[9] = lines[9].replace(b"over", b"ever")
    lines[10] = lines[10].replace(b"90.000", b"990.00")
    lines[12] = lines[12].replace(b"50.12346", b"")
    samples.write_bytes(b"\n".join(lines))
    read = read_record(path)
    assert read.refused_rows == 7
    assert read.t_s.tolist() == [k * 10.0 for k in range(20) if k not in (2, 3, 5, 7, 8, 9, 11)]
    reported = "\n".join(read.problems)
    assert "samples.csv lines 4 to 5: NUL bytes instead of a row; left out" in reported
    assert "samples.csv line 7: 19 fields instead of 20; left out" in reported
    assert "samples.csv line 9: pressure_bar '1.01x346' is not a number; left out" in reported
    assert "samples.csv line 10: socket2_status 'ever' is not a status; left out" in reported
    assert "samples.csv line 11: time runs backwards here; left out" in reported
    assert "samples.csv line 13: socket1_status 'ok' does not fit its value; left out" in reported


def test_an_event_whose_crc_does_not_hold_is_left_out(record):
    events = record / "events.ndjson"
    events.write_bytes(events.read_bytes().replace(b"supply", b"Supply", 1))
    read = read_record(record)
    assert "events.ndjson line 2: its CRC-32 does not match; left out" in read.problems
    assert len(read.of_kind("valve")) == 2


def test_a_missing_file_is_reported(record):
    (record / "samples.csv").unlink()
    read = read_record(record)
    assert "samples.csv: missing, and end.json lists it" in read.problems
    assert len(read.t_s) == 0


@pytest.mark.parametrize("text", [b"{", b"\0" * 40, b"{}"])
def test_a_damaged_end_is_not_called_missing_as_well(record, text):
    (record / "end.json").write_bytes(text)
    (reported,) = check_record(record)
    assert reported.startswith("end.json: not ")
    assert reported.endswith("; the run counts as interrupted")
    (record / "end.json").unlink()
    assert check_record(record) == ["end.json: missing, the run was interrupted"]


def test_a_full_disk_stops_the_record_without_spoiling_it(tmp_path):
    script = f"""
import importlib.util, resource, signal, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("test_record", {str(Path(__file__))!r})
helper = importlib.util.module_from_spec(spec)
spec.loader.exec_module(helper)
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
run = helper.simulated_run
header = run.header(helper.CELLS)
writer = helper.RecordWriter.create(Path({str(tmp_path)!r}), header, run.STARTED, suffix="a1b2")
resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000))
k = 0
try:
    while True:
        writer.sample(helper.row(float(k)))
        k += 1
except helper.RecordWriteError as error:
    print(k, error)
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=300, check=True
    )
    written = int(done.stdout.split()[0])
    path = tmp_path / "2026-03-02T101500Z-a1b2"
    segments = sorted(file.name for file in path.glob("samples*.csv"))
    assert "samples.2.csv" in segments
    read = read_record(path)
    assert len(read.t_s) == written
    assert read.end is None
    assert next(event.data["file"] for event in read.of_kind("segment")) == "samples.2.csv"
    assert not read.damaged


def test_a_killed_writer_loses_no_row_that_it_had_acknowledged(tmp_path):
    rng = np.random.default_rng(8)
    for delay_s in rng.uniform(0.0, 0.15, 4):
        killed_run(tmp_path, float(delay_s))


def killed_run(root, delay_s):
    """Kill a writing process `delay_s` after its first row; compare the disk with what it acknowledged."""
    child = subprocess.Popen(
        [sys.executable, str(HERE.parent / "faults" / "kill_record.py"), "--write", str(root)],
        stdout=subprocess.PIPE,
        text=True,
    )
    path = Path(child.stdout.readline().strip())
    child.stdout.readline()
    time.sleep(delay_s)
    child.send_signal(signal.SIGKILL)
    acknowledged = [line for line in child.stdout.read().split("\n")[:-1] if line]
    child.wait()
    child.stdout.close()
    read = read_record(path)
    last = int(acknowledged[-1]) if acknowledged else 0
    assert read.end is None
    assert not read.damaged
    assert len(read.t_s) > last
    assert len(read.of_kind("valve")) >= last // 17 + 1
    assert read.t_s.tolist() == [k / 10 for k in range(len(read.t_s))]
    shutil.rmtree(path)
    return last


def test_the_same_rows_are_the_same_bytes(tmp_path):
    first, second = small(tmp_path / "a"), small(tmp_path / "b")
    for name in ("run.json", "samples.csv", "events.ndjson", "end.json"):
        assert (first / name).read_bytes() == (second / name).read_bytes()


def test_a_closed_record_takes_no_more(tmp_path):
    writer = RecordWriter.create(tmp_path / "other", simulated_run.header(CELLS), simulated_run.STARTED)
    writer.end("stopped", "Stopped by the operator.", simulated_run.utc(1))
    with pytest.raises(RecordWriteError):
        writer.sample(row(2.0))
    with pytest.raises(ValueError, match="a run ends"):
        small(tmp_path / "third", how="finished")


def test_a_slow_disk_delays_only_calls_that_wait_for_it(tmp_path, monkeypatch):
    writer = RecordWriter.create(tmp_path, simulated_run.header(CELLS), simulated_run.STARTED)
    at_disk, let_go, synced = threading.Event(), threading.Event(), []

    def slow(fd):
        at_disk.set()
        assert let_go.wait(20.0)
        synced.append(fd)

    monkeypatch.setattr(os, "fsync", slow)
    writer.event("state", 0.0, simulated_run.utc(0), to="EXECUTE")
    assert at_disk.wait(20.0)
    for k in range(50):
        writer.sample(row(k / 10))
        writer.event("valve", k / 10, simulated_run.utc(k), valve="supply")
    assert synced == []
    let_go.set()
    writer.sync()
    assert synced
    writer.end("completed", "All steps done.", simulated_run.utc(6))
    assert check_record(writer.path) == []


def test_a_disk_that_refuses_to_sync_is_reported_by_the_next_call(tmp_path, monkeypatch):
    writer = RecordWriter.create(tmp_path, simulated_run.header(CELLS), simulated_run.STARTED)

    def broken(fd):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "fsync", broken)
    writer.sample(row(0.0))
    with pytest.raises(RecordWriteError, match="cannot be synced: Input/output error"):
        writer.sync()
    with pytest.raises(RecordWriteError):
        writer.sample(row(1.0))
    writer.close()
