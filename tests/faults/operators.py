"""Simulated operators at a hand pot: an obedient one, and all the others."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from drivers.virtual_spec import PotTruth
from rig.job.simulated_person import SimulatedPerson
from rig.safety.scan import Scan
from rig.view import Action, Cue, Prompt, Severity, Snapshot, Valve, Wanted

_DIAL_SHOWS_BAR = 0.02
LID_WORDS = "you may open the lid"


@dataclass
class Screen:
    """Keeps what was shown, and what the pot was like at every word about the lid."""

    read_pot: Any
    show_every_s: float = 0.0
    said: list[tuple[str, Severity]] = field(default_factory=list)
    lid_texts: list[PotTruth] = field(default_factory=list)
    snapshots: list[Snapshot] = field(default_factory=list)

    def update(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def say(self, text: str, severity: Severity = "info") -> None:
        self.said.append((text, severity))
        if LID_WORDS in text:
            self.lid_texts.append(self.read_pot())

    def ask(self, prompt: Prompt) -> str | None:
        return None

    def withdraw(self) -> None:
        pass


class Obedient(SimulatedPerson):
    """Does what the screen says, and types VENTED only when the dial shows it."""

    def answer(self, prompt: Prompt) -> str | None:
        if "VENTED" in prompt.choices and self.dial_bar() > _DIAL_SHOWS_BAR:
            return None
        return super().answer(prompt)


class Slow(SimulatedPerson):
    """Takes long for everything, but does it."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **{**more, "reaction_s": 3.5, "thinks_s": 50.0})


class WrongUnit(SimulatedPerson):
    """Types pressures without a unit, then with a comma, then in the wrong unit."""

    texts = ("3", "3,0 bara", "3 bar", "3 psia")

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._asked = 0

    def answer(self, prompt: Prompt) -> str | None:
        if prompt.code in ("plate", "dial"):
            self._asked += 1
            return self.texts[(self._asked - 1) % len(self.texts)]
        return super().answer(prompt)


class WrongUnitOnce(WrongUnit):
    """Types it wrong twice and then reads the message."""

    def answer(self, prompt: Prompt) -> str | None:
        if self._asked < 2 or prompt.code not in ("plate", "dial"):
            return super().answer(prompt)
        return SimulatedPerson.answer(self, prompt)


class EnterForEver(SimulatedPerson):
    """Presses Enter at every question and touches no valve."""

    def answer(self, prompt: Prompt) -> str | None:
        return ""

    def act(self, cue: Cue | None, scan: Scan) -> None:
        pass


class YesToAll(SimulatedPerson):
    """Answers yes to everything."""

    def answer(self, prompt: Prompt) -> str | None:
        return "yes"


class SaysSoOnly(SimulatedPerson):
    """Types every word that is asked for, and touches no valve."""

    def act(self, cue: Cue | None, scan: Scan) -> None:
        pass


class Leaves(SimulatedPerson):
    """Obeys until a time, then leaves; the valves stay as they were."""

    def __init__(self, *args: Any, leaves_s: float, **more: Any) -> None:
        super().__init__(*args, **more)
        self._leaves_s = leaves_s
        self.left = False

    def cue(self, cue: Cue | None, scan: Scan) -> None:
        self.left = self.left or scan.t_s >= self._leaves_s
        super().cue(cue, scan)

    def act(self, cue: Cue | None, scan: Scan) -> None:
        if not self.left:
            super().act(cue, scan)

    def answer(self, prompt: Prompt) -> str | None:
        return None if self.left else super().answer(prompt)


class Dozes(SimulatedPerson):
    """Obeys until a time, then touches no valve until a question wakes them."""

    def __init__(self, *args: Any, dozes_s: float, **more: Any) -> None:
        super().__init__(*args, **more)
        self._dozes_s = dozes_s
        self._woken = False

    def act(self, cue: Cue | None, scan: Scan) -> None:
        if self._woken or scan.t_s < self._dozes_s:
            super().act(cue, scan)

    def answer(self, prompt: Prompt) -> str | None:
        self._woken = self._woken or "retry" in prompt.choices
        return super().answer(prompt)


class NeverCloses(SimulatedPerson):
    """Opens valves and never closes the supply again."""

    def act(self, cue: Cue | None, scan: Scan) -> None:
        if cue is not None and cue.valve is Valve.SUPPLY and cue.action in (Action.CLOSE, Action.SLOWER):
            return
        super().act(cue, scan)


class Hasty(SimulatedPerson):
    """Opens the supply fully at once."""

    def _adjusted(self, cue: Cue, scan: Scan) -> float:
        return 1.0 if cue.valve is Valve.SUPPLY else super()._adjusted(cue, scan)


class TearsTheCylinderOpen(SimulatedPerson):
    """Leaves the supply valve open and the vent nearly shut when the cylinder is to be opened."""

    def put(self, prompt: Prompt, t_s: float) -> None:
        super().put(prompt, t_s)
        if prompt.code == "open_cylinder":
            self._set(Valve.VENT, 0.02)
            self._set(Valve.SUPPLY, 0.6)

    def act(self, cue: Cue | None, scan: Scan) -> None:
        if self._prompt is None or self._prompt.code != "open_cylinder":
            super().act(cue, scan)


class SwearsByTheDial(SimulatedPerson):
    """Always says that the dial shows nothing."""

    def answer(self, prompt: Prompt) -> str | None:
        return "0 barg" if prompt.wanted is Wanted.DIAL else super().answer(prompt)


class ShakyHand(SimulatedPerson):
    """Reads the dial 30 mbar wrong now and then."""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._read = 0

    def answer(self, prompt: Prompt) -> str | None:
        if prompt.code == "dial_moved_again":
            self._read += 1
            if self._read % 5 == 2:
                return f"{self.dial_bar() + 0.03:.2f} barg"
        return super().answer(prompt)
