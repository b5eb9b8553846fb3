"""A simulated person at a virtual hand pot, so that the procedure can be watched and practised.

It follows the cues after a reaction time, turns the valves so that the pot follows the ramp, and answers
every question as a careful person would. Its answers appear on the screen beside the rig's messages.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from drivers.virtual_spec import PotTruth, VirtualSession
from rig.between_runs.last_run import INTERRUPTED, last_recorded
from rig.hand.cues import advise
from rig.safety.scan import Scan
from rig.setup.bench_file import BenchFile
from rig.view import Action, Cue, Move, Prompt, Severity, Snapshot, Valve, View, Wanted

_REACTION_S = 0.8
_THINKS_S = 4.0
_TURNS_EVERY_S = 1.0
_WANTED_BAR_PER_MIN = {Action.OPEN: 0.45, Action.WAIT: 0.45, Action.SLOWER: 0.4, Action.CRACK: 0.12}
_FIRST_TURN = {Valve.SUPPLY: 0.08, Valve.VENT: 0.015}
_LEAST_TURN = {Valve.SUPPLY: 0.01, Valve.VENT: 0.003}


class SimulatedPerson:
    """A patient, cued view that shows everything on another view and acts as a careful person would."""

    def __init__(
        self,
        screen: View,
        turn: Callable[[str, float], None],
        read_pot: Callable[[], PotTruth],
        bench: BenchFile,
        *,
        today: date,
        lid: Callable[[bool], None] = lambda _off: None,
        first_out: str = "",
        reaction_s: float = _REACTION_S,
        thinks_s: float = _THINKS_S,
    ) -> None:
        """Stand at a pot.

        Args:
            screen: where everything is shown.
            turn: turns a hand valve of the virtual pot.
            read_pot: the pot as the person's dial shows it.
            bench: whose plate the person reads.
            today: for the tag on the relief valve.
            lid: takes the lid off (True) or puts it back.
            first_out: code of what the last run left, remembered.
            reaction_s: from a cue to the valve.
            thinks_s: from a question to its answer.
        """
        self._screen = screen
        self._turn = turn
        self._read_pot = read_pot
        self._bench = bench
        self._today = today
        self._lid = lid
        self._lid_off = False
        self._first_out = first_out
        self._reaction_s = reaction_s
        self._thinks_s = thinks_s
        self._seen: deque[tuple[float, Cue | None]] = deque()
        self._doing: Cue | None = None
        self._opening: dict[Valve, float] = {Valve.SUPPLY: 0.0, Valve.VENT: 1.0}
        self._turned_s = 0.0
        self._prompt: Prompt | None = None
        self._answers_s = 0.0
        self._by_eye: Move | None = None
        self._dial: deque[tuple[float, float]] = deque(maxlen=9)

    @property
    def show_every_s(self) -> float:
        """Return how often the screen takes a picture."""
        return self._screen.show_every_s

    def update(self, snapshot: Snapshot) -> None:
        """Show the rig on the screen."""
        self._screen.update(snapshot)

    def say(self, text: str, severity: Severity = "info") -> None:
        """Show one message on the screen."""
        self._screen.say(text, severity)

    def ask(self, prompt: Prompt) -> str | None:
        """Answer at once."""
        return self.answer(prompt)

    def withdraw(self) -> None:
        """Forget the question."""
        self._prompt = None
        self._lid_back()

    def put(self, prompt: Prompt, t_s: float) -> None:
        """Read a question; where it says so, take the lid off before answering."""
        self._screen.say(prompt.whole_text)
        self._prompt = prompt
        self._answers_s = t_s + self._thinks_s + prompt.lid_off_s
        if prompt.lid_off_s:
            self._lid_off = True
            self._lid(True)
        self._by_eye = prompt.move

    def take(self, t_s: float) -> str | None:
        """The answer, once the thinking time has passed."""
        if self._prompt is None or t_s < self._answers_s or self._by_eye is not None:
            return None
        self._lid_back()
        answer = self.answer(self._prompt)
        if answer is not None:
            self._screen.say(f"> {answer}   (simulated person)")
            self._prompt = None
        return answer

    def _lid_back(self) -> None:
        if self._lid_off:
            self._lid_off = False
            self._lid(False)

    def cue(self, cue: Cue | None, scan: Scan) -> None:
        """Take the cue of this tick; the hands follow after the reaction time."""
        self._seen.append((scan.t_s, cue))
        while self._seen and self._seen[0][0] <= scan.t_s - self._reaction_s:
            self._doing = self._seen.popleft()[1]
        if self._by_eye is None:
            self.act(self._doing, scan)
        else:
            self._move_by_eye(self._by_eye, scan.t_s)

    def answer(self, prompt: Prompt) -> str | None:
        """The person's answer to a question; None: no answer."""
        if prompt.choices:
            return prompt.choices[0]
        match prompt.wanted:
            case Wanted.PLATE_PRESSURE:
                return f"{self._bench.limits.working_pressure_bar:g} bara"
            case Wanted.RELIEF_DUE:
                return (self._today + timedelta(days=200)).isoformat()
            case Wanted.BAROMETER:
                return f"{1000.0 * self._read_pot().room_pressure_bar:.1f} hPa"
            case Wanted.DIAL:
                return f"{self.dial_bar():.2f} barg"
            case Wanted.TRIP_CODE:
                return self._first_out
            case Wanted.BENCH_VALUE:
                return self._from_bench_file(prompt.bench_key)
            case Wanted.TEXT:
                return None

    def dial_bar(self) -> float:
        """Return what the dial on the pot shows, in bar gauge to two decimals."""
        pot = self._read_pot()
        return round(pot.pressure_bar - pot.room_pressure_bar, 2) + 0.0

    def act(self, cue: Cue | None, scan: Scan) -> None:
        """Turn the valves as the cue says."""
        if cue is None:
            return
        match cue.action:
            case Action.REST:
                self._set(Valve.SUPPLY, 0.0)
                self._set(Valve.VENT, 0.0)
            case Action.OPEN_FULLY:
                self._set(Valve.SUPPLY, 0.0)
                self._set(Valve.VENT, 1.0)
            case Action.CLOSE:
                self._set(cue.valve, 0.0)
            case Action.OPEN | Action.WAIT | Action.SLOWER | Action.CRACK:
                self._set(cue.valve.other, 0.0)
                if scan.t_s - self._turned_s >= _TURNS_EVERY_S:
                    self._turned_s = scan.t_s
                    self._set(cue.valve, self._adjusted(cue, scan))

    def _move_by_eye(self, move: Move, t_s: float) -> None:
        """Without live cues: watch the dial and shut the valve when it shows the target."""
        pressure_bar = self._read_pot().pressure_bar
        self._dial.append((t_s, pressure_bar))
        since_s, before_bar = self._dial[0]
        rate_bar_per_s = (pressure_bar - before_bar) / (t_s - since_s) if t_s > since_s else 0.0
        seen = Scan(t_s=t_s, rate_bar_per_s=rate_bar_per_s)
        up = move.valve is Valve.SUPPLY
        cue = advise(move.target_bar, pressure_bar, 60.0 * rate_bar_per_s, up=up)
        self.act(cue, seen)
        if cue.action is Action.CLOSE:
            self._by_eye = None
            self._dial.clear()

    def _adjusted(self, cue: Cue, scan: Scan) -> float:
        opening = self._opening[cue.valve]
        wanted = _WANTED_BAR_PER_MIN[cue.action]
        rate = 60.0 * abs(scan.rate_bar_per_s)
        if opening == 0.0 or opening == 1.0:
            return _LEAST_TURN[cue.valve] if cue.action is Action.CRACK else _FIRST_TURN[cue.valve]
        if rate > 1.1 * wanted:
            return max(_LEAST_TURN[cue.valve], 0.85 * opening)
        if rate < 0.85 * wanted and cue.action is not Action.SLOWER:
            return min(0.9, 1.15 * opening)
        return opening

    def _set(self, valve: Valve, opening: float) -> None:
        if self._opening[valve] != opening:
            self._opening[valve] = opening
            self._turn(valve, opening)

    def _from_bench_file(self, key: str) -> str:
        value = getattr(self._bench.limits, key, None)
        if value is None:
            value = getattr(self._bench.pot, key, None)
        return "not set" if value is None else f"{value:g}"


def person_at(virtual: VirtualSession, screen: View, bench: BenchFile, records: Path) -> SimulatedPerson:
    """Return a simulated person at the hand pot of a virtual bench, shown on `screen`."""
    last = last_recorded(records, bench)
    first_out = "" if last is None else last.code or ("" if last.how else INTERRUPTED)
    return SimulatedPerson(
        screen,
        virtual.turn,
        virtual.pot,
        bench,
        today=virtual.clock.utc().date(),
        lid=lambda off: virtual.lid(off=off),
        first_out=first_out,
    )
