"""Answers from the keyboard that never block the screen: one line at a time, with a time limit."""

from __future__ import annotations

import contextlib
import os
import queue
import select
import sys
import threading
import time
from collections.abc import Callable, Iterator

_LOOK_EVERY_S = 0.1


class LineReader:
    """Reads whole lines from a stream in a separate thread, so that waiting can be limited."""

    def __init__(self) -> None:
        self._lines: queue.Queue[str | None] = queue.Queue()
        self._thread: threading.Thread | None = None
        self._ended = False

    def read(self, timeout_s: float, withdrawn: Callable[[], bool] = lambda: False) -> str | None:
        """Return the next line, or None at the end of input, after `timeout_s` or when withdrawn.

        Lines typed before the call are discarded: they cannot answer this question.
        """
        if self._ended:
            return None
        fresh = self._thread is None
        if self._thread is None:
            self._thread = threading.Thread(target=self._pump, name="keyboard", daemon=True)
            self._thread.start()
        # Piped answers arrive before their questions; only a person's stray lines are discarded.
        if not fresh and sys.stdin.isatty():
            while not self._lines.empty():
                self._lines.get_nowait()
        until_s = time.monotonic() + timeout_s
        while not withdrawn() and (left_s := until_s - time.monotonic()) > 0:
            with contextlib.suppress(queue.Empty):
                line = self._lines.get(timeout=min(left_s, _LOOK_EVERY_S))
                self._ended = line is None
                return line
        return None

    def _pump(self) -> None:
        # Read past Python's buffered stdin: a thread that waits inside it would abort the interpreter's exit.
        waiting = b""
        with contextlib.suppress(OSError, ValueError):
            fd = sys.stdin.fileno()
            while data := _read(fd, 1024):
                *lines, waiting = (waiting + data).split(b"\n")
                for line in lines:
                    self._lines.put(line.decode(errors="replace").rstrip("\r"))
        if waiting:
            self._lines.put(waiting.decode(errors="replace"))
        self._lines.put(None)


def _read(fd: int, most: int) -> bytes:
    """Read, once this program is in the foreground again: in the background the terminal refuses with EIO."""
    while True:
        try:
            return os.read(fd, most)
        except OSError:
            if _in_foreground(fd):
                raise
            time.sleep(_LOOK_EVERY_S)


def _in_foreground(fd: int) -> bool:
    """Whether this program may read from a terminal; also where that is not known."""
    try:
        return os.tcgetpgrp(fd) == os.getpgrp()
    except OSError:
        return True


def can_read_keys() -> bool:
    """Whether single keys can be read: a POSIX terminal on stdin."""
    try:
        import termios  # noqa: F401

        return sys.stdin.isatty()
    except (ImportError, ValueError, AttributeError):
        return False


@contextlib.contextmanager
def keys_unseen() -> Iterator[None]:
    """Keep the terminal from printing keys, and ^C, over a picture; the keys themselves work as usual."""
    if not can_read_keys():
        yield
        return
    import termios

    fd = sys.stdin.fileno()
    with _settings_kept(fd):
        quiet = termios.tcgetattr(fd)
        quiet[3] &= ~(termios.ECHO | termios.ECHOCTL)
        termios.tcsetattr(fd, termios.TCSADRAIN, quiet)
        yield


def read_typed(
    timeout_s: float, on_change: Callable[[str], None], withdrawn: Callable[[], bool] = lambda: False
) -> str | None:
    """Read one line key by key without echo; Enter ends it.

    Args:
        timeout_s: after that, None is returned.
        on_change: called with the text typed so far whenever it changes, to show it.
        withdrawn: checked ten times a second; once it is true, None is returned.

    Returns:
        The text, or None after `timeout_s`, at the end of input, when withdrawn or when the terminal is gone.
    """
    import termios
    import tty

    fd = sys.stdin.fileno()
    typed = ""
    until_s = time.monotonic() + timeout_s
    # From the background it would change the settings of the terminal that another program uses.
    while not _in_foreground(fd) and time.monotonic() < until_s and not withdrawn():
        time.sleep(_LOOK_EVERY_S)
    with contextlib.suppress(OSError, termios.error), _settings_kept(fd):
        tty.setcbreak(fd)
        termios.tcflush(fd, termios.TCIFLUSH)
        while time.monotonic() < until_s and not withdrawn():
            if not select.select([fd], [], [], _LOOK_EVERY_S)[0]:
                continue
            data = os.read(fd, 64)
            if not data:
                return None
            for key in data.decode(errors="ignore"):
                if key in "\r\n":
                    return typed
                typed = _after(typed, key)
            on_change(typed)
    return None


def keys_pressed(within_s: float) -> str | None:
    """Keys pressed within a time, without echo and without Enter; None at the end of input or terminal."""
    import termios
    import tty

    fd = sys.stdin.fileno()
    with contextlib.suppress(OSError, termios.error), _settings_kept(fd):
        tty.setcbreak(fd, termios.TCSANOW)
        if not select.select([fd], [], [], within_s)[0]:
            return ""
        pressed = os.read(fd, 64)
        return pressed.decode(errors="ignore") if pressed else None
    return None


@contextlib.contextmanager
def _settings_kept(fd: int) -> Iterator[None]:
    """Restore a terminal's settings on leaving; one that has been closed is left alone."""
    import termios

    before = termios.tcgetattr(fd)
    try:
        yield
    finally:
        with contextlib.suppress(termios.error):
            termios.tcsetattr(fd, termios.TCSANOW, before)


def _after(typed: str, key: str) -> str:
    if key in "\x7f\b":
        return typed[:-1]
    if key == "\x15":
        return ""
    return typed + key if key.isprintable() else typed
