"""The power fails: data that were not synced are lost, and acknowledged data are not."""

import importlib.util
import os
import shutil
import sys
import threading
import time
from pathlib import Path

import pytest

from grading.record import writer as record_writer
from grading.record.reader import check_record, read_record
from grading.record.writer import RecordWriter

_spec = importlib.util.spec_from_file_location("test_record", Path(__file__).parent / "test_record.py")
records = importlib.util.module_from_spec(_spec)
sys.modules["test_record"] = records
_spec.loader.exec_module(records)
utc = records.simulated_run.utc


class Disk:
    """Remembers what was synced: of a file its length, of a folder its names."""

    def __init__(self):
        self._lengths = {}
        self._names = {}
        self._fsync = os.fsync
        self.syncs = 0

    def fsync(self, fd):
        about = os.fstat(fd)
        if os.path.isdir(f"/proc/self/fd/{fd}"):  # noqa: PTH112
            self._names[about.st_ino] = set(os.listdir(fd))  # noqa: PTH208
        else:
            self._lengths[about.st_ino] = about.st_size
        self._fsync(fd)
        self.syncs += 1

    def kept(self, file):
        """How many bytes of a file survive."""
        about = file.stat()
        named = file.name in self._names.get(file.parent.stat().st_ino, ())
        return self._lengths.get(about.st_ino, 0) if named else 0

    def after_power_loss(self, record, into):
        """A copy of a record with nothing in it but what was synced."""
        into.mkdir(parents=True)
        for file in record.iterdir():
            if self.kept(file):
                (into / file.name).write_bytes(file.read_bytes()[: self.kept(file)])
        return into


@pytest.fixture
def disk(monkeypatch):
    disk = Disk()
    monkeypatch.setattr(os, "fsync", disk.fsync)
    # A computer under test may be so busy that a sync takes longer than a rig would wait.
    monkeypatch.setattr(record_writer, "EVENT_WAIT_S", 60.0)
    return disk


def begin(root):
    return RecordWriter.create(root, records.simulated_run.header(records.CELLS), utc(0), suffix="a1b2")


@pytest.mark.parametrize(
    ("kind", "members"),
    [
        ("trip", {"code": "LID_OPEN"}),
        ("alarm", {"code": "NOT_VENTED"}),
        ("state", {"to": "HELD"}),
        ("hold_end", {"step": 1, "stop_reason": "settled"}),
        ("cell", {"socket": 1, "finding": "unplugged", "text": "Socket 1 lost its cell."}),
        ("note", {"text": "Noted."}),
    ],
)
def test_no_event_is_lost_whose_call_has_returned_nor_any_row_before_it(tmp_path, disk, kind, members):
    writer = begin(tmp_path / "disk")
    for k in range(12):
        writer.sample(records.row(float(k)))
        writer.event("valve", float(k), utc(k), valve="supply", action="shot", duration_ms=20)
        writer.event(kind, float(k), utc(k), number=k, **members)
        read = read_record(disk.after_power_loss(writer.path, tmp_path / f"lost {k}" / writer.path.name))
        assert not read.damaged
        assert [event.data["number"] for event in read.of_kind(kind)] == list(range(k + 1))
        assert len(read.of_kind("valve")) == k + 1
        assert len(read.t_s) == k + 1
    writer.close()


def test_run_json_and_the_folder_are_on_disk_before_anything_moves(tmp_path, disk):
    writer = begin(tmp_path / "disk")
    read = read_record(disk.after_power_loss(writer.path, tmp_path / "lost" / writer.path.name))
    assert read.run.operator
    assert not read.damaged
    writer.close()


def test_an_ended_record_is_whole(tmp_path, disk):
    writer = begin(tmp_path / "disk")
    for k in range(30):
        writer.sample(records.row(k / 5))
    writer.end("completed", "All steps done.", utc(6))
    assert check_record(disk.after_power_loss(writer.path, tmp_path / "lost" / writer.path.name)) == []


def test_rows_and_shots_reach_the_disk_without_another_call(tmp_path, disk, monkeypatch):
    monkeypatch.setattr(record_writer, "SYNC_EVERY_S", 0.02)
    writer = begin(tmp_path / "disk")
    slow_write = record_writer._write_all

    def write_with_syncs_meanwhile(fd, data):
        time.sleep(0.1)
        slow_write(fd, data)

    monkeypatch.setattr(record_writer, "_write_all", write_with_syncs_meanwhile)
    samples, events = writer.path / "samples.csv", writer.path / "events.ndjson"
    writer.sample(records.row(0.0))
    _until(lambda: disk.kept(samples) == samples.stat().st_size)
    writer.event("valve", 0.0, utc(0), valve="supply", action="shot", duration_ms=20)
    _until(lambda: disk.kept(events) == events.stat().st_size)
    assert len(read_record(disk.after_power_loss(writer.path, tmp_path / "lost" / writer.path.name)).t_s) == 1
    writer.close()


def test_a_new_segment_is_known_to_its_folder_and_the_old_one_is_kept(tmp_path, disk, monkeypatch):
    writer = begin(tmp_path / "disk")
    writer.sample(records.row(0.0))
    write, failures = record_writer._write_all, iter([OSError(28, "No space left on device")])

    def full_once(fd, data):
        error = next(failures, None)
        if error is not None:
            raise error
        write(fd, data)

    monkeypatch.setattr(record_writer, "_write_all", full_once)
    writer.sample(records.row(1.0))
    writer.event("state", 1.0, utc(1), to="HELD")
    assert (writer.path / "samples.2.csv").exists()
    read = read_record(disk.after_power_loss(writer.path, tmp_path / "lost" / writer.path.name))
    assert read.t_s.tolist() == [0.0, 1.0]
    writer.close()


@pytest.mark.timeout(120)
def test_a_disk_that_hangs_is_waited_for_once_and_not_at_every_event(tmp_path, monkeypatch):
    monkeypatch.setattr(record_writer, "EVENT_WAIT_S", 1.5)
    writer = begin(tmp_path)
    let_go = threading.Event()
    monkeypatch.setattr(os, "fsync", lambda fd: let_go.wait(60.0))
    for k in range(100):
        # A hundred waits would take longer than this test may.
        writer.event("state", float(k), utc(k), to="EXECUTE")
    let_go.set()
    writer.sync()
    assert len(read_record(writer.path).of_kind("state")) == 100
    writer.close()
    shutil.rmtree(writer.path)


def _until(true, within_s=60.0):
    end_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end_s
        time.sleep(0.01)
