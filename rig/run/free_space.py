"""How much free space there is for a record."""

from __future__ import annotations

import shutil
from pathlib import Path


def free_bytes(folder: Path) -> int:
    """Return the free space at `folder`, in bytes, or at the nearest existing folder above it.

    Raises:
        OSError: it cannot be found out.
    """
    there = folder.absolute()
    while not there.exists() and there != there.parent:
        there = there.parent
    return shutil.disk_usage(there).free
