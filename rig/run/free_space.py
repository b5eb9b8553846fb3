"""How much room there is where a record will stand."""

from __future__ import annotations

import shutil
from pathlib import Path


def free_bytes(folder: Path) -> int:
    """Return the room at `folder`, in bytes; of the nearest folder above it while it is not made yet.

    Raises:
        OSError: nobody can tell.
    """
    there = folder.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    return shutil.disk_usage(there).free
