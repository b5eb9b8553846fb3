"""The operator's request to stop: once means a ramped vent; twice, SIGTERM or a closed terminal, de-energise.

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

    @contextmanager
    def on_signals(self) -> Iterator[None]:
        """Route Ctrl-C (ramped vent, then de-energise), SIGTERM and SIGHUP (de-energise) here while inside.

        Only the main thread may install handlers; elsewhere this does nothing.
        """
        if threading.current_thread() is not threading.main_thread():
            yield
            return

        def on_interrupt(_signal: int, _frame: FrameType | None) -> None:
            self.request("Ctrl-C")

        def on_end(number: int, _frame: FrameType | None) -> None:
            self.request(signal.Signals(number).name, StopLevel.NOW)

        before = {signal.SIGINT: signal.signal(signal.SIGINT, on_interrupt)}
        for name in ("SIGTERM", "SIGHUP"):
            if hasattr(signal, name):
                number = getattr(signal, name)
                before[number] = signal.signal(number, on_end)
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)
