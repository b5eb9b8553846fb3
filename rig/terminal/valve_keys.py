"""Keys that turn the valves of a virtual hand pot while no question is open."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from types import TracebackType

from drivers.virtual_spec import PotTruth
from rig.terminal.keyboard import keys_pressed
from rig.view import Prompt, Severity, Snapshot, Valve, View

HELP = "S, s: supply more, less   x: shut   V, v: vent more, less   z: shut   o: vent wide open"
_LOOK_EVERY_S = 0.1
_STEPS = (0.0, 0.01, 0.02, 0.03, 0.045, 0.06, 0.08, 0.10, 0.13, 0.16, 0.2, 0.25, 0.32, 0.4, 0.5, 0.7, 1.0)
"""How far a valve is open after so many presses, in fine steps at the start as with a needle valve."""


def _no_lid(_off: bool) -> None:
    """Leave the lid: there is none to move."""


class KeyHands:
    """A view that shows everything on another view and turns valves by keys. Use it as a context manager."""

    def __init__(
        self,
        screen: View,
        turn: Callable[[str, float], None],
        read_pot: Callable[[], PotTruth],
        signs: Sequence[str] = (),
        lid: Callable[[bool], None] = _no_lid,
    ) -> None:
        """Stand at a virtual pot.

        Args:
            screen: where everything is shown.
            turn: turns a hand valve of the virtual pot, 0 shut to 1 open.
            read_pot: the pot, for its dial and the barometer on the wall.
            signs: the texts on the pot's plate and tag, one line each.
            lid: takes the lid off (True) or puts it back.
        """
        self._screen = screen
        self._turn = turn
        self._read_pot = read_pot
        self._signs = signs
        self._lid = lid
        self._step: dict[Valve, int] = {Valve.SUPPLY: 0, Valve.VENT: len(_STEPS) - 1}
        self._keys_free = threading.Lock()
        self._done = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="hands", daemon=True)

    def __enter__(self) -> KeyHands:
        self._screen.say(f"Your keys turn the valves. {HELP}")
        room_hpa = 1000.0 * self._read_pot().room_pressure_bar
        for sign in (*self._signs, f"The barometer on the wall reads {room_hpa:.1f} hPa."):
            self._screen.say(sign)
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._done.set()
        self._thread.join(1.0)

    @property
    def show_every_s(self) -> float:
        """Return how often the screen takes a picture."""
        return self._screen.show_every_s

    def update(self, snapshot: Snapshot) -> None:
        """Show the rig, how far the valves are open, and the dial."""
        supply, vent = _STEPS[self._step[Valve.SUPPLY]], _STEPS[self._step[Valve.VENT]]
        pot = self._read_pot()
        dial_bar = round(pot.pressure_bar - pot.room_pressure_bar, 2) + 0.0
        seen = f"supply {100 * supply:.0f} %, vent {100 * vent:.0f} %, dial {dial_bar:.2f} barg"
        self._screen.update(replace(snapshot, hand_valves=seen))

    def say(self, text: str, severity: Severity = "info") -> None:
        """Show one message."""
        self._screen.say(text, severity)

    def ask(self, prompt: Prompt) -> str | None:
        """Ask; during a question the keys type the answer. The lid is off while a question wants it off."""
        with self._keys_free:
            if not prompt.lid_off_s:
                return self._screen.ask(prompt)
            self._lid(True)
            try:
                return self._screen.ask(prompt)
            finally:
                self._lid(False)

    def withdraw(self) -> None:
        """Withdraw an open question."""
        self._screen.withdraw()

    def press(self, key: str) -> None:
        """Turn a valve as a key says; other keys do nothing."""
        last = len(_STEPS) - 1
        match key:
            case "S" | "s":
                self._set(Valve.SUPPLY, self._step[Valve.SUPPLY] + (1 if key == "S" else -1))
            case "V" | "v":
                self._set(Valve.VENT, self._step[Valve.VENT] + (1 if key == "V" else -1))
            case "x":
                self._set(Valve.SUPPLY, 0)
            case "z":
                self._set(Valve.VENT, 0)
            case "o":
                self._set(Valve.VENT, last)

    def _set(self, valve: Valve, step: int) -> None:
        self._step[valve] = min(max(step, 0), len(_STEPS) - 1)
        self._turn(valve, _STEPS[self._step[valve]])

    def _listen(self) -> None:
        while not self._done.is_set():
            if not self._keys_free.acquire(timeout=_LOOK_EVERY_S):
                continue
            try:
                keys = keys_pressed(_LOOK_EVERY_S)
            finally:
                self._keys_free.release()
            if keys is None:
                return
            for key in keys:
                self.press(key)
            # Let a question have the keyboard before the next look.
            self._done.wait(0.01)
