"""The ways a run ends: vented on the ramp, or de-energised, and the messages of both."""

from __future__ import annotations

from rig.loop.dialogue import Dialogue
from rig.loop.loop import Loop, StopAsked, Tripped
from rig.pressure.drive import PressureDrive
from rig.pressure.ramp import ramp_to
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Trip
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.set_point import Intent
from rig.safety.states import Command, State
from rig.view import Prompt, View

OPEN_BELOW_BAR = 0.05
"""From this gauge pressure down the vent's own flow is slower than any ramp: it may stay open."""
_VENTED_FOR_S = 2.0
_VENT_TIMEOUT_S = 120.0
_BLIND_TIMEOUT_S = 30.0
_ALARM_STANDS_S = 60.0
_ASKED_AT_MOST = 20
_LOOKED_AT = 10
_DE_ENERGISE_EVERY_S = 2.0
_IDENTICAL_READINGS = 10
_RAPID_ABOVE_BAR = 0.1
_WATCH_AFTER_S = 10.0


def surviving_gauges_bar(scan: Scan) -> list[float]:
    """Readings of the gauges that still work, in bar; none when both have failed."""
    return [
        gauge.newest_bar
        for gauge in (scan.gauge, scan.second_gauge)
        if gauge.newest_bar is not None and gauge.identical_readings < _IDENTICAL_READINGS
    ]


def is_vented(scan: Scan, vented_bar: float) -> bool:
    """Whether every surviving gauge reads within the vented band of the barometer, and there is one."""
    alive = surviving_gauges_bar(scan)
    barometer_bar = scan.barometer_bar
    return (
        barometer_bar is not None
        and bool(alive)
        and all(abs(reading - barometer_bar) <= vented_bar for reading in alive)
    )


def not_vented_text(scan: Scan, limits: SafetyLimits) -> str:
    """Return what the gauges say of a pot that could not be shown to be vented, as a sentence.

    The highest reading of a working gauge counts; one below the room's pressure confirms nothing.
    """
    alive, barometer_bar = surviving_gauges_bar(scan), scan.barometer_bar
    if not alive or barometer_bar is None:
        return "NOT CONFIRMED: no gauge can show whether the pot is vented."
    over_bar = max(alive) - barometer_bar
    if over_bar > limits.vented_bar:
        return (
            f"NOT VENTED: {over_bar * 1000:+.0f} mbar against ambient, "
            f"{limits.lid_force_n(over_bar):.0f} N on the lid."
        )
    readings = " and ".join(f"{reading:.3f}" for reading in alive)
    return f"NOT CONFIRMED: the gauges read {readings} bar and the barometer {barometer_bar:.3f} bar."


def _agrees(scan: Scan, vented_bar: float) -> bool:
    """Whether the gauges agree with a person that the pot is vented: one does, or none works."""
    alive, barometer_bar = surviving_gauges_bar(scan), scan.barometer_bar
    if not alive or barometer_bar is None:
        return True
    return any(abs(reading - barometer_bar) <= vented_bar for reading in alive)


class Ending:
    """Brings the pot to ambient pressure and reports it, or sounds an alarm that it could not."""

    def __init__(self, loop: Loop, drive: PressureDrive, view: View, dialogue: Dialogue) -> None:
        self._loop = loop
        self._drive = drive
        self._view = view
        self._dialogue = dialogue
        self.alarm: str | None = None

    def vent_on_ramp(self) -> None:
        """Vent on the ramp, then leave the vent open and watch.

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
        if not self._wait_vented():
            self._sound_not_vented()
            return
        loop.set_point.set(Intent.OPEN, ambient_bar)
        self._watch_vented()

    def abort(self, trip: Trip) -> None:
        """De-energise, report why, and wait until the pot is at ambient pressure."""
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
        if not self._wait_vented():
            self._sound_not_vented()
        if loop.machine.state is State.ABORTING:
            loop.machine.fire(Command.DONE, self.alarm or "vented")

    def _drop(self) -> None:
        if self._loop.gate is not None:
            self._loop.gate.de_energise()
        else:
            self._drive.open_vent()

    def _wait_vented(self) -> bool:
        """Wait for ambient pressure by every surviving gauge; while aborting, keep dropping the outputs.

        With no gauge left it waits a short time for a link to come back.
        """
        loop = self._loop
        begun_s = seen_s = loop.now_s
        since_s: float | None = None
        dropped_s = begun_s
        while loop.now_s - begun_s < _VENT_TIMEOUT_S:
            scan = loop.tick()
            if loop.machine.state is State.ABORTING and scan.t_s - dropped_s >= _DE_ENERGISE_EVERY_S:
                dropped_s = scan.t_s
                if scan.valve_failures or scan.disobeyed:
                    self._drop()
            if surviving_gauges_bar(scan) or not scan.gauge.failed_readings:
                seen_s = scan.t_s
            elif scan.t_s - seen_s >= _BLIND_TIMEOUT_S:
                return False
            if not is_vented(scan, loop.limits.vented_bar):
                since_s = None
            elif since_s is None:
                since_s = scan.t_s
            elif scan.t_s - since_s >= _VENTED_FOR_S:
                return True
        return False

    def _watch_vented(self) -> None:
        """Watch a vented pot a little longer: a leaking supply valve shows only now."""
        loop = self._loop
        begun_s = loop.now_s
        while loop.now_s - begun_s < _WATCH_AFTER_S:
            loop.tick()

    def _sound_not_vented(self) -> None:
        """Sound the standing alarm and keep it until the pot is vented or nobody answers."""
        loop, scan = self._loop, self._loop.scan
        self._drop()
        what = not_vented_text(scan, loop.limits)
        self.alarm = f"{what} {CLOSE_BOTTLE} Use the manual bleed. {KEEP_LID_SHUT}"
        loop.log.event("alarm", code="NOT_VENTED", text=what, do_now=f"{CLOSE_BOTTLE} Use the manual bleed.")
        self._view.say(self.alarm, "alarm")
        begun_s = loop.now_s
        while loop.now_s - begun_s < _ALARM_STANDS_S:
            scan = self._tick_through()
            if is_vented(scan, loop.limits.vented_bar):
                loop.log.event("note", text="The pot is vented now.")
                self._view.say("The pot is vented now.", "caution")
                return
        self._have_it_vented()

    def _have_it_vented(self) -> None:
        """Ask a person to bleed the pot by hand; working gauges that all read pressure are believed first."""
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
            if _agrees(scan, loop.limits.vented_bar):
                loop.log.event("note", text="The pot is vented now.")
                return
            self._view.say(f"{not_vented_text(scan, loop.limits)} {CLOSE_BOTTLE} {KEEP_LID_SHUT}", "alarm")

    def _tick_through(self) -> Scan:
        """Tick in spite of interlocks: the outputs are dropped already."""
        try:
            return self._loop.tick()
        except Tripped:
            return self._loop.scan
