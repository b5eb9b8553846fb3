"""What a rig remembers of its last run, in one small file per rig that outlives a restart of the computer.

The file is replaced whole, so that a crash leaves the old or the new one. It ends in a CRC-32 of its
text: a wrong one is reported as damage and never read as "nothing happened".
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from rig.between_runs.state_folder import file_mode
from rig_configs.files.whole_file import write_whole

How = Literal["completed", "stopped", "tripped", "aborted", "refused"]
"""The ways a run can end."""
SCHEMA = "leadline.rig/1"
_MOST_BYTES = 100_000


class MemoryDamaged(Exception):
    """The file exists and is damaged; the message is one clause that names it."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """The last run on a rig.

    Attributes:
        bench: name of the bench file.
        record: folder of the run's record.
        started_utc: when it began, as the record writes it.
        limits: the watched limits it ran with; None where one was not set.
        how: how it ended; empty while it is under way, and so after a crash.
        code: to be cleared before the next run; empty when there is nothing to clear.
        text: what happened.
        ended_utc: when it ended.
        cleared: whether a person has cleared it since.
    """

    bench: str
    record: str
    started_utc: str
    limits: Mapping[str, float | None]
    how: str = ""
    code: str = ""
    text: str = ""
    ended_utc: str = ""
    cleared: bool = False


def file_stem(name: str) -> str:
    """Return the name of a rig's files, without their suffix."""
    return f"rig-{hashlib.sha256(name.encode()).hexdigest()[:16]}"


def memory_file(name: str, folder: Path) -> Path:
    """Return the memory file of the rig with this name."""
    return folder / f"{file_stem(name)}.json"


def read_memory(file: Path) -> Remembered | None:
    """Return what the rig remembers, or None where it has never run.

    Raises:
        MemoryDamaged: the file cannot be read or is not what was written.
    """
    try:
        fd = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with os.fdopen(fd, "rb") as opened:
            data = opened.read(_MOST_BYTES) or b""
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        what = "is a link" if error.errno == errno.ELOOP else f"cannot be read ({error.strerror})"
        raise MemoryDamaged(f"{file} {what}") from None
    try:
        text, _, crc = data.decode().rpartition("\n")
        if int(crc, 16) != zlib.crc32(text.encode()):
            raise ValueError
        said: dict[str, Any] = json.loads(text)
        if said.pop("schema") != SCHEMA:
            raise ValueError
        return Remembered(**said)
    except (ValueError, KeyError, TypeError):
        raise MemoryDamaged(f"{file} is damaged") from None


def write_memory(file: Path, remembered: Remembered) -> None:
    """Replace the file, synced to the disk before it takes the old one's place.

    Raises:
        OSError: it cannot be written; the old one is unchanged.
    """
    text = json.dumps({"schema": SCHEMA, **asdict(remembered)}, ensure_ascii=False, allow_nan=False)
    data = f"{text}\n{zlib.crc32(text.encode()):08x}".encode()
    write_whole(file, data, mode=file_mode(file.parent))
