"""What a person does at a served bench: lines typed in its terminal move the lid and the hand valves."""

from __future__ import annotations

import os
import queue
import signal
import sys
import threading

from drivers.virtual.bench import Bench
from drivers.virtual_spec import VirtualBenchError
from rig_configs.roles import MOVING_ROLES


class Hands:
    """The hands of a person at one bench.

    Attributes:
        words: what can be typed, for a person.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        by_hand = all(bench.by_role(role) is None for role in MOVING_ROLES)
        self.words = "lid off, lid on" + ", supply 0.2, vent 1 (0 shut to 1 open)" * by_hand

    def obey(self, line: str) -> str:
        """Do what a line says; returns what was done or why not, in one line."""
        thing, _, how = line.strip().lower().partition(" ")
        how = how.strip()
        try:
            if thing == "lid" and how in ("off", "on"):
                self._bench.move_lid(off=how == "off")
                return f"the lid is {how}"
            if thing in ("supply", "vent"):
                self._bench.turn(thing, float(how))
                return f"the {thing} is {100 * float(how):.0f} % open"
        except VirtualBenchError as error:
            return str(error)
        except ValueError:
            pass
        return f"{line.strip()!r} is not understood; type {self.words}"


def typed_lines() -> queue.SimpleQueue[str]:
    """Lines of standard input as they are typed; none where nobody can type."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()
    # In the background of a terminal a read would stop the whole program; so it fails instead.
    if hasattr(signal, "SIGTTIN") and threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGTTIN, signal.SIG_IGN)

    def read() -> None:
        pending = b""
        try:
            # Not through sys.stdin: its lock, held by this thread, would stop the interpreter from ending.
            while piece := os.read(sys.stdin.fileno(), 4096):
                *whole, pending = (pending + piece).split(b"\n")
                for line in whole:
                    lines.put(line.decode(errors="replace"))
        except (OSError, ValueError, AttributeError):
            return

    threading.Thread(target=read, name="hands", daemon=True).start()
    return lines
