"""Holding a run: the supply is shut and the pressure kept while something is put right."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

from drivers.ports import Clock
from drivers.system_clock import SystemClock
from rig.control.course import Intent
from rig.control.interlocks import Response, Trip
from rig.control.loop import Loop, Tripped
from rig.control.pressure import PressureDrive
from rig.control.states import Command
from rig.snapshot import Prompt, View

LONGEST_HELD_S = 600.0
_VOLTMETER_BACK_WITHIN_S = 60.0
_MOST_HOLDS = 3
_SAME_PRESSURE_BAR = 0.03


class Held:
    """Does work that may be held and taken up again from its beginning."""

    def __init__(self, loop: Loop, drive: PressureDrive, view: View, clock: Clock) -> None:
        self._loop = loop
        self._drive = drive
        self._view = view
        self._in_thread = isinstance(clock, SystemClock)
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
        loop.course.set(Intent.KEEP, loop.scan.pressure_bar, loop.scan.pressure_bar)
        loop.machine.fire(Command.DONE, "supply shut")
        mended = self._holds <= _MOST_HOLDS and (
            self._voltmeter_comes_back() if trip.code == "VOLTMETER_LOST" else self._operator_mends(trip)
        )
        if not mended:
            raise Tripped(replace(trip, response=Response.STOP))
        loop.machine.fire(Command.UNHOLD, "mended")
        loop.machine.fire(Command.DONE, "back to the step")

    def _stuck_again(self) -> bool:
        """Whether the pressure stands still where it did before, as at a relief valve that lifts early."""
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
            if self._loop.tick().voltmeter_bad == 0:
                return True
        return False

    def _operator_mends(self, trip: Trip) -> bool:
        answer = self._ask(
            Prompt(
                f"mend_{trip.code.lower()}",
                f"{trip.text} {trip.do_now} Then answer 'retry'; 'stop' vents on the ramp.",
                ("retry", "stop"),
                timeout_s=LONGEST_HELD_S,
            )
        )
        return answer == "retry"

    def _ask(self, prompt: Prompt) -> str | None:
        """Ask while the rig goes on ticking. In simulated time nothing moves while a question stands."""
        loop = self._loop
        loop.log.event("prompt", code=prompt.code, text=prompt.text)
        answer: str | None = None
        if self._in_thread:
            answers: list[str | None] = []
            asker = threading.Thread(target=lambda: answers.append(self._view.ask(prompt)), daemon=True)
            asker.start()
            begun_s = loop.now_s
            try:
                while asker.is_alive() and loop.now_s - begun_s < prompt.timeout_s:
                    loop.tick()
            finally:
                if asker.is_alive():
                    self._view.withdraw()
            answer = answers[0] if answers else None
        else:
            answer = self._view.ask(prompt)
        loop.log.event("answer", code=prompt.code, text=prompt.text, answer=answer)
        return answer
