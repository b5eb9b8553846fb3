"""Grading in a child process: its failures are words, and never take the parent along."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from grading.measurement import SourceError
from rig.archive.finish import FinishFailed, finish_record


def when_a_child_lives(act: Callable[[int], object]) -> threading.Thread:
    def watch() -> None:
        until_s = time.monotonic() + 120
        while time.monotonic() < until_s:
            for child in multiprocessing.active_children():
                if child.pid is not None:
                    act(child.pid)
                    return
            time.sleep(0.001)

    thread = threading.Thread(target=watch)
    thread.start()
    return thread


def test_source_that_cannot_be_read_is_reported_as_such(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="nowhere"):
        finish_record(tmp_path / "nowhere")


def test_child_that_dies_leaves_one_sentence_and_the_record(tmp_path: Path) -> None:
    record = tmp_path / "2026-03-02T101500Z-a1b2"
    watcher = when_a_child_lives(lambda pid: os.kill(pid, signal.SIGKILL))
    with pytest.raises(FinishFailed, match=r"ended with code -9; the record is unchanged"):
        finish_record(record)
    watcher.join()
    assert not multiprocessing.active_children()


def test_ctrl_c_while_grading_ends_the_child_at_once(tmp_path: Path) -> None:
    watcher = when_a_child_lives(lambda _pid: signal.raise_signal(signal.SIGINT))
    with pytest.raises((KeyboardInterrupt, SourceError)):
        finish_record(tmp_path / "nowhere")
    watcher.join()
    assert not multiprocessing.active_children()
