"""The ways a run ends: vented on the ramp, or de-energised, and the messages of both."""

from __future__ import annotations

from rig.loop.dialogue import Dialogue
from rig.loop.loop import Loop, StopAsked, Tripped
from rig.pressure.drive import PressureDrive
from rig.pressure.ramp import ramp_to
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Trip
from rig.safety.limits import SafetyLimits
from rig.safety.rise import Rise
from rig.safety.scan import Scan
from rig.safety.set_point import Intent
from rig.safety.states import Command, State
from rig.safety.vented import WATCH_AFTER_TRIP_S, judge_vented, surviving_gauges_bar
from rig.view import Prompt, View

OPEN_BELOW_BAR = 0.05
"""From this gauge pressure down the vent's own flow is slower than any ramp: it may stay open."""
_VENTED_FOR_S = 2.0
_VENT_TIMEOUT_S = 120.0
_BLIND_TIMEOUT_S = 30.0
_DOUBTED_FOR_S = 10.0
_UNSHOWN_FOR_S = 5.0
_ALARM_STANDS_S = 60.0
_ASKED_AT_MOST = 20
_LOOKED_AT = 10
_DE_ENERGISE_EVERY_S = 2.0
_RAPID_ABOVE_BAR = 0.1
_MOST_RISES = 3
_BLEED = f"{CLOSE_BOTTLE} Use the manual bleed."


def _agrees(scan: Scan, limits: SafetyLimits) -> bool:
    """Whether nothing contradicts a person who says that the pot is vented: a gauge agrees, or none works."""
    alive, barometer_bar = surviving_gauges_bar(scan), scan.barometer_bar
    if scan.cells_over_bar is not None:
        return False
    if not alive or barometer_bar is None:
        return True
    return any(abs(reading - barometer_bar) <= limits.vented_bar for reading in alive)


