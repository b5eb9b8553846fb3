"""Reports when a file that a run was started with is edited on the disk; the run continues with what it read.

A separate thread looks at the files: a file on a lost network share may keep its reader waiting for minutes,
and no tick of the rig may wait for it.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from rig_configs.files.checked_toml import FileError, TomlText, read_text

_LOOK_EVERY_S = 5.0
_LAST_LOOK_S = 1.0

_Stamp = tuple[int, int, int]


@dataclass(slots=True)
class _Watched:
    path: Path
    sha256: str
    stamp: _Stamp | None


class FrozenFiles:
    """Watches files by their time stamp, and reads one again only when that has changed.

    A file that is shipped with the program, or has already changed at the start, is not watched.
    """

    def __init__(self, frozen: Iterable[TomlText], look_every_s: float = _LOOK_EVERY_S) -> None:
        """Look at files that have just been read; nothing runs until `start`."""
        self._watched = [found for text in frozen if (found := _as_read(text)) is not None]
        self._look_every_s = look_every_s
        self._changed: list[str] = []
        self._reported = 0
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="frozen files", daemon=True)

    def start(self) -> None:
        """Start to watch, if there is anything to watch."""
        if self._watched:
            self._thread.start()

    def newly_changed(self) -> list[str]:
        """Names of files that were found edited since the last call; costs nothing."""
        changed = self._changed
        if len(changed) == self._reported:
            return []
        found = changed[self._reported :]
        self._reported += len(found)
        return found

    def look_a_last_time(self) -> None:
        """Look once more, for no longer than a second, and end the watch."""
        self._ended.set()
        if self._thread.is_alive():
            self._thread.join(_LAST_LOOK_S)

    def _watch(self) -> None:
        watched = self._watched
        while watched and not self._ended.is_set():
            self._ended.wait(self._look_every_s)
            for file in tuple(watched):
                if _is_edited(file):
                    watched.remove(file)
                    self._changed.append(str(file.path))


def _as_read(text: TomlText) -> _Watched | None:
    watched = _Watched(Path(text.file), text.sha256, None)
    edited = _is_edited(watched)
    return None if edited or watched.stamp is None else watched


def _is_edited(file: _Watched) -> bool:
    """Whether the file's content has changed; False when it cannot be read now."""
    try:
        status = file.path.stat()
        stamp = (status.st_mtime_ns, status.st_size, status.st_ino)
        if stamp == file.stamp:
            return False
        edited = read_text(file.path).sha256 != file.sha256
    except (OSError, FileError):
        return False
    file.stamp = stamp
    return edited
