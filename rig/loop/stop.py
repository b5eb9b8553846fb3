"""The operator's request to stop.

Ctrl-C once and a closed terminal mean a ramped vent; Ctrl-C twice, SIGTERM and the quit key mean de-energise.
Ctrl-Z would leave a pot that nobody watches, so it is ignored and answered with a message. So are the signals
that stop a program in the background when it reads from its terminal or writes to it.

A signal handler only sets a flag; the loop reads it at its next tick. Neither way ever skips the safe state.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from enum import IntEnum
from types import FrameType


class StopLevel(IntEnum):
    """How urgently to stop; it only ever rises."""

    NONE = 0
    RAMPED = 1
    NOW = 2


class StopRequest:
    """A flag that any thread or signal handler may raise and that only the loop acts on."""

    def __init__(self) -> None:
        self._level = StopLevel.NONE
        self._why = ""
        self._asked = 0
        self._suspended = False
        self._lock = threading.RLock()

    @property
    def level(self) -> StopLevel:
        """How urgently to stop; `StopLevel.NONE` when nobody asked."""
        return self._level

    @property
    def why(self) -> str:
        """Who or what asked first, as one clause; empty when nobody did."""
        return self._why

    @property
    def asked(self) -> int:
        """Number of requests: the level cannot rise above the most urgent, but people can ask again."""
        return self._asked

    def request(self, why: str, level: StopLevel | None = None) -> None:
        """Ask to stop.

        Args:
            why: one clause for the record ("Ctrl-C").
            level: how urgently; None raises the level by one, so that asking twice de-energises.
        """
        with self._lock:
            self._asked += 1
            wanted = StopLevel(min(self._level + 1, StopLevel.NOW)) if level is None else level
            if wanted > self._level:
                self._level = wanted
                self._why = self._why or why

    def take_suspend(self) -> bool:
        """Return whether Ctrl-Z was pressed since this was last asked."""
        pressed, self._suspended = self._suspended, False
        return pressed

    @contextmanager
    def on_signals(self) -> Iterator[None]:
        """Route the signals that end or suspend a program here while inside.

        SIGINT (Ctrl-C) asks for a ramped vent, then to de-energise; SIGHUP for a ramped vent; SIGTERM and
        SIGQUIT (the quit key) to de-energise. SIGTSTP (Ctrl-Z) is only noted. SIGTTIN and SIGTTOU are
        ignored: a program in the background then gets an error where it reads, and may write.

        Only the main thread may install handlers; elsewhere this does nothing.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def on_interrupt(_signal: int, _frame: FrameType | None) -> None:
            self.request("Ctrl-C")

        def on_end(number: int, _frame: FrameType | None) -> None:
            self.request(signal.Signals(number).name, StopLevel.NOW)

        def on_closed(_signal: int, _frame: FrameType | None) -> None:
            self.request("the terminal was closed", StopLevel.RAMPED)

        def on_suspend(_signal: int, _frame: FrameType | None) -> None:
            self._suspended = True

        handlers = {
            "SIGINT": on_interrupt,
            "SIGTERM": on_end,
            "SIGQUIT": on_end,
            "SIGHUP": on_closed,
            "SIGTSTP": on_suspend,
        }
        before = {}
        for name in ("SIGTTIN", "SIGTTOU"):
            if hasattr(signal, name):
                number = getattr(signal, name)
                before[number] = signal.signal(number, signal.SIG_IGN)
        for name, handler in handlers.items():
            if hasattr(signal, name):
                number = getattr(signal, name)
                before[number] = signal.signal(number, handler)
        try:
            yield
        finally:
            for number, earlier in before.items():
                signal.signal(number, earlier)
