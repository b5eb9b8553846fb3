"""One program per rig and computer: a lock of the operating system, which ends with its process."""

from __future__ import annotations

import errno
import json
import os
import stat
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Final

from rig.between_runs.memory import file_stem, memory_file
from rig.between_runs.rig_names import rig_names
from rig.between_runs.state_folder import file_mode, state_folder
from rig.setup.bench_file import BenchFile

_MOST_TRIES: Final = 5
_MOST_BYTES: Final = 4096


class RigBusy(Exception):
    """Another program on this computer is driving the rig, or that cannot be excluded."""


@contextmanager
def hold_rig(bench: BenchFile, caution: Callable[[str], None]) -> Iterator[tuple[Path, ...]]:
    """Hold a bench's rig while inside; yields the files of its memory, one for each name.

    Args:
        bench: of hardware.
        caution: called with a warning when other logins on this computer are not kept out.

    Raises:
        RigBusy: it is held by another program, or its lock cannot be used.
        NoStateFolder: there is no folder for the lock.
    """
    names = rig_names(bench)
    folder = state_folder()
    if folder.caution:
        caution(folder.caution)
    with lock_rig(names, folder.path):
        yield tuple(memory_file(name, folder.path) for name in names)


@contextmanager
def lock_rig(names: Sequence[str], folder: Path) -> Iterator[None]:
    """Hold the lock of each name while inside; the operating system lets go of them even after kill -9.

    Args:
        names: of one rig; a program that asks for any of them is refused meanwhile.
        folder: where lock files live.

    Raises:
        RigBusy: one of them is held by another program, or cannot be used.
    """
    with ExitStack() as held:
        for path in sorted(folder / f"{file_stem(name)}.lock" for name in names):
            try:
                fd = _locked(path)
            except OSError as error:
                raise RigBusy(
                    f"{path}: the rig's lock cannot be used ({error.strerror}), and another program could "
                    "drive the rig unnoticed; have the file removed once no program drives it"
                ) from None
            held.callback(os.close, fd)
        yield


def _locked(path: Path) -> int:
    """Open and lock a file, and write the holder into it.

    Raises:
        RigBusy: another program holds it.
        OSError: it cannot be opened, or is not a plain file.
    """
    import fcntl

    for _ in range(_MOST_TRIES):
        fd = _opened(path)
        try:
            try:
                fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise RigBusy(
                    f"another program on this computer drives this rig ({_holder(fd)}); wait for its end"
                ) from None
            if _names(path, fd):
                text = json.dumps({"pid": os.getpid(), "login": _login()}).encode()
                os.ftruncate(fd, os.pwrite(fd, text, 0))
                return fd
        except BaseException:
            os.close(fd)
            raise
        # The file was removed between opening and locking it: the next program would make another.
        os.close(fd)
    raise OSError(errno.EAGAIN, "the file is removed again and again")


def _opened(path: Path) -> int:
    """Open a lock file, made when it is not there; a link is not followed, and nothing is truncated."""
    flags = os.O_RDWR | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    for _ in range(_MOST_TRIES):
        # Linux refuses O_CREAT on the file of another login in a folder that all can write to.
        try:
            fd = os.open(path, flags)
        except FileNotFoundError:
            try:
                fd = os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666)
            except FileExistsError:
                continue
            os.fchmod(fd, file_mode(path.parent))
        about = os.fstat(fd)
        if stat.S_ISREG(about.st_mode) and about.st_nlink <= 1:
            return fd
        os.close(fd)
        raise OSError(errno.EINVAL, "it is not a plain file")
    raise OSError(errno.EAGAIN, "the file is made and removed again and again")


def _names(path: Path, fd: int) -> bool:
    """Whether a path still names the file that is open."""
    try:
        there, held = path.lstat(), os.fstat(fd)
    except FileNotFoundError:
        return False
    return (there.st_dev, there.st_ino) == (held.st_dev, held.st_ino)


def _login() -> str:
    import getpass

    with suppress(OSError, KeyError, ImportError):
        return getpass.getuser()
    return ""


def _holder(fd: int) -> str:
    try:
        said = json.loads(os.pread(fd, _MOST_BYTES, 0))
        login = str(said.get("login", ""))
        return f"process {int(said['pid'])}" + (f" of {login}" if login.isprintable() and login else "")
    except (ValueError, KeyError, TypeError, AttributeError):
        return "process unknown"
