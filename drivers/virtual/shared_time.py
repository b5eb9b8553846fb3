"""Bench time in a page of memory that two processes share, so that asking for the time needs no message."""

from __future__ import annotations

import mmap
import struct
import tempfile
from pathlib import Path

_LAYOUT = struct.Struct("<qd")  # bench time in us, offset of the time of day in s


class SharedTime:
    """Written by the process that serves the bench, read by the rig's clock."""

    def __init__(self, path: Path) -> None:
        """Open the page at `path`, which `create` has made."""
        self.path = path
        with path.open("r+b") as file:
            self._page = mmap.mmap(file.fileno(), mmap.PAGESIZE)

    @classmethod
    def create(cls) -> SharedTime:
        """Make a new page in the system's folder for temporary files."""
        with tempfile.NamedTemporaryFile(prefix="leadline-bench-", suffix=".time", delete=False) as file:
            file.write(bytes(mmap.PAGESIZE))
        return cls(Path(file.name))

    def write(self, now_us: int, utc_offset_s: float) -> None:
        """Set both numbers."""
        _LAYOUT.pack_into(self._page, 0, now_us, utc_offset_s)

    def now_us(self) -> int:
        """Bench time in microseconds."""
        number: int = _LAYOUT.unpack_from(self._page, 0)[0]
        return number

    def utc_offset_s(self) -> float:
        """Offset of the time of day, in seconds."""
        number: float = _LAYOUT.unpack_from(self._page, 0)[1]
        return number

    def close(self) -> None:
        """Let go of the page."""
        self._page.close()

    def remove(self) -> None:
        """Let go of the page and delete it."""
        self.close()
        self.path.unlink(missing_ok=True)