class Ending:
    """Brings the pot to ambient pressure and reports it, or sounds an alarm that it could not.

    Attributes:
        alarm: why the pot is not known to be safe; it stays for the rest of the run. None: nothing is.
    """

    def __init__(self, loop: Loop, drive: PressureDrive, view: View, dialogue: Dialogue) -> None:
        self._loop = loop
        self._drive = drive
        self._view = view
        self._dialogue = dialogue
        self._rise = Rise()
        self._vented_since_s: float | None = None
        self.alarm: str | None = None

    def vent_on_ramp(self, watch_s: float) -> None:
        """Vent on the ramp, then leave the vent open and watch for so many seconds.

        Raises:
            Tripped: a trip that de-energises, or a stop request that became urgent.
        """
        loop, drive = self._loop, self._drive
        loop.enter("vent")
        drive.rest()
        scan = loop.scan
        ambient_bar = scan.barometer_bar
        if (
            loop.set_point.intent not in (Intent.OPEN, Intent.FLOW)
            and ambient_bar is not None
            and scan.pressure_bar is not None
            and scan.pressure_bar > ambient_bar + OPEN_BELOW_BAR
        ):
            ramp_to(loop, drive, ambient_bar + OPEN_BELOW_BAR)
        drive.open_vent()
        self._see_it_vented(watch_s, ambient_bar)

    def abort(self, trip: Trip) -> None:
        """De-energise, report why, wait until the pot is at ambient pressure, and watch it there."""
        loop = self._loop
        self._drop()
        if loop.machine.can(Command.ABORT):
            loop.machine.fire(Command.ABORT, trip.code)
        loop.set_point.set(Intent.FREE)
        loop.enter("abort")
        scan = loop.scan
        highest_bar, ambient_bar = scan.highest_bar, scan.barometer_bar
        if highest_bar is None or ambient_bar is None or highest_bar - ambient_bar > _RAPID_ABOVE_BAR:
            loop.mark_rapid_decompression("the pot was vented without the ramp.")
        self._see_it_vented(WATCH_AFTER_TRIP_S, None)
        if loop.machine.state is State.ABORTING:
            loop.machine.fire(Command.DONE, self.alarm or "vented")

    def sound(self, what: str) -> None:
        """Sound that the pot is not known to be vented: it stays for this run and asks at the next start."""
        self._vented_since_s = None
        self.alarm = f"{what} {_BLEED} {KEEP_LID_SHUT}"
        self._loop.log.event("alarm", code="NOT_VENTED", text=what, do_now=_BLEED)
        self._view.say(self.alarm, "alarm")

    def say_watching_ends(self) -> None:
        """Say that nobody watches the pot from now on, and what is known of it."""
        since_s = self._vented_since_s
        if self.alarm is None and since_s is not None:
            text = (
                f"The pot has read vented for {self._loop.now_s - since_s:.0f} s. This program stops "
                f"watching the pot now: close the bottle.{self._unconfirmed()}"
            )
            self._view.say(text)
        else:
            text = (
                "This program stops watching the pot now, and whether it is vented is not known: close the "
                f"bottle. {KEEP_LID_SHUT}"
            )
            self._view.say(text, "alarm")
            self._loop.log.event("note", text=text)

    def _unconfirmed(self) -> str:
        """Return what to do where no two cells could contradict the gauges; else an empty text."""
        if self._loop.scan.cells_watch:
            return ""
        return " Nothing but its pressure reading shows that: look at the dial before you open anything."

    def _drop(self) -> None:
        if self._loop.gate is not None:
            self._loop.gate.de_energise()
        else:
            self._drive.open_vent()

    def _see_it_vented(self, watch_s: float, ambient_bar: float | None) -> None:
        """Wait until the pot is vented and watch it; sound the alarm where it is not, or does not stay so."""
        loop = self._loop
        self._rise = Rise()
        for _ in range(_MOST_RISES):
            if not self._wait_vented():
                break
            if loop.machine.state is not State.ABORTING:
                loop.set_point.set(Intent.OPEN, ambient_bar)
            if self._stays_vented(watch_s):
                return
        self._sound_not_vented()

    def _wait_vented(self) -> bool:
        """Wait until the pot is judged vented; while aborting, keep dropping the outputs.

        With no gauge left it waits a short time for a link to come back, and not long for gauges that are not
        believed.
        """
        loop = self._loop
        begun_s = seen_s = dropped_s = loop.now_s
        since_s = doubted_s = None
        while loop.now_s - begun_s < _VENT_TIMEOUT_S:
            scan = self._tick()
            self._sound_a_rise(scan)
            if loop.machine.state is State.ABORTING and scan.t_s - dropped_s >= _DE_ENERGISE_EVERY_S:
                dropped_s = scan.t_s
                if scan.valve_failures or scan.disobeyed:
                    self._drop()
            if surviving_gauges_bar(scan) or not scan.gauge.failed_readings:
                seen_s = scan.t_s
            elif scan.t_s - seen_s >= _BLIND_TIMEOUT_S:
                return False
            judged = judge_vented(scan, loop.limits)
            since_s = (since_s or scan.t_s) if judged.vented else None
            doubted_s = None if judged.waiting_helps else (doubted_s or scan.t_s)
            if doubted_s is not None and scan.t_s - doubted_s >= _DOUBTED_FOR_S:
                return False
            if since_s is not None and scan.t_s - since_s >= _VENTED_FOR_S:
                self._vented_since_s = since_s
                return True
        return False

    def _stays_vented(self, watch_s: float) -> bool:
        """Watch a vented pot: a supply valve that leaks or sticks shows only now.

        Returns:
            Whether it stayed vented; a further request to stop ends the watch early.
        """
        loop = self._loop
        begun_s, asked = loop.now_s, loop.stops_asked
        self._view.say(
            f"The pot reads vented. It is watched for {watch_s:.0f} s more; a further request to stop "
            f"ends that.{self._unconfirmed()}"
        )
        shown_s = begun_s
        while loop.now_s - begun_s < watch_s:
            try:
                scan = self._tick()
            except Tripped as tripped:
                if tripped.trip.code == "STOPPED_NOW":
                    # The outputs are dropped, and the pot reads vented: there is nothing else to do.
                    return True
                raise
            if self._sound_a_rise(scan):
                return False
            if judge_vented(scan, loop.limits).vented:
                shown_s = scan.t_s
            elif scan.t_s - shown_s >= _UNSHOWN_FOR_S:
                return False
            if loop.stops_asked > asked:
                loop.log.event("note", text="The watch of the vented pot was ended on request.")
                return True
        return True

    def _sound_a_rise(self, scan: Scan) -> bool:
        """Sound at once that gas comes in, once for each rise. Returns whether it has just begun to.

        While aborting the loop says it already, with what else it knows.
        """
        alive = surviving_gauges_bar(scan)
        if not alive or not self._rise.look(max(alive)):
            return False
        self._drop()
        text = f"The pressure rises again, to {max(alive):.3f} bar now."
        do_now = f"{CLOSE_BOTTLE} {KEEP_LID_SHUT}"
        if self.alarm is None:
            self.alarm = f"{text} {do_now}"
        if self._loop.machine.state is not State.ABORTING:
            self._loop.log.event("alarm", code="PRESSURE_RISES", text=text, do_now=do_now)
            self._view.say(f"{text} {do_now}", "alarm")
        return True

    def _sound_not_vented(self) -> None:
        """Sound the standing alarm and keep it until the pot is vented or nobody answers."""
        loop = self._loop
        reason = judge_vented(loop.scan, loop.limits).reason
        self._drop()
        self.sound(reason or "NOT CONFIRMED: the pot did not stay vented.")
        begun_s = loop.now_s
        while loop.now_s - begun_s < _ALARM_STANDS_S:
            scan = self._tick_through()
            self._sound_a_rise(scan)
            if judge_vented(scan, loop.limits).vented:
                text = "The gauges show no pressure now. The alarm stays in the record."
                loop.log.event("note", text=text)
                self._view.say(text, "caution")
                return
        self._have_it_vented()

    def _have_it_vented(self) -> None:
        """Ask a person to bleed the pot by hand; gauges and cells that show pressure are believed first."""
        loop = self._loop
        prompt = Prompt(
            "not_vented",
            "Type VENTED once the dial on the pot shows no pressure.",
            ("VENTED",),
            timeout_s=600.0,
            alarm=self.alarm or "",
        )
        for _ in range(_ASKED_AT_MOST):
            try:
                answer = self._dialogue.ask(prompt)
            except Tripped:
                self._drop()
                continue
            except StopAsked:
                return
            if answer is None:
                return
            for _ in range(_LOOKED_AT):
                scan = self._tick_through()
            if _agrees(scan, loop.limits):
                loop.log.event("note", text="VENTED was typed: a person has read no pressure on the dial.")
                return
            reason = judge_vented(scan, loop.limits).reason
            self._view.say(f"{reason} {CLOSE_BOTTLE} {KEEP_LID_SHUT}", "alarm")

    def _tick(self) -> Scan:
        """Tick; while aborting in spite of interlocks, since the outputs are dropped already."""
        return self._tick_through() if self._loop.machine.state is State.ABORTING else self._loop.tick()

    def _tick_through(self) -> Scan:
        """Tick in spite of interlocks: the outputs are dropped already."""
        try:
            return self._loop.tick()
        except Tripped:
            return self._loop.scan
