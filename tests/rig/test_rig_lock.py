"""One program per rig, and a next start that knows how the last one ended."""

import os
import subprocess
import sys

import pytest

from rig.between_runs.lock import RigBusy, lock_rig

_HOLDER = """
import sys, time
from pathlib import Path
from rig.between_runs.lock import lock_rig
with lock_rig("rig", Path(sys.argv[1])):
    print("held", flush=True)
    time.sleep(600)
"""


def test_a_second_program_is_refused_and_told_who_holds_the_rig(tmp_path):
    with (
        lock_rig("rig", tmp_path),
        pytest.raises(RigBusy, match=f"process {os.getpid()}"),
        lock_rig("rig", tmp_path),
    ):
        pass


def test_two_rigs_do_not_know_each_other(tmp_path):
    with lock_rig("rig one", tmp_path), lock_rig("rig two", tmp_path) as other:
        assert other.interrupted == ""


def test_after_a_proper_end_nothing_was_interrupted(tmp_path):
    for _ in range(2):
        with lock_rig("rig", tmp_path) as locked:
            assert locked.interrupted == ""


def test_after_kill_9_the_lock_is_free_and_the_interruption_is_known(tmp_path):
    holder = subprocess.Popen([sys.executable, "-c", _HOLDER, str(tmp_path)], stdout=subprocess.PIPE)
    assert holder.stdout is not None
    holder.stdout.readline()
    with pytest.raises(RigBusy), lock_rig("rig", tmp_path):
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    with lock_rig("rig", tmp_path) as locked:
        assert str(holder.pid) in locked.interrupted


def test_after_an_exception_the_next_start_knows(tmp_path):
    with pytest.raises(RuntimeError), lock_rig("rig", tmp_path):
        raise RuntimeError
    with lock_rig("rig", tmp_path) as locked:
        assert locked.interrupted != ""
