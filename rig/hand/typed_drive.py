"""Drives the pressure of a pot that has only a dial: a person reads the pressure and types it twice.

The program sees no pressure between two readings, so no interlock on pressure helps here: the relief valve,
the restrictor and the person are the only protection. Figures that depend on a typed pressure are never
better than watch.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.hand.cues import HANDS_OFF
from rig.hand.drive import HandDrive
from rig.hand.typed_pressure import TypedWrong, both_ways, read_pressure
from rig.loop.acquisition import Acquisition
from rig.loop.dialogue import Dialogue, NoAnswer
from rig.loop.loop import Tripped, procedure_trip
from rig.loop.run_log import RunLog
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.set_point import Intent, SetPoint
from rig.safety.states import Machine, State
from rig.view import Action, Cue, Move, Prompt, Valve, View, Wanted

APART_S = 10.0
TWICE_WITHIN_BAR = 0.010
NEAR_BAR = 0.050
_SETTLES_S = 30.0
_MOST_MOVES = 4
_ANSWER_S = 120.0


class TypedHandDrive(HandDrive):
    """A `HandDrive` that asks for the pressure instead of reading it."""

    def __init__(
        self,
        machine: Machine,
        limits: SafetyLimits,
        set_point: SetPoint,
        log: RunLog,
        acquisition: Acquisition,
        view: View,
        show: Callable[[Cue | None], None],
    ) -> None:
        """Give cues as `HandDrive` does; what is typed goes into `acquisition`."""
        super().__init__(
            machine, limits, set_point, log, lambda: acquisition.scan, view, show, two_gauges=False
        )
        self._acquisition = acquisition
        self._dialogue: Dialogue | None = None
        self._holds = False

    def ask_through(self, dialogue: Dialogue) -> None:
        """Ask through `dialogue` from now on; before the first call nothing can be asked."""
        self._dialogue = dialogue

    def de_energise(self) -> bool:
        """Ask the person to make the pot safe; until the dial is read again its pressure is not known."""
        self._acquisition.forget_pressure()
        return super().de_energise()

    def begin_move(self, target_bar: float, scan: Scan) -> None:
        """Start towards a target, absolute bar; a pressure that was held is read once more first.

        Raises:
            Tripped: a permissive says no, or nobody answers.
        """
        if self._holds:
            self._holds = False
            self._read_twice("held", "Before you touch a valve: what does the dial read?")
        super().begin_move(target_bar, self._acquisition.scan)

    def move(self, scan: Scan) -> bool:
        """Ask for the whole move and two readings of the dial. Returns whether the target is reached.

        Raises:
            Tripped: nobody answers, or the target is not reached in four moves.
        """
        for _ in range(_MOST_MOVES):
            start_bar = scan.pressure_bar if scan.pressure_bar is not None else self._ambient_bar()
            up = self._target_bar >= start_bar
            reached_bar = self._one_move(start_bar, up)
            if up and reached_bar > start_bar:
                self._gas_l += (reached_bar - start_bar) * self._limits.volume_l
            short_bar = (1.0 if self._up else -1.0) * (self._target_bar - reached_bar)
            if short_bar <= NEAR_BAR and (self._machine.state is not State.EXECUTE or short_bar >= -NEAR_BAR):
                self._give(None)
                return True
            scan = self._acquisition.scan
            self._view.say(
                f"{reached_bar:.3f} bar is {1000.0 * abs(short_bar):.0f} mbar from the target; continue.",
                "caution",
            )
        raise Tripped(
            procedure_trip(
                "NOT_REACHED",
                Response.STOP,
                f"{self._target_bar:.3f} bar was not reached in {_MOST_MOVES} moves.",
                f"{CLOSE_BOTTLE} Check bottle, vent and leaks.",
                rows=(9, 11),
            )
        )

    def begin_keep(self, scan: Scan, target_bar: float) -> None:
        """Start to keep the pressure that was read."""
        super().begin_keep(scan, target_bar)
        self._set_point.set(Intent.KEEP, None, target_bar)
        self._holds = True

    def keep(self, scan: Scan) -> None:
        """Do nothing: the pressure is not known between two readings."""

    def open_vent(self) -> None:
        """Ask for the vent to be opened and left open, then for the dial's reading."""
        super().open_vent()
        self._holds = False
        if self._machine.state in (State.COMPLETING, State.STOPPING):
            self._acquisition.forget_pressure()
            self._put(
                self._read(
                    "dial_vented",
                    "Open the vent all the way, wait until the needle is still. What does the dial read?",
                )
            )

    def _begin_leg(self, scan: Scan) -> None:
        """Show hands off until the question says what to do; there is no live distance to show."""
        del scan
        self._give(HANDS_OFF)

    def _one_move(self, start_bar: float, up: bool) -> float:
        """One filling or venting with two readings; returns the pressure, absolute bar."""
        valve = Valve.SUPPLY if up else Valve.VENT
        ramp_s = 60.0 * abs(self._target_bar - start_bar) / self._limits.ramp_bar_per_min
        self._acquisition.forget_pressure()
        self._give(Cue(valve, Action.OPEN, f"OPEN {valve.upper()} a little ({valve.other} shut)"))
        self._confirm(
            f"With the {valve.other} shut, open the {valve} a little: to {self._words(self._target_bar)}, in "
            f"no less than {ramp_s:.0f} s. Then shut it.",
            Move(valve, self._target_bar),
            ramp_s,
        )
        self._give(HANDS_OFF)
        self._asked().wait(_SETTLES_S)
        return self._read_twice("moved", "What does the dial read?")

    def _read_twice(self, code: str, text: str) -> float:
        """Ask for two readings of the dial, ten seconds apart, until both agree; returns absolute bar."""
        dialogue = self._asked()
        for _ in range(_MOST_MOVES):
            first_bar = self._read(f"dial_{code}", text)
            dialogue.wait(APART_S)
            second_bar = self._read(f"dial_{code}_again", "And what does it read now?")
            if abs(first_bar - second_bar) <= TWICE_WITHIN_BAR:
                self._view.say(f"Read as {self._words(second_bar)}.")
                self._put(first_bar)
                dialogue.wait(0.0)
                self._put(second_bar)
                dialogue.wait(0.0)
                return second_bar
            self._view.say(
                f"{first_bar:.3f} and {second_bar:.3f} bar differ by more than "
                f"{1000.0 * TWICE_WITHIN_BAR:.0f} mbar: once more.",
                "caution",
            )
        raise self._nobody("The dial is not steady.")

    def _confirm(self, text: str, move: Move, ramp_s: float) -> None:
        try:
            self._asked().confirm("moved", text, "SHUT", timeout_s=2.0 * ramp_s + _ANSWER_S, move=move)
        except NoAnswer as nobody:
            raise self._nobody(str(nobody)) from None

    def _read(self, code: str, text: str) -> float:
        """Ask for the reading of the dial; absolute bar."""
        ambient_bar = self._ambient_bar()

        def check(answer: str) -> str | None:
            try:
                typed_bar = read_pressure(answer).absolute_bar(ambient_bar)
            except TypedWrong as wrong:
                return str(wrong)
            if ambient_bar - 0.1 <= typed_bar <= self._limits.highest_gauge_bar:
                return None
            return f"'{answer}' is not possible in this pot"

        prompt = Prompt(code, text, timeout_s=_ANSWER_S, wanted=Wanted.DIAL)
        try:
            return read_pressure(self._asked().demand(prompt, check)).absolute_bar(ambient_bar)
        except NoAnswer as nobody:
            raise self._nobody(str(nobody)) from None

    def _put(self, pressure_bar: float) -> None:
        self._acquisition.put_pressure(pressure_bar)

    def _ambient_bar(self) -> float:
        return self._acquisition.scan.barometer_bar or 1.013

    def _words(self, pressure_bar: float) -> str:
        return both_ways(pressure_bar, self._ambient_bar())

    def _asked(self) -> Dialogue:
        assert self._dialogue is not None
        return self._dialogue

    def _nobody(self, text: str) -> Tripped:
        return Tripped(
            procedure_trip(
                "NOBODY_THERE",
                Response.ABORT,
                text,
                f"{CLOSE_BOTTLE} Supply off, vent open. {KEEP_LID_SHUT}",
                rows=(35,),
            )
        )
