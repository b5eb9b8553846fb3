"""A file edited during a run is reported once, even with a bad disk, and never changes the run."""

import os
import threading
import time

from rig.run import frozen_files
from rig.run.frozen_files import FrozenFiles
from rig_configs.files.checked_toml import TomlText, read_text


def written(path, text="a = 1\n"):
    path.write_text(text)
    return read_text(path)


def until(condition, within_s=60.0):
    ends_s = time.monotonic() + within_s
    while not condition() and time.monotonic() < ends_s:
        time.sleep(0.005)


def test_an_edited_file_is_reported_once_and_one_that_is_only_touched_is_not(tmp_path):
    bench, limits = written(tmp_path / "bench.toml"), written(tmp_path / "limits.toml")
    files = FrozenFiles([bench, limits], look_every_s=0.01)
    files.start()
    assert files.newly_changed() == []
    os.utime(limits.file, (1, 1))
    written(tmp_path / "bench.toml", "a = 2\n")
    found = []
    until(lambda: found.extend(files.newly_changed()) or found)
    written(tmp_path / "bench.toml", "a = 3\n")
    time.sleep(0.05)
    files.look_a_last_time()
    assert found + files.newly_changed() == [bench.file]


def test_an_edit_just_before_the_end_is_found_by_the_last_look(tmp_path):
    files = FrozenFiles([written(tmp_path / "bench.toml")], look_every_s=60.0)
    files.start()
    written(tmp_path / "bench.toml", "a = 2\n")
    files.look_a_last_time()
    assert len(files.newly_changed()) == 1


def test_files_that_are_shipped_or_vanish_are_no_edit(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shipped.toml").write_text("another = 1\n")
    gone = written(tmp_path / "gone.toml")
    files = FrozenFiles([TomlText("shipped.toml", "a = 1\n"), gone], look_every_s=0.01)
    files.start()
    (tmp_path / "gone.toml").unlink()
    time.sleep(0.05)
    files.look_a_last_time()
    assert files.newly_changed() == []


def test_a_disk_that_does_not_answer_delays_nobody(tmp_path, monkeypatch):
    bench = written(tmp_path / "bench.toml")
    files = FrozenFiles([bench], look_every_s=0.01)
    asked, answered = threading.Event(), threading.Event()

    def read_from_a_share_that_is_lost(path):
        asked.set()
        answered.wait()
        return read_text(path)

    monkeypatch.setattr(frozen_files, "read_text", read_from_a_share_that_is_lost)
    files.start()
    written(tmp_path / "bench.toml", "a = 22\n")
    assert asked.wait(60.0)
    begun_s = time.monotonic()
    files.look_a_last_time()
    assert time.monotonic() - begun_s < 10.0
    assert files.newly_changed() == []
    answered.set()


def test_a_file_that_became_a_pipe_is_no_edit_and_nobody_waits_at_it(tmp_path):
    bench = written(tmp_path / "bench.toml")
    files = FrozenFiles([bench], look_every_s=60.0)
    files.start()
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "pipe").replace(bench.file)
    files.look_a_last_time()
    assert files.newly_changed() == []
