"""Cells that were decompressed fast have to rest, and the next run of the same cells reports it."""

import time
from datetime import UTC, datetime, timedelta

import pytest

from grading.results import CellInfo
from rig.between_runs.resting import rest_s, still_resting
from rig.run.frozen_files import FrozenFiles
from rig.run.notices import Notices

NOW = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)
AGO, AHEAD = NOW - timedelta(minutes=20), NOW + timedelta(minutes=5)


def rest(until):
    return ("rest", until - timedelta(minutes=10), {"rest_s": 600.0})


def note(at):
    return ("note", at, {"text": "Noted."})


@pytest.mark.parametrize(("under_pressure_s", "minutes"), [(60.0, 10), (1800.0, 30)])
def test_a_rest_is_as_long_as_the_pressure_was_and_ten_minutes_at_least(under_pressure_s, minutes):
    assert rest_s(under_pressure_s) == 60.0 * minutes


def test_cells_of_a_late_decompression_still_rest_and_others_do_not(tmp_path, small_record):
    small_record(tmp_path, AGO, cells=["A-1", "A-2"], events=[rest(AHEAD)], how="stopped")
    earlier = rest(NOW - timedelta(minutes=1))
    small_record(tmp_path, AGO - timedelta(1 / 24), cells=["A-3"], events=[earlier], how="stopped")
    small_record(tmp_path, AGO + timedelta(minutes=1), cells=["A-4"], how="completed")
    assert still_resting(tmp_path, ["A-1", "A-3", "A-4"], NOW) == {"A-1": AHEAD}


@pytest.mark.parametrize(("state", "resting"), [("STARTING", ["A-1"]), ("IDLE", [])])
def test_a_run_that_never_ended_counts_as_decompressed_once_gas_was_on(
    tmp_path, small_record, state, resting
):
    last = NOW - timedelta(minutes=4)
    events = [("state", NOW - timedelta(minutes=8), {"to": state}), note(last)]
    record = small_record(tmp_path, NOW - timedelta(minutes=9), cells=["A-1"], events=events)
    with (record / "events.ndjson").open("ab") as file:
        file.write(b'{"n":4,"t_s":1.0,"utc":"2026-03-04T09:5')
    found = still_resting(tmp_path, ["A-1"], NOW)
    assert sorted(found) == resting
    assert set(found.values()) <= {last + timedelta(minutes=10)}


def test_a_rest_in_a_second_segment_is_seen(tmp_path, small_record):
    events = [note(AGO), rest(AHEAD)]
    record = small_record(tmp_path, AGO, cells=["A-1"], events=events, how="stopped", append_fails_at=1)
    assert (record / "events.2.ndjson").exists()
    assert still_resting(tmp_path, ["A-1"], NOW) == {"A-1": AHEAD}


def test_a_rest_whose_crc_does_not_hold_is_not_believed(tmp_path, small_record):
    record = small_record(tmp_path, AGO, cells=["A-1"], events=[rest(AHEAD)], how="stopped")
    file = record / "events.ndjson"
    file.write_bytes(file.read_bytes().replace(b'"rest_s":600.0', b'"rest_s":900.0'))
    assert still_resting(tmp_path, ["A-1"], NOW) == {}


def test_an_unfinished_last_line_does_not_hide_the_rest_before_it(tmp_path, small_record):
    events = [rest(AHEAD), rest(AHEAD + timedelta(hours=1))]
    record = small_record(tmp_path, AGO, cells=["A-1"], events=events)
    file = record / "events.ndjson"
    file.write_bytes(file.read_bytes()[:-20])
    assert still_resting(tmp_path, ["A-1"], NOW) == {"A-1": AHEAD}


def test_nothing_is_made_of_records_that_are_old_or_cannot_be_read(tmp_path, small_record):
    assert still_resting(tmp_path / "nowhere", ["A-1"], NOW) == {}
    (tmp_path / "z").mkdir()
    (tmp_path / "z" / "run.json").write_text("{")
    ahead = rest(NOW + timedelta(days=9))
    small_record(tmp_path, NOW - timedelta(days=2), cells=["A-1"], events=[ahead], how="stopped")
    assert still_resting(tmp_path, ["A-1"], NOW) == {}


class Kept:
    """A screen, a record and a clock that keep what they are given."""

    def __init__(self):
        self.said, self.notes = [], []

    def say(self, text, severity="info"):
        self.said.append(text)

    def event(self, kind, /, **data):
        self.notes.append(data.get("text", ""))

    def utc(self):
        return NOW


@pytest.fixture
def far_east(monkeypatch):
    monkeypatch.setenv("TZ", "EAST-5:30")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def test_the_screen_gives_rest_times_in_local_time_and_the_record_in_utc(tmp_path, small_record, far_east):
    small_record(tmp_path, AGO, cells=["A-1"], events=[rest(AHEAD)], how="stopped")
    kept = Kept()
    notices = Notices(kept, kept, kept, FrozenFiles(()))
    notices.resting(tmp_path, [CellInfo("A-1")])
    assert kept.said[0].endswith("until 15:35 EAST.")
    assert kept.notes[0].endswith("until 10:05 UTC.")
    notices.rest(900.0, sure=True)
    assert "until 15:45 EAST before" in kept.said[1]
    assert "were decompressed fast" in kept.said[1]
    notices.rest(900.0, sure=False)
    assert "may have been decompressed fast" in kept.said[2]
