"""The person's part of a run on a pot with hand valves: checks, questions and messages in their order.

Before any gas a missing or wrong answer refuses the run. With gas in the pot it sounds the alarm and asks the
person to shut the supply and open the vent; the gauge has to show that it was done.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

from rig.hand.drive import HandDrive
from rig.hand.lid_watch import OPENING_S, rises_before_opening, rises_while_opening
from rig.hand.typed_pressure import TypedPressure, TypedWrong, both_ways, read_pressure
from rig.loop.dialogue import TRIES, Dialogue, NoAnswer
from rig.loop.loop import Loop, Refused, StopAsked, Tripped, procedure_trip
from rig.pressure.drive import DriveHooks, LidKeptShut
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response
from rig.safety.permissives import LID_VENTED_FOR_S, lid_refusal
from rig.safety.scan import Scan
from rig.safety.vented import surviving_gauges_bar
from rig.safety.vented_zero import HIGHEST_BAROMETER_BAR, LOWEST_BAROMETER_BAR
from rig.setup.bench_file import BenchFile
from rig.setup.plan import LONGEST_OPENING_S
from rig.view import Prompt, View, Wanted

CHECKLIST = (
    ("check_eyes", "Goggles on, gloves within reach, eye wash known?", "EYES"),
    ("check_clean", "No oil, grease or hand cream on hands, pot, fittings or clothes?", "CLEAN"),
    ("check_air", "Room ventilated, vent line led outdoors, nothing nearby that can spark or glow?", "AIR"),
    (
        "check_cylinder",
        "Cylinder secured against falling; regulator outlet no higher than the pot may take?",
        "SECURED",
    ),
)
"""Per run: code, question, and the word to be typed. No two words are the same, so 'yes' is never one."""

PLATE_WITHIN_BAR = 0.06
DIAL_WITHIN_BAR = 0.05
OPEN_FAST_BAR_PER_MIN = 2.0
_LID_ANSWER_S = 300.0
_LID_WITHIN_S = 120.0
_BAROMETER_WITHIN_BAR = 0.001
_LOWEST_TYPED_BAR = 0.0
_HIGHEST_TYPED_BAR = 20.0

_PressureCheck = Callable[[TypedPressure], str | None]


class HandPot(DriveHooks):
    """What a hand pot adds to a run, besides the cues of `HandDrive`."""

    person_first = True

    def __init__(
        self,
        loop: Loop,
        drive: HandDrive,
        dialogue: Dialogue,
        view: View,
        bench: BenchFile,
        show_now: Callable[[str, str], None],
    ) -> None:
        """Ask the person at the pot that `bench` describes; `show_now` shows what is being done."""
        self._loop = loop
        self._drive = drive
        self._dialogue = dialogue
        self._view = view
        self._bench = bench
        self._show_now = show_now
        self._dial_shows_pressure = self._dial_has_shown_pressure = False
        self._warned_fast = False
        self._last_read_bar = 0.0

    def before_gas(self, today: date) -> None:
        """Go through what must be true before any gas: the checklist, plate and relief valve.

        Raises:
            Refused: a condition is not met, or nobody confirms it.
            StopAsked: a stop was asked for.
        """
        try:
            for code, text, word in CHECKLIST:
                self._dialogue.confirm(code, text, word)
            self._check_plate()
            self._check_relief(today)
            self._dialogue.confirm(
                "make_safe", "Shut the supply valve and the cylinder, open the vent all the way.", "OPEN"
            )
        except NoAnswer as nobody:
            raise Refused("NO_ANSWER", str(nobody)) from None

    def before_zero(self) -> None:
        """Ask twice for the barometer reading, where the bench has no barometer.

        Raises:
            Refused: no barometer reading, or two that differ.
        """
        if self._bench.by_role("barometer") is not None:
            return
        text = (
            "Read a barometer in this room (station pressure, not reduced to sea level), with its unit, for "
            "example 1013.2 hPa."
        )
        try:
            for _ in range(TRIES):
                first = self._typed("barometer", text, Wanted.BAROMETER, self._barometer_problem)
                again = "Once more, please: " + text
                second = self._typed("barometer_again", again, Wanted.BAROMETER, self._barometer_problem)
                if abs(first.bar - second.bar) <= _BAROMETER_WITHIN_BAR:
                    self._loop.acquisition.put_barometer(second.bar)
                    return
                differ = (
                    f"{1000.0 * first.bar:.1f} and {1000.0 * second.bar:.1f} hPa differ by more than "
                    f"{1000.0 * _BAROMETER_WITHIN_BAR:.0f} hPa"
                )
                self._view.say(f"{differ}: read it twice more.", "caution")
        except NoAnswer as nobody:
            raise Refused("NO_ANSWER", str(nobody)) from None
        raise Refused("BAROMETER_LOST", f"the barometer is not known: {differ}, after {TRIES} tries")

    def after_zero(self) -> None:
        """Ask for the reading of the dial on the pot, and compare it with the gauge.

        Raises:
            Refused: the dial is more than 50 mbar off, or nobody answers.
        """
        try:
            text = "Read the dial on the pot, and do not copy the screen. What does it read?"
            dial = self._typed("dial", text, Wanted.DIAL, self._dial_problem)
        except NoAnswer as nobody:
            raise Refused("DIAL", str(nobody)) from None
        if self._loop.acquisition.pressure_is_typed:
            self._loop.acquisition.put_pressure(dial.absolute_bar(self._ambient_bar()))

    def open_supply(self) -> None:
        """Ask for the cylinder to be opened slowly with the vent open, and watch the gauge.

        Raises:
            Tripped: NOBODY_THERE, or the trip of an interlock.
        """
        self._warned_fast = False
        regulator_bar = self._bench.gas.supply_pressure_bar
        text = (
            "Regulator knob fully out? Supply valve shut, vent open? Open the cylinder valve slowly - count "
            f"to 5, stand aside. Then set the regulator to {both_ways(regulator_bar, self._ambient_bar())}."
        )
        try:
            self._dialogue.confirm(
                "open_cylinder", text, "OPENED", timeout_s=LONGEST_OPENING_S, watch=self._watch_opening
            )
        except NoAnswer as nobody:
            raise Tripped(
                procedure_trip(
                    "NOBODY_THERE",
                    Response.ABORT,
                    str(nobody),
                    f"{CLOSE_BOTTLE} Supply off, vent open. {KEEP_LID_SHUT}",
                    rows=(35,),
                )
            ) from None

    def way_out(self) -> None:
        """Show the three lines of the card."""
        self._drive.card()

    def after_vent(self) -> LidKeptShut | None:
        """Say whether the lid may be opened; return why not."""
        self._show_now("waiting for the lid", "the end")
        return self.allow_lid()

    def allow_lid(self) -> LidKeptShut | None:
        """Report that the lid may be opened once gauge, person and dial show no pressure, or sound why not.

        The cells may refuse it. However many gauges there are, the person confirms what was done with the
        valves and reads the dial: gauges on one port are one source.
        """
        self._drive.release()
        try:
            refusal = self._lid_by_gauges()
            if refusal is None:
                self._dialogue.confirm(
                    "cylinder_shut", "Cylinder shut, vent open all the way?", "SHUT", timeout_s=_LID_ANSWER_S
                )
                refusal = self._lid_by_dial() or self._lid_by_steadiness()
        except (StopAsked, Tripped, NoAnswer) as error:
            return self._keep_lid_shut(f"NOT CONFIRMED: {error}", contradicted=self._dial_shows_pressure)
        if refusal is not None:
            return self._keep_lid_shut(refusal, contradicted=True)
        seen = self._sources(self._loop.scan)
        self._loop.log.event("note", text=f"No pressure {seen}: the lid may be opened.")
        self._view.say(f"No pressure {seen}: you may open the lid now, slowly.")
        return self._watch_opening_of_lid()

    def _lid_by_gauges(self) -> str | None:
        """Wait until gauges and cells have shown a vented pot for long enough; return why they do not."""
        begun_s = vented_since_s = self._loop.now_s
        while True:
            scan = self._dialogue.wait(0.0)
            if lid_refusal(scan, self._loop.limits, LID_VENTED_FOR_S) is not None:
                vented_since_s = scan.t_s
            refusal = lid_refusal(scan, self._loop.limits, scan.t_s - vented_since_s)
            if refusal is None or scan.t_s - begun_s >= _LID_WITHIN_S:
                return refusal

    def _lid_by_dial(self) -> str | None:
        """Have the dial read, twice where it is the only gauge or has shown pressure; return why not."""
        self._read_dial("What does the dial on the pot read?")
        if self._loop.acquisition.pressure_is_typed or self._dial_has_shown_pressure:
            self._dialogue.wait(LID_VENTED_FOR_S)
            self._read_dial("Once more, please: what does the dial on the pot read?")
        return lid_refusal(self._dialogue.wait(0.0), self._loop.limits, LID_VENTED_FOR_S)

    def _lid_by_steadiness(self) -> str | None:
        """Return that the pressure rises before the lid is offered; a typed pressure cannot show it."""
        if self._loop.acquisition.pressure_is_typed:
            return None
        rises = rises_before_opening(self._loop, self._dialogue)
        return rises or lid_refusal(self._loop.scan, self._loop.limits, LID_VENTED_FOR_S)

    def _watch_opening_of_lid(self) -> LidKeptShut | None:
        """Watch on while the lid is being opened; sound a rise at once. A request to stop ends the watch."""
        if self._loop.acquisition.pressure_is_typed:
            return None
        self._view.say(f"The pot is watched for {OPENING_S:.0f} s more.")
        try:
            rose = rises_while_opening(self._loop, self._dialogue)
        except StopAsked:
            return None
        except Tripped as tripped:
            rose = f"NOT CONFIRMED: {tripped}"
        return None if rose is None else self._keep_lid_shut(rose, contradicted=True)

    def _sources(self, scan: Scan) -> str:
        """Name what has shown that there is no pressure; the cells only fail to contradict it."""
        cells = ", and the cells do not contradict it" if scan.cells_watch else ""
        if self._loop.acquisition.pressure_is_typed:
            return f"by the dial, read twice {LID_VENTED_FOR_S:.0f} s apart{cells}"
        gauges = "both gauges" if len(surviving_gauges_bar(scan)) > 1 else "the gauge"
        return f"by {gauges} for {LID_VENTED_FOR_S:.0f} s and by the dial{cells}"

    def _keep_lid_shut(self, why: str, *, contradicted: bool) -> LidKeptShut:
        """Sound and record that the lid must stay shut."""
        why = f"{why.rstrip('.')}."
        do_now = f"{CLOSE_BOTTLE} Use the manual bleed. {KEEP_LID_SHUT}"
        self._loop.log.event("alarm", code="NOT_VENTED", text=why, do_now=do_now)
        self._view.say(f"Keep the lid shut. {why} {do_now}", "alarm")
        return LidKeptShut(f"{why} {do_now}", contradicted)

    def lid_force_n(self, scan: Scan) -> float | None:
        """Force on the lid in newtons while the pot is above the vented band; None when it is vented."""
        highest_bar, ambient_bar = scan.highest_bar, scan.barometer_bar
        if highest_bar is None:
            # Between two typed readings it is not known: take the higher of the last reading and the target.
            highest_bar = max(self._last_read_bar, self._loop.set_point.target_bar or 0.0)
        else:
            self._last_read_bar = highest_bar
        if ambient_bar is None:
            return None
        over_bar = highest_bar - ambient_bar
        return self._loop.limits.lid_force_n(over_bar) if over_bar > self._loop.limits.vented_bar else None

    def _check_plate(self) -> None:
        plate_bar = self._bench.limits.working_pressure_bar

        def problem(typed: TypedPressure) -> str | None:
            if abs(typed.absolute_bar(1.013) - plate_bar) <= PLATE_WITHIN_BAR:
                return None
            return (
                f"the plate says {typed.absolute_bar(1.013):.2f} bar absolute and {self._bench.file} "
                f"{plate_bar:.2f}: correct the wrong one before any gas"
            )

        self._typed(
            "plate",
            "Read the plate of the pot. What is its highest working pressure? With its unit, bara or barg.",
            Wanted.PLATE_PRESSURE,
            problem,
        )

    def _check_relief(self, today: date) -> None:
        def problem(answer: str) -> str | None:
            try:
                due = date.fromisoformat(answer)
            except ValueError:
                return f"'{answer}' is not a date; write it as 2027-03-31"
            return None if due >= today else f"the relief valve's test expired on {due}: have it tested first"

        self._dialogue.demand(
            Prompt(
                "relief_due",
                "Until which date is the relief valve's test valid (see its tag)? Write it as 2027-03-31.",
                wanted=Wanted.RELIEF_DUE,
            ),
            problem,
        )

    def _typed(
        self, code: str, text: str, wanted: Wanted, problem: _PressureCheck, *, timeout_s: float = 300.0
    ) -> TypedPressure:
        """Ask for a pressure with its unit.

        Raises:
            NoAnswer, StopAsked, Tripped: as `Dialogue.demand`.
        """

        def check(answer: str) -> str | None:
            try:
                typed = read_pressure(answer)
            except TypedWrong as wrong:
                return str(wrong)
            if not _LOWEST_TYPED_BAR - 0.1 <= typed.bar <= _HIGHEST_TYPED_BAR:
                return f"'{answer}' is not possible here"
            return problem(typed)

        prompt = Prompt(code, text, timeout_s=timeout_s, wanted=wanted)
        return read_pressure(self._dialogue.demand(prompt, check))

    def _read_dial(self, text: str) -> None:
        """Ask for the reading of a dial that must show no pressure."""
        self._typed("dial_lid", text, Wanted.DIAL, self._dial_not_vented, timeout_s=_LID_ANSWER_S)

    def _barometer_problem(self, typed: TypedPressure) -> str | None:
        if typed.is_gauge:
            return "a barometer reads absolute pressure; write for example 1013.2 hPa"
        if LOWEST_BAROMETER_BAR <= typed.bar <= HIGHEST_BAROMETER_BAR:
            return None
        return (
            f"{typed.bar:.4f} bar; {LOWEST_BAROMETER_BAR} to {HIGHEST_BAROMETER_BAR} bar is possible "
            "for a barometer"
        )

    def _dial_problem(self, typed: TypedPressure) -> str | None:
        off_bar = typed.absolute_bar(self._ambient_bar()) - self._pressure_bar()
        if abs(off_bar) <= DIAL_WITHIN_BAR:
            return None
        return (
            f"dial and gauge differ by {1000 * off_bar:+.0f} mbar, {1000 * DIAL_WITHIN_BAR:.0f} are allowed: "
            "check units, then the dial"
        )

    def _dial_not_vented(self, typed: TypedPressure) -> str | None:
        over_bar = typed.gauge_bar(self._ambient_bar())
        self._dial_shows_pressure = over_bar > self._loop.limits.vented_bar
        if self._dial_shows_pressure:
            self._dial_has_shown_pressure = True
            force_n = self._loop.limits.lid_force_n(over_bar)
            return f"LID UNDER PRESSURE: {force_n:.0f} N on the lid by your dial; vent on, then read it again"
        if over_bar < -DIAL_WITHIN_BAR:
            return f"{1000 * over_bar:.0f} mbar is below the room's pressure: check the unit, then the dial"
        return None

    def _watch_opening(self, scan: Scan) -> None:
        if 60.0 * scan.rate_bar_per_s > OPEN_FAST_BAR_PER_MIN and not self._warned_fast:
            self._warned_fast = True
            self._view.say("CLOSE IT: the pressure rises too fast. Close the cylinder valve.", "alarm")

    def _pressure_bar(self) -> float:
        pressure_bar = self._loop.scan.pressure_bar
        return pressure_bar if pressure_bar is not None else self._ambient_bar()

    def _ambient_bar(self) -> float:
        return self._loop.scan.barometer_bar or 1.013
