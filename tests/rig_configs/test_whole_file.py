"""A file written whole is the old one or the new one, whatever happens in between."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from rig_configs.files.whole_file import write_whole

OLD, NEW = b"old content", b"new content" * 1000
# Kills itself at the system call that is named, as a power cut or kill -9 would.
KILLED = """
import os, signal, sys
from pathlib import Path
from rig_configs.files import whole_file

def die(*_, **__):
    os.kill(os.getpid(), signal.SIGKILL)

step, file = sys.argv[1:]
if step == "fsync":
    os.fsync = die
elif step == "replace":
    Path.replace = die
elif step == "sync_folder":
    whole_file.sync_folder = die
whole_file.write_whole(Path(file), b"new content" * 1000)
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    file = tmp_path / "paper.pdf"
    file.write_bytes(OLD)
    return file


@pytest.mark.parametrize(
    ("step", "left"), [("fsync", OLD), ("replace", OLD), ("sync_folder", NEW), ("none", NEW)]
)
def test_a_killed_process_leaves_the_old_content_or_the_new(file: Path, step: str, left: bytes) -> None:
    killed = subprocess.run([sys.executable, "-c", KILLED, step, str(file)], check=False)
    assert (killed.returncode == 0) == (step == "none")
    assert file.read_bytes() == left


@pytest.mark.parametrize("step", ["chmod", "fsync", "replace"])
@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "No space left on device"), KeyboardInterrupt()])
def test_after_a_failure_the_old_file_stands_alone(
    file: Path, monkeypatch: pytest.MonkeyPatch, step: str, error: BaseException
) -> None:
    def fail(*_: object) -> None:
        raise error

    monkeypatch.setattr(*((Path, "replace") if step == "replace" else (os, step)), fail)
    with pytest.raises(type(error)) as caught:
        write_whole(file, NEW, mode=0o600)
    assert file.read_bytes() == OLD
    assert list(file.parent.iterdir()) == [file]
    if isinstance(caught.value, OSError):
        assert (caught.value.errno, caught.value.strerror) == (errno.ENOSPC, "No space left on device")
        assert caught.value.filename == str(file)


def test_a_missing_folder_is_an_error_that_names_the_file(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError) as caught:
        write_whole(tmp_path / "nowhere" / "paper.pdf", NEW)
    assert caught.value.filename == str(tmp_path / "nowhere" / "paper.pdf")


def test_file_and_folder_are_synced_in_that_order_and_only_when_wanted(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    synced: list[tuple[str, bytes]] = []
    fsync = os.fsync

    def note(fd: int) -> None:
        kind = "folder" if stat.S_ISDIR(os.fstat(fd).st_mode) else "file"
        synced.append((kind, file.read_bytes()))
        fsync(fd)

    monkeypatch.setattr(os, "fsync", note)
    write_whole(file, NEW, sync=False)
    assert synced == []
    file.write_bytes(OLD)
    write_whole(file, NEW)
    assert synced == [("file", OLD), ("folder", NEW)]


@pytest.mark.parametrize("code", [errno.EINVAL, errno.EIO])
def test_a_folder_that_cannot_be_synced_is_no_error_and_a_broken_disk_is_one(
    file: Path, monkeypatch: pytest.MonkeyPatch, code: int
) -> None:
    def fsync(fd: int) -> None:
        if stat.S_ISDIR(os.fstat(fd).st_mode):
            raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", fsync)
    if code == errno.EINVAL:
        write_whole(file, NEW)
    else:
        with pytest.raises(OSError, match=os.strerror(code)):
            write_whole(file, NEW)
    assert file.read_bytes() == NEW


@pytest.mark.parametrize(
    ("umask", "mode", "wanted"), [(0o022, None, 0o644), (0o077, None, 0o600), (0o022, 0o666, 0o666)]
)
def test_permissions_are_as_the_umask_says_unless_given(
    tmp_path: Path, umask: int, mode: int | None, wanted: int
) -> None:
    before = os.umask(umask)
    try:
        write_whole(tmp_path / "file", NEW, mode=mode)
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "file").stat().st_mode) == wanted


def test_a_link_is_replaced_and_what_it_names_is_left_alone(file: Path, tmp_path: Path) -> None:
    link = tmp_path / "link"
    link.symlink_to(file)
    write_whole(link, NEW)
    assert (file.read_bytes(), link.read_bytes()) == (OLD, NEW)
    assert not link.is_symlink()


def test_a_folder_in_the_place_of_the_file_is_an_error_and_stays(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(IsADirectoryError) as caught:
        write_whole(tmp_path / "folder", NEW)
    assert caught.value.filename == str(tmp_path / "folder")
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]
