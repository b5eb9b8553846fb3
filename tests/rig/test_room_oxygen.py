"""The room's oxygen: warned of when it rises, kept in the record, refused before any gas when not air."""

import pytest

from drivers.virtual_spec import FaultSpec
from rig.run.preflight import standing_checks
from rig.safety.room_oxygen import RoomWatch
from rig.setup.bench import open_bench
from rig.setup.bench_file import parse_bench
from rig.setup.cells import load_cells
from rig_configs.files.checked_toml import TomlText
from rig_configs.files.shipped_files import open_config

MONITOR = """
[instruments.room]
role = "room_oxygen"
driver = "modbus_room_oxygen"
address = "virtual"
"""
BENCH = parse_bench(TomlText("room.toml", open_config("benches", "virtual_bench").text + MONITOR))


def watched(*readings):
    watch = RoomWatch()
    return [watch.look(reading) for reading in readings], watch.record_sentence


def test_a_rise_is_reported_once_and_again_only_after_it_was_gone():
    said, kept = watched(20.9, None, 22.9, 23.0, 23.2, 22.6, 23.1, 22.4, 23.4)
    assert [bool(text) for text in said] == [False, False, False, True, False, False, False, False, True]
    assert "23.0 % oxygen" in said[3]
    assert kept == "Room oxygen was monitored: 20.9 to 23.4 %."


def test_beyond_the_bound_only_the_interlock_reports():
    assert watched(20.9, 23.6)[0] == ["", ""]


def test_without_a_monitor_the_record_says_so():
    assert watched(None, None)[1] == "Room oxygen was not monitored."


@pytest.mark.parametrize(
    ("percent", "verdict"), [(None, "ok"), (22.9, "ok"), (23.0, "fail"), (19.4, "fail")], ids=str
)
@pytest.mark.parametrize("mode", ["direct", "lockstep"])
def test_preflight_lets_no_run_start_in_air_that_is_none(tmp_path, mode, percent, verdict):
    faults = () if percent is None else (FaultSpec("room_oxygen", 0.0, value=percent),)
    with open_bench(BENCH, cells=load_cells("six_cells"), mode=mode, faults=faults) as bench:
        report = standing_checks(bench, tmp_path)
    check = next(check for check in report.checks if check.what == "room oxygen")
    assert check.verdict == verdict
    assert report.ready is (verdict == "ok")
