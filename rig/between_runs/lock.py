"""One program per rig: a lock of the operating system, and a note of how the last run ended."""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path


class RigBusy(Exception):
    """Another program on this computer is driving the rig."""


@dataclass(frozen=True, slots=True)
class LockedRig:
    """A rig that is ours.

    Attributes:
        interrupted: what the last run was when it ended without saying so; empty after a proper end.
    """

    path: Path
    interrupted: str


@contextmanager
def lock_rig(rig_id: str, folder: Path | None = None) -> Iterator[LockedRig]:
    """Hold the rig's lock while inside; the operating system lets go of it even after kill -9.

    Args:
        rig_id: what tells this rig from others, such as the addresses of its valves.
        folder: where lock files live; the system's folder for temporary files when None.

    Raises:
        RigBusy: the lock is held by another program.
    """
    import fcntl

    name = hashlib.sha256(rig_id.encode()).hexdigest()[:16]
    path = (folder or Path(tempfile.gettempdir())) / f"leadline-{name}.lock"
    fd = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise RigBusy(
                f"another program on this computer drives this rig ({_holder(fd)}); end it first"
            ) from None
        left_behind = os.pread(fd, 4096, 0).decode(errors="replace").strip()
        _write(fd, json.dumps({"pid": os.getpid()}))
        yield LockedRig(path, left_behind)
        _write(fd, "")
    finally:
        os.close(fd)


def _holder(fd: int) -> str:
    try:
        return f"process {json.loads(os.pread(fd, 4096, 0))['pid']}"
    except (ValueError, KeyError, TypeError):
        return "process unknown"


def _write(fd: int, text: str) -> None:
    os.ftruncate(fd, 0)
    os.pwrite(fd, text.encode(), 0)
    os.fsync(fd)
