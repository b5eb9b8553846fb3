"""Holding a run: the supply is shut and the pressure kept while a fault is corrected."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from rig.loop.dialogue import Dialogue
from rig.loop.loop import Loop, Tripped
from rig.pressure.drive import PressureDrive
from rig.safety.interlocks import Response, Trip
from rig.safety.set_point import Intent
from rig.safety.states import Command
from rig.view import Prompt, View

LONGEST_HELD_S = 600.0
_VOLTMETER_BACK_WITHIN_S = 60.0
_MOST_HOLDS = 3
_SAME_PRESSURE_BAR = 0.03


class Holding:
    """Does work that may be held and then repeated from its beginning."""

    def __init__(
        self,
        loop: Loop,
        drive: PressureDrive,
        view: View,
        dialogue: Dialogue,
        on_retry: Callable[[], None],
    ) -> None:
        """Hold work on `loop`; `on_retry` is called where a person may have changed the bottle."""
        self._loop = loop
        self._on_retry = on_retry
        self._drive = drive
        self._view = view
        self._dialogue = dialogue
        self._holds = 0
        self._stuck_bar: float | None = None

    def work(self, part: Callable[[], None]) -> None:
        """Do `part`; when it asks for a hold that ends well, do it again.

        Raises:
            Tripped: anything but a hold, or a hold that did not help.
        """
        while True:
            try:
                part()
            except Tripped as tripped:
                if tripped.trip.response is not Response.HOLD:
                    raise
                self._hold(tripped.trip)
            else:
                return

    def _hold(self, trip: Trip) -> None:
        loop = self._loop
        trip = replace(trip, drive=loop.scan.drive)
        self._holds += 1
        if trip.code == "NO_RESPONSE" and self._stuck_again():
            raise Tripped(replace(trip, response=Response.STOP, text=f"For the second time: {trip.text}"))
        loop.log.event("alarm", code=trip.code, text=trip.text, do_now=trip.do_now)
        self._view.say(trip.message, "alarm")
        loop.machine.fire(Command.HOLD, trip.code)
        self._drive.rest()
        loop.enter("held", loop.step)
        loop.set_point.set(Intent.KEEP, loop.scan.pressure_bar, loop.scan.pressure_bar)
        loop.machine.fire(Command.DONE, "supply shut")
        mended = self._holds <= _MOST_HOLDS and (
            self._voltmeter_comes_back() if trip.code == "VOLTMETER_LOST" else self._operator_mends(trip)
        )
        if not mended:
            raise Tripped(replace(trip, response=Response.STOP))
        loop.machine.fire(Command.UNHOLD, "mended")
        loop.machine.fire(Command.DONE, "back to the step")

    def _stuck_again(self) -> bool:
        """Whether the pressure stops at the same value as before, as at a relief valve that lifts early."""
        before_bar, here_bar = self._stuck_bar, self._loop.scan.pressure_bar
        self._stuck_bar = here_bar
        return (
            before_bar is not None
            and here_bar is not None
            and abs(here_bar - before_bar) < _SAME_PRESSURE_BAR
        )

    def _voltmeter_comes_back(self) -> bool:
        begun_s = self._loop.now_s
        while self._loop.now_s - begun_s < _VOLTMETER_BACK_WITHIN_S:
            scan = self._loop.tick()
            if scan.voltmeter_bad == 0 and scan.scans_alike <= 1:
                return True
        return False

    def _operator_mends(self, trip: Trip) -> bool:
        answer = self._dialogue.ask(
            Prompt(
                f"mend_{trip.code.lower()}",
                f"{trip.text} {trip.do_now} Then answer 'retry'; 'stop' or no answer vents on the "
                "ramp and ends the run.",
                ("retry", "stop"),
                timeout_s=LONGEST_HELD_S,
            )
        )
        if answer != "retry":
            return False
        self._on_retry()
        return True
