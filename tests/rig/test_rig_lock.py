"""One program per rig, for all logins and all spellings of the rig in bench files."""

import errno
import json
import os
import socket
import stat
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

from rig.between_runs import state_folder as state
from rig.between_runs.lock import RigBusy, hold_rig, lock_rig
from rig.between_runs.memory import Remembered, memory_file, read_memory, write_memory
from rig.between_runs.rig_names import rig_names
from rig.between_runs.state_folder import NoStateFolder
from rig.setup.bench_file import load_bench

# Holds a rig as another login would, writes its memory, says so and waits to be killed. Everything is
# imported before the login changes, since the other one may not be able to read this Python.
HOLDER = """
import fcntl, getpass, os, pwd, secrets, sys, time
from pathlib import Path
from rig.between_runs.lock import RigBusy, lock_rig
from rig.between_runs.memory import Remembered, memory_file, write_memory
if int(sys.argv[2]):
    os.setgroups([])
    os.setgid(int(sys.argv[2]))
    os.setuid(int(sys.argv[2]))
folder = Path(sys.argv[1])
try:
    with lock_rig(["rig"], folder):
        write_memory(memory_file("rig", folder), Remembered("bench", "record", sys.argv[2], {}))
        print("held", flush=True)
        time.sleep(600)
except RigBusy as busy:
    print(busy, flush=True)
"""
ANOTHER_LOGIN = 54321
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="takes root to be two logins")


