"""Writes a file whole: a reader finds the old content or the new, never a part of one."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from pathlib import Path
from typing import Final

_CANNOT_SYNC_FOLDERS: Final = frozenset({errno.EINVAL, errno.ENOTSUP, errno.EACCES})
_NEW_FILE: Final = os.O_WRONLY | os.O_CREAT | os.O_EXCL


def write_whole(path: Path, data: bytes, *, sync: bool = True, mode: int | None = None) -> None:
    """Replace `path` with `data`, through a temporary file beside it.

    A link at `path` is replaced and not followed; a folder there is an error. After an error
    the old file is as it was, and no temporary file is left.

    Args:
        path: in an existing folder.
        data: the whole content.
        sync: put file and folder on the disk before returning; False only for a file that can be made again.
        mode: the file's permissions; as the umask gives them when None.

    Raises:
        OSError: with `path`, for any step that failed.
    """
    temporary = path.parent / f".leadline-{secrets.token_hex(8)}.part"
    try:
        fd = os.open(temporary, _NEW_FILE, 0o666)
        try:
            with os.fdopen(fd, "wb") as file:
                if mode is not None:
                    os.chmod(temporary, mode)  # noqa: PTH101
                file.write(data)
                file.flush()
                if sync:
                    os.fsync(file.fileno())
            temporary.replace(path)
        except BaseException:
            with contextlib.suppress(OSError):
                temporary.unlink()
            raise
        if sync:
            sync_folder(path.parent)
    except OSError as error:
        raise OSError(error.errno, error.strerror or str(error), str(path)) from None


def sync_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, where the system can do that.

    Raises:
        OSError: the disk failed.
    """
    if os.name != "posix":
        return
    try:
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
    except OSError as error:
        # A network file system may not support it, and a folder may allow writing but not reading.
        if error.errno not in _CANNOT_SYNC_FOLDERS:
            raise
