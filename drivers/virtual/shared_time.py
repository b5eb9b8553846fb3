"""Bench time in a page of memory that two processes share, so that reading the time needs no message."""

from __future__ import annotations

import mmap
import struct
import tempfile
from contextlib import suppress
from pathlib import Path

_LAYOUT = struct.Struct("<qd")  # bench time in us, offset of the time of day in s


class SharedTime:
    """Written by the process that serves the bench, read by the rig's clock."""

    def __init__(self, path: Path) -> None:
        """Open the page at `path`, which `create` has made."""
        self.path = path
        with path.open("r+b") as file:
            self._page: mmap.mmap | bytes = mmap.mmap(file.fileno(), mmap.PAGESIZE)

    @classmethod
    def create(cls) -> SharedTime:
        """Make a new page in the system's folder for temporary files."""
        with tempfile.NamedTemporaryFile(prefix="leadline-bench-", suffix=".time", delete=False) as file:
            file.write(bytes(mmap.PAGESIZE))
        return cls(Path(file.name))

    def write(self, now_us: int, utc_offset_s: float) -> None:
        """Set both numbers."""
        assert isinstance(self._page, mmap.mmap)
        _LAYOUT.pack_into(self._page, 0, now_us, utc_offset_s)

    @property
    def now_us(self) -> int:
        """Bench time in microseconds."""
        number: int = _LAYOUT.unpack_from(self._page, 0)[0]
        return number

    def utc_offset_s(self) -> float:
        """Offset of the time of day, in seconds."""
        number: float = _LAYOUT.unpack_from(self._page, 0)[1]
        return number

    def unlink(self) -> None:
        """Remove the page's name once both sides have it open, so that a crash cannot leave it behind.

        A system that keeps names of open files keeps this one until `close`.
        """
        with suppress(PermissionError):
            self.path.unlink(missing_ok=True)

    def close(self) -> None:
        """Close the page, and remove its name if it still exists; the time then stands still."""
        last = bytes(self._page[: _LAYOUT.size])
        if isinstance(self._page, mmap.mmap):
            self._page.close()
        self._page = last
        self.unlink()