class Holder:
    """Another program that tries to hold the rig."""

    def __init__(self, folder, uid=0):
        command = [sys.executable, "-c", HOLDER, str(folder), str(uid)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        self.said = self.process.stdout.readline().strip()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()


def is_free(names, folder):
    try:
        with lock_rig(names, folder):
            return True
    except RigBusy:
        return False


def test_a_second_program_is_refused_and_names_who_holds_the_rig(tmp_path):
    with Holder(tmp_path) as holder:
        assert holder.said == "held"
        with pytest.raises(RigBusy, match=f"process {holder.process.pid} of "), lock_rig(["rig"], tmp_path):
            pass
    assert is_free(["rig"], tmp_path)


def test_two_rigs_do_not_know_each_other_and_any_common_name_makes_them_one(tmp_path):
    with lock_rig(["serial a", "address b"], tmp_path):
        assert is_free(["serial c", "address d"], tmp_path)
        assert not is_free(["serial a", "address d"], tmp_path)
        assert not is_free(["address b"], tmp_path)
        assert is_free(["serial c", "address d"], tmp_path)


def test_a_lock_that_somebody_removed_while_it_was_opened_is_not_taken_for_held(tmp_path, monkeypatch):
    import fcntl

    (lock,) = locks(tmp_path, ["rig"])
    flock, removed = fcntl.flock, []

    def removed_first(fd, how):
        if not removed:
            removed.append(lock.unlink())
        flock(fd, how)

    monkeypatch.setattr(fcntl, "flock", removed_first)
    with lock_rig(["rig"], tmp_path):
        monkeypatch.undo()
        assert not is_free(["rig"], tmp_path)


def locks(folder, names):
    with lock_rig(names, folder):
        return sorted(folder.glob("*.lock"))


@pytest.mark.parametrize("planted", ["link", "hard link", "folder", "pipe"])
def test_what_stands_in_the_place_of_a_lock_is_refused_and_left_alone(tmp_path, planted):
    folder, other = tmp_path / "state", tmp_path / "precious"
    folder.mkdir()
    other.write_text("precious")
    (lock,) = locks(folder, ["rig"])
    lock.unlink()
    make = {
        "link": lambda: lock.symlink_to(other),
        "hard link": lambda: lock.hardlink_to(other),
        "folder": lock.mkdir,
        "pipe": lambda: os.mkfifo(lock),
    }
    make[planted]()
    with pytest.raises(RigBusy, match="lock cannot be used") as caught, lock_rig(["rig"], folder):
        pass
    assert str(lock) in str(caught.value)
    assert other.read_text() == "precious"


@pytest.fixture
def open_path():
    """A folder that another login may enter; those of pytest belong to one."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


@as_root
@pytest.mark.parametrize("first", [0, ANOTHER_LOGIN])
def test_two_logins_exclude_each_other_and_share_one_memory(open_path, first, monkeypatch):
    second = ANOTHER_LOGIN - first
    folder = shared_folder(open_path, monkeypatch)
    memory = memory_file("rig", folder)
    with Holder(folder, first) as holder:
        assert holder.said == "held"
        with Holder(folder, second) as refused:
            assert "another program on this computer drives this rig" in refused.said
    assert read_memory(memory).started_utc == str(first)
    with Holder(folder, second) as holder:
        assert holder.said == "held"
    assert read_memory(memory).started_utc == str(second)


def shared_folder(tmp_path, monkeypatch):
    """The folder as leadline makes it for a whole computer."""
    monkeypatch.delenv("LEADLINE_STATE_DIR")
    monkeypatch.setattr(state, "MACHINE_FOLDER", tmp_path / "leadline")
    found = state.state_folder()
    assert (found.path, found.caution) == (tmp_path / "leadline", "")
    return found.path


def test_the_folder_is_the_computers_own_and_open_to_every_login(tmp_path, monkeypatch):
    umask = os.umask(0o077)
    try:
        folder = shared_folder(tmp_path, monkeypatch)
        with lock_rig(["rig"], folder):
            write_memory(memory_file("rig", folder), Remembered("bench", "record", "", {}))
    finally:
        os.umask(umask)
    assert stat.S_IMODE(folder.stat().st_mode) == 0o777
    assert {stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()} == {0o666}


def test_a_folder_for_a_group_keeps_its_files_to_the_group(tmp_path):
    tmp_path.chmod(0o2770)
    with lock_rig(["rig"], tmp_path):
        pass
    assert {stat.S_IMODE(file.stat().st_mode) for file in tmp_path.iterdir()} == {0o660}


@pytest.mark.parametrize("obstacle", ["cannot be made", "is not a folder", "is sticky", "may not be written"])
def test_a_login_without_the_shared_folder_gets_one_line(tmp_path, monkeypatch, obstacle):
    shared = tmp_path / "shared"
    if obstacle == "cannot be made":
        shared = tmp_path / "missing" / "shared"
    elif obstacle == "is not a folder":
        shared.symlink_to(tmp_path)
    else:
        shared.mkdir()
        shared.chmod(0o1777 if obstacle == "is sticky" else 0o755)
        monkeypatch.setattr(os, "access", lambda *_: False)
    monkeypatch.delenv("LEADLINE_STATE_DIR")
    monkeypatch.setattr(state, "MACHINE_FOLDER", shared)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "own"))
    said = []
    with hold_rig(load_bench("solenoid_bench"), said.append) as (memory, *_):
        assert memory.parent == tmp_path / "own" / "leadline"
    (line,) = said
    assert line.startswith(f"{shared} {obstacle}")
    assert "for this login alone" in line
    assert "\n" not in line
    monkeypatch.setenv("XDG_STATE_HOME", "relative")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    assert state.state_folder().path == tmp_path / "home" / ".local" / "state" / "leadline"


def test_where_temporary_files_go_is_nothing_to_a_lock(tmp_path, monkeypatch):
    folders = []
    for name in ("one", "two"):
        monkeypatch.setenv("TMPDIR", str(tmp_path / name))
        folders.append(state.state_folder().path)
    assert folders[0] == folders[1]


def test_a_variable_that_names_no_absolute_path_is_refused(monkeypatch):
    monkeypatch.setenv("LEADLINE_STATE_DIR", "state")
    with pytest.raises(NoStateFolder, match="LEADLINE_STATE_DIR: 'state' is not an absolute path"):
        state.state_folder()


def bench(name="solenoid_bench", *, role="valves", serial="", pot="", address=None):
    """A shipped bench with other serials and another address of what moves or reads its pressure."""
    file = load_bench(name)
    key, entry = file.by_role(role)
    changed = entry.model_copy(update={"serial": serial, "address": address or entry.address})
    return replace(
        file,
        pot=file.pot.model_copy(update={"serial": pot}),
        instruments={**file.instruments, key: changed},
    )


def meet(one, other, folder):
    with lock_rig(rig_names(one), folder):
        return not is_free(rig_names(other), folder)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("tcp://localhost:5020/1", "tcp://127.0.0.1:5020/1", True),
        ("tcp://localhost:5020/1", "tcp://[::1]:5020/1", True),
        ("tcp://localhost:5020/1", f"tcp://{socket.gethostname()}:5020/1", True),
        ("tcp://Rig.example:502/1", "tcp://rig.example.:502", True),
        ("tcp://192.0.2.30:502/1", "tcp://192.0.2.31:502/1", False),
        ("tcp://192.0.2.30:502/1", "tcp://192.0.2.30:502/2", False),
        ("tcp://192.0.2.30:502/1", "tcp://192.0.2.30:503/1", False),
        ("rtu:///dev/ttyUSB0/3", "rtu:////dev//ttyUSB0/3?baud=9600", True),
        ("rtu:///dev/ttyUSB0/3", "rtu:///dev/ttyUSB1/3", False),
        ("rtu:///COM3/1", "rtu:///com3/1", True),
    ],
)
def test_without_a_serial_a_rig_goes_by_its_address_however_spelt(tmp_path, one, other, same):
    assert meet(bench(address=one), bench(address=other), tmp_path) is same


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("TCPIP0::LOCALHOST::5025::SOCKET", "tcpip::127.0.0.1::05025::socket"),
        ("ASRL/dev/ttyUSB1::INSTR", "asrl/dev/ttyUSB1"),
        ("GPIB0::5::INSTR", "gpib::5"),
        ("TCPIP::192.0.2.40::inst0::INSTR", "TCPIP0::192.0.2.40::INSTR"),
    ],
)
def test_a_controller_goes_by_its_resource_however_spelt(tmp_path, one, other):
    make = ("controller_bench", "controller")
    benches = [bench(make[0], role=make[1], address=address) for address in (one, other)]
    assert meet(*benches, tmp_path)


def test_a_link_to_a_serial_port_is_the_port(tmp_path):
    device, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    link.symlink_to(device)
    folder = tmp_path / "state"
    folder.mkdir()
    one, other = (bench(address=f"rtu://{path}/1") for path in (link, device))
    assert meet(one, other, folder)
    assert rig_names(one)[0] != rig_names(other)[0]


def test_the_same_serial_is_the_same_rig_on_another_port_and_beside_a_file_that_leaves_it_out(tmp_path):
    here, there = "tcp://192.0.2.30:502/1", "tcp://192.0.2.99:502/1"
    assert meet(bench(serial="TV-00058", address=here), bench(serial="tv-00058 ", address=there), tmp_path)
    assert meet(bench(serial="TV-00058", address=here), bench(address=here), tmp_path)
    assert not meet(bench(serial="TV-00058", address=here), bench(serial="TV-2", address=there), tmp_path)
    assert rig_names(bench(serial="TV-00058"))[0] == rig_names(bench(serial="TV-00058", address=there))[0]


def test_a_hand_pot_goes_by_its_own_serial_then_by_its_gauge_and_last_by_its_name(tmp_path):
    def hand(**changes):
        return bench("hand_pot", role="gauge", **changes)

    other = "rtu:///dev/ttyUSB7/1"
    assert meet(hand(pot="HP-0007"), hand(pot="HP-0007", address=other), tmp_path)
    assert meet(hand(serial="TG-1"), hand(serial="TG-2"), tmp_path)
    assert not meet(hand(pot="HP-0007"), hand(pot="HP-0008", address=other), tmp_path)
    file = load_bench("hand_pot")
    key, entry = file.by_role("gauge")
    typed = entry.model_copy(update={"driver": "typed_gauge", "address": "typed"})
    dial = replace(
        file, instruments={**file.instruments, key: typed}, pot=file.pot.model_copy(update={"serial": ""})
    )
    assert rig_names(dial) == ("bench Hand pot",)


def test_a_lock_file_says_who_holds_the_rig_and_nothing_of_how_it_ended(tmp_path):
    (lock,) = locks(tmp_path, ["rig"])
    assert set(json.loads(lock.read_text())) == {"pid", "login"}
    with pytest.raises(RuntimeError), lock_rig(["rig"], tmp_path):
        raise RuntimeError
    assert is_free(["rig"], tmp_path)


def test_a_lock_that_may_not_be_opened_is_no_free_rig(tmp_path, monkeypatch):
    def denied(*_):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "open", denied)
    with pytest.raises(RigBusy, match="Permission denied"), lock_rig(["rig"], tmp_path):
        pass
    monkeypatch.undo()
    assert not list(Path(tmp_path).iterdir())
