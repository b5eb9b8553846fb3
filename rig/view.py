"""What the run tells a screen, tick by tick. Screens only read; they decide nothing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from rig.safety.drive_words import Drive

Severity = Literal["info", "caution", "alarm"]


@dataclass(frozen=True, slots=True)
class CellLine:
    """One socket as a screen shows it.

    Attributes:
        claimed_po2_bar: what a handset calibrated on this cell at PO2 1.0 would show; None before the
            calibration step has been held.
        slope_percent_per_10s: how fast the output still moves; None outside a hold.
        state: a word: "waiting", "settling", "settled", "not settled", "no reading", "unplugged".
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
        target_bar: None where nothing is being reached.
        po2_bar: reference PO2 in the pot; None while its gas is unknown (before the purge is proven).
        ramp_bar_per_min: how fast the pressure moves now, signed.
        alarm: what needs the operator, or None.
        lid_force_n: force of the pot's pressure on its lid while that is not vented; None where vented.
        cue: what the operator's hands are to do now, in a few words ("CLOSE NOW"); None on a bench that
            needs no hands.
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
    cue: str | None = None
    drive: Drive = Drive.VALVES


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question to the operator.

    Attributes:
        code: stable name, recorded with the answer.
        text: the action, the number expected, and what will be refused.
        choices: allowed answers; empty for free text.
        timeout_s: after that the answer is None and the rig goes the safe way.
    """

    code: str
    text: str
    choices: tuple[str, ...] = ()
    timeout_s: float = 300.0


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
        """Take back a question that stands, from any thread or signal handler; `ask` then returns None."""
        ...


@runtime_checkable
class PatientView(View, Protocol):
    """A view whose person takes their time in rig time: a simulated operator."""

    def put(self, prompt: Prompt, t_s: float) -> None:
        """Put a question; the answer is fetched tick by tick."""
        ...

    def take(self, t_s: float) -> str | None:
        """The answer, or None while there is none yet."""
        ...
