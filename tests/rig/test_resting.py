"""Cells that were decompressed fast are told to rest, and the next run of the same cells knows."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from rig.between_runs.resting import rest_s, still_resting

NOW = datetime(2026, 3, 4, 10, 0, tzinfo=UTC)


def record(folder, name, *, begun, cells, events, ended=True):
    path = folder / name
    path.mkdir(parents=True)
    run = {"started_utc": begun.isoformat().replace("+00:00", "Z"), "cells": [{"cell": c} for c in cells]}
    (path / "run.json").write_text(json.dumps(run))
    lines = [json.dumps(event, separators=(",", ":")) for event in events]
    (path / "events.ndjson").write_text("\n".join(lines) + "\n")
    if ended:
        (path / "end.json").write_text("{}")


def rest(until):
    begun = until - timedelta(minutes=10)
    return {"utc": begun.isoformat().replace("+00:00", "Z"), "kind": "rest", "rest_s": 600.0}


@pytest.mark.parametrize(("under_pressure_s", "minutes"), [(60.0, 10), (1800.0, 30)])
def test_a_rest_is_as_long_as_the_pressure_was_and_ten_minutes_at_least(under_pressure_s, minutes):
    assert rest_s(under_pressure_s) == 60.0 * minutes


def test_cells_of_a_late_decompression_still_rest_and_others_do_not(tmp_path):
    ago, ahead = NOW - timedelta(minutes=20), NOW + timedelta(minutes=5)
    record(tmp_path, "b", begun=ago, cells=["A-1", "A-2"], events=[rest(ahead), {"kind": "end"}])
    record(tmp_path, "a", begun=ago, cells=["A-3"], events=[rest(NOW - timedelta(minutes=1))])
    record(tmp_path, "c", begun=ago, cells=["A-4"], events=[{"kind": "end"}])
    assert still_resting(tmp_path, ["A-1", "A-3", "A-4"], NOW) == {"A-1": ahead}


@pytest.mark.parametrize(("state", "resting"), [("STARTING", ["A-1"]), ("IDLE", [])])
def test_a_run_that_never_ended_counts_as_decompressed_once_gas_was_on(tmp_path, state, resting):
    last = {"utc": (NOW - timedelta(minutes=4)).isoformat(), "kind": "note"}
    events = [{"kind": "state", "to": state}, last, {"kind": "torn"}]
    record(tmp_path, "a", begun=NOW - timedelta(minutes=9), cells=["A-1"], events=events, ended=False)
    assert sorted(still_resting(tmp_path, ["A-1"], NOW)) == resting


def test_nothing_is_made_of_records_that_are_old_or_cannot_be_read(tmp_path):
    assert still_resting(tmp_path / "nowhere", ["A-1"], NOW) == {}
    (tmp_path / "z").mkdir()
    (tmp_path / "z" / "run.json").write_text("{")
    record(
        tmp_path, "a", begun=NOW - timedelta(days=2), cells=["A-1"], events=[rest(NOW + timedelta(days=9))]
    )
    assert still_resting(tmp_path, ["A-1"], NOW) == {}
