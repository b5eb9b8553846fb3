"""What a rig remembers of its last run, in one small file per rig that outlives a restart of the computer.

The file is replaced whole, so that a crash leaves the old or the new one. It ends in a CRC-32 of its own
text: what cannot be believed is told as damaged and never read as "nothing happened".
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from rig_configs.files.whole_file import write_whole

How = Literal["completed", "stopped", "tripped", "aborted", "refused"]
"""The ways a run can end."""
SCHEMA = "leadline.rig/1"
_MOST_BYTES = 100_000


class MemoryDamaged(Exception):
    """The file is there and cannot be believed; the message is one clause that names it."""


@dataclass(frozen=True, slots=True)
class Remembered:
    """The last run on a rig.

    Attributes:
        bench: name of the bench file.
        record: folder of the run's record.
        started_utc: when it began, as the record writes it.
        limits: the watched limits it ran with; None where one was not set.
        how: how it ended; empty while it is under way, and so after a crash.
        code: what has to be cleared before the next run; empty when nothing has.
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


def memory_file(rig_id: str, folder: Path | None = None) -> Path:
    """Return where a rig's memory lives: XDG_STATE_HOME/leadline, or .local/state/leadline at home.

    Args:
        rig_id: what tells this rig from others, such as the address of its valves.
        folder: to keep it in instead.
    """
    name = hashlib.sha256(rig_id.encode()).hexdigest()[:16]
    return (folder or _state_folder()) / f"rig-{name}.json"


def read_memory(file: Path) -> Remembered | None:
    """Return what the rig remembers, or None where it has never run.

    Raises:
        MemoryDamaged: the file cannot be read or is not what was written.
    """
    try:
        with file.open("rb") as opened:
            data = opened.read(_MOST_BYTES)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except OSError as error:
        raise MemoryDamaged(f"{file} cannot be read ({error.strerror})") from None
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
        OSError: it cannot be written; the old one is left as it was.
    """
    text = json.dumps({"schema": SCHEMA, **asdict(remembered)}, ensure_ascii=False, allow_nan=False)
    file.parent.mkdir(parents=True, exist_ok=True)
    write_whole(file, f"{text}\n{zlib.crc32(text.encode()):08x}".encode())


def _state_folder() -> Path:
    """The user's folder for what programs remember; relative ones do not count, by the XDG rule."""
    named = Path(os.environ.get("XDG_STATE_HOME", ""))
    if named.is_absolute():
        return named / "leadline"
    try:
        return Path.home() / ".local" / "state" / "leadline"
    except RuntimeError:
        # A user without a home, as in some containers.
        return Path(tempfile.gettempdir()) / "leadline"
