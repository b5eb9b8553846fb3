"""What the run shows on a screen, tick by tick. Screens only read; they decide nothing.

Sentences are for people. Data that a screen or a simulated person acts on is in fields beside the sentence.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, StrEnum, auto
from typing import Literal, Protocol, runtime_checkable

from rig.safety.drive_words import Drive
from rig.safety.scan import Scan

Severity = Literal["info", "caution", "alarm"]


class Valve(StrEnum):
    """A hand valve of the pot."""

    SUPPLY = "supply"
    VENT = "vent"

    @property
    def other(self) -> Valve:
        """The valve that stays shut while this one is turned."""
        return Valve.VENT if self is Valve.SUPPLY else Valve.SUPPLY


class Action(StrEnum):
    """What to do with a hand valve."""

    OPEN = "open a little"
    CRACK = "open as little as it goes"
    WAIT = "leave as it is"
    SLOWER = "close a little"
    CLOSE = "close now"
    OPEN_FULLY = "open all the way"
    REST = "both shut, hands off"


@dataclass(frozen=True, slots=True)
class Cue:
    """One instruction to the person at the valves.

    Attributes:
        valve: which valve to put the hand on; the other one is shut meanwhile.
        action: what to do with it.
        text: the words for the screen.
        to_go_bar: how far the pressure is from its target, in bar; None where it is not known.
        rate_bar_per_min: how fast it moves, signed; None where it is not known.
    """

    valve: Valve
    action: Action
    text: str
    to_go_bar: float | None = None
    rate_bar_per_min: float | None = None


@dataclass(frozen=True, slots=True)
class CellLine:
    """One socket as a screen shows it.

    Attributes:
        claimed_po2_bar: what a handset calibrated on this cell at PO2 1.0 would show; None before the
            calibration step has been held.
        slope_percent_per_10s: how fast the output still changes; None outside a hold.
        state: a word: "waiting", "settling", "settled", "not settled", "no reading", "unplugged",
            "swapped".
    """

    socket: int
    serial: str
    output_mv: float | None
    claimed_po2_bar: float | None
    slope_percent_per_10s: float | None
    state: str


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The rig at one tick. Pressures are absolute; `left_s` is an estimate.

    Attributes:
        elapsed_s, left_s: of the run, in rig time.
        progress: 0 to 1.
        state: word of the state table.
        now, next: what the rig is doing and what comes after it, in plain words.
        target_bar: None where there is no target.
        po2_bar: reference PO2 in the pot; None while its gas is unknown (before the purge is proven).
        ramp_bar_per_min: how fast the pressure moves now, signed.
        alarm: what needs the operator, or None.
        lid_force_n: force of the pot's pressure on its lid while that is not vented; None where vented.
        witness: what contradicts gauges that read ambient; empty where nothing does.
        cue: what the operator's hands are to do now; None on a bench that needs no hands.
        hand_valves: how far the hand valves are open and what the dial shows, where keys turn the valves.
        drive: what moves the pressure.
    """

    elapsed_s: float
    left_s: float
    progress: float
    state: str
    now: str
    next: str
    pressure_bar: float | None
    target_bar: float | None
    barometer_bar: float | None
    po2_bar: float | None
    temperature_c: float | None
    ramp_bar_per_min: float | None
    gas_used_l: float
    cells: tuple[CellLine, ...]
    alarm: str | None = None
    lid_force_n: float | None = None
    witness: str = ""
    cue: Cue | None = None
    hand_valves: str = ""
    drive: Drive = Drive.VALVES

    @property
    def cue_text(self) -> str:
        """The words for the operator's hands; empty where there are none."""
        if self.cue is None:
            return self.hand_valves
        return f"{self.cue.text}   [{self.hand_valves}]" if self.hand_valves else self.cue.text


class Wanted(Enum):
    """What the answer to a question gives, where it is not a choice between words."""

    TEXT = auto()
    PLATE_PRESSURE = auto()
    RELIEF_DUE = auto()
    BAROMETER = auto()
    DIAL = auto()
    TRIP_CODE = auto()
    BENCH_VALUE = auto()


@dataclass(frozen=True, slots=True)
class Move:
    """A change of pressure that a person makes by hand before they answer.

    Attributes:
        valve: the valve to open and shut again.
        target_bar: where the pressure is to go, absolute bar.
    """

    valve: Valve
    target_bar: float


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question to the operator.

    Attributes:
        code: stable name, recorded with the answer.
        text: the action, the expected value, and what will be refused.
        choices: allowed answers; empty for free text.
        timeout_s: after that the answer is None and the rig takes the safe way.
        wanted: what a free answer gives.
        bench_key: the key of the bench file whose value is wanted, for BENCH_VALUE.
        move: what to do before answering; None where there is nothing to do.
        alarm: the standing alarm that the question is about; a screen that shows it need not say it again.
        lid_off_s: for how long the lid comes off before the answer; 0 where it stays on.
    """

    code: str
    text: str
    choices: tuple[str, ...] = ()
    timeout_s: float = 300.0
    wanted: Wanted = Wanted.TEXT
    bench_key: str = ""
    move: Move | None = None
    alarm: str = ""
    lid_off_s: float = 0.0

    @property
    def whole_text(self) -> str:
        """The text with the alarm that it is about."""
        return f"{self.alarm} {self.text}" if self.alarm else self.text


class View(Protocol):
    """A screen: the terminal, a test's simulated operator, or nothing at all."""

    @property
    def show_every_s(self) -> float:
        """Shortest real time between two pictures, in seconds: 0 takes every tick, infinity takes none."""
        ...

    def update(self, snapshot: Snapshot) -> None:
        """Show the rig as it is now; returns quickly and never raises."""
        ...

    def say(self, text: str, severity: Severity = "info") -> None:
        """Show one message and keep it in the scroll-back."""
        ...

    def ask(self, prompt: Prompt) -> str | None:
        """Ask and wait; None when nobody answered in time or the question was withdrawn."""
        ...

    def withdraw(self) -> None:
        """Withdraw an open question, from any thread or signal handler; `ask` then returns None."""
        ...


@runtime_checkable
class PatientView(View, Protocol):
    """A view whose person answers in rig time: a simulated operator."""

    def put(self, prompt: Prompt, t_s: float) -> None:
        """Put a question; the answer is fetched tick by tick."""
        ...

    def take(self, t_s: float) -> str | None:
        """The answer, or None while there is none yet."""
        ...


@runtime_checkable
class CuedView(Protocol):
    """A view that gets every cue, tick by tick: a simulated operator's."""

    def cue(self, cue: Cue | None, scan: Scan) -> None:
        """Show the cue of this tick; None: hands off."""
        ...
