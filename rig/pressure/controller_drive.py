"""Drives the pressure with an electronic controller that ramps by itself, watched by the bench's own gauges.

The controller gets a ramp and a set point and follows them by itself; the interlocks still judge every
reading. Its safe state is `vent`. A controller has no heartbeat: when its link is lost it keeps its last set
point, and only its own time-out, the relief valve and a person can end that.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from drivers.errors import DriverError, Refused
from drivers.ports import PressureController
from rig.loop.loop import Tripped, procedure_trip
from rig.loop.run_log import RunLog
from rig.loop.schedule import Schedule
from rig.pressure.drive_trips import no_flow_purge, not_permitted
from rig.pressure.ramp_set_point import RAMP_MARGIN, follow_ramp
from rig.pressure.valve_link import answered
from rig.safety.drive_words import Drive, Drop
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import fill_refusal
from rig.safety.scan import Scan
from rig.safety.set_point import Intent, SetPoint
from rig.safety.states import Machine

WITHIN_BAR = 0.015
"""How far from its target a controller may settle by the bench's gauge: both gauges have errors."""
_STILL_BAR_PER_S = 0.02 / 60.0
_JUDGED_EVERY_S = 10.0
_WEAK = 0.25
_MOST_FAILURES = 3


class ControlledPressure:
    """Ramps and keeps the pressure with a `PressureController`; both `PressureDrive` and `Outputs`.

    The gas used is calculated from measured rises alone; what a controller bleeds while it keeps a pressure
    (some 7 % on the virtual bench) is not seen.
    """

    def __init__(
        self,
        controller: PressureController,
        machine: Machine,
        limits: SafetyLimits,
        set_point: SetPoint,
        schedule: Schedule,
        log: RunLog,
        scan: Callable[[], Scan],
        *,
        watch_link: bool,
    ) -> None:
        """Drive `controller`; `watch_link` asks it for a reading each second where no gauge role does."""
        self._controller = controller
        self._machine = machine
        self._limits = limits
        self._set_point = set_point
        self._schedule = schedule
        self._log = log
        self._scan = scan
        self._watch_every = max(1, round(1.0 / schedule.interval_s)) if watch_link else 0
        self._ramp_bar_per_min = RAMP_MARGIN * limits.ramp_bar_per_min
        self._step_bar = self._ramp_bar_per_min / 60.0 * schedule.interval_s
        self._recent: deque[float] = deque(maxlen=3)
        self._target_bar = 0.0
        self._up = True
        self._controls = False
        self._highest_bar = 0.0
        self._judged_s = 0.0
        self._judged_bar = 0.0
        self._gas_l = 0.0
        self.drop = Drop()

    @property
    def gas_used_l(self) -> float:
        """Litres at 1 bar let in so far, from measured rises."""
        return self._gas_l

    def claim(self) -> str:
        """Do nothing: a controller has no owner register."""
        return ""

    def release(self) -> None:
        """Do nothing: it vents."""

    def serve(self) -> None:
        """Ask the controller for a reading now and then, so that a lost link is noticed while it ramps."""
        if not self._watch_every or self._schedule.tick % self._watch_every:
            return
        try:
            self._controller.read_pressure_bar()
        except DriverError as error:
            self._note_failure(error)
        else:
            self._scan().valve_failures = self._scan().valve_answers = 0

    def de_energise(self) -> bool:
        """Vent. Tried twice. Returns whether the controller took it."""
        self._controls = False
        self._scan().drop_ordered = True
        return self._vent() or self._vent()

    def begin_move(self, target_bar: float, scan: Scan) -> None:
        """Start towards a target, absolute bar, from the pressure of this scan.

        Raises:
            Tripped: a permissive says no, or the controller does not take the command.
        """
        start_bar = scan.pressure_bar if scan.pressure_bar is not None else target_bar
        self._target_bar = target_bar
        self._up = target_bar >= start_bar
        if self._up:
            # The controller's own gauge is the second one of its bench.
            refusal = fill_refusal(
                scan, self._machine.rule, self._limits, rises_to_bar=target_bar, two_gauges=True
            )
            if refusal is not None:
                raise not_permitted(refusal)
        self._recent.clear()
        self._recent.append(start_bar)
        self._highest_bar = self._judged_bar = start_bar
        self._judged_s = scan.t_s
        self._set_point.set(Intent.UP if self._up else Intent.DOWN, start_bar, target_bar)
        scan.drop_ordered = False
        self._order(
            "set",
            lambda: self._set(target_bar),
            pressure_bar=round(target_bar, 5),
            ramp_bar_per_min=round(self._ramp_bar_per_min, 5),
        )

    def move(self, scan: Scan) -> bool:
        """Watch this tick's part of the ramp. Returns whether the target is reached and steady."""
        pressure_bar = scan.gauge.newest_bar
        if pressure_bar is None:
            return False
        self._recent.append(pressure_bar)
        mean_bar = sum(self._recent) / len(self._recent)
        if mean_bar > self._highest_bar:
            self._gas_l += (mean_bar - self._highest_bar) * self._limits.volume_l
            self._highest_bar = mean_bar
        follow_ramp(self._set_point, pressure_bar, self._target_bar, self._step_bar, self._up)
        self._judge(scan, mean_bar)
        still = abs(scan.rate_bar_per_s) < _STILL_BAR_PER_S
        return still and abs(mean_bar - self._target_bar) <= WITHIN_BAR

    def begin_keep(self, scan: Scan, target_bar: float) -> None:
        """Note that the target has been reached; the controller keeps it by itself."""
        del scan
        self._target_bar = target_bar
        self._set_point.set(Intent.KEEP, target_bar, target_bar)

    def keep(self, scan: Scan) -> None:
        """Let the controller keep the pressure, also after a rest.

        Raises:
            Tripped: the controller does not take the command.
        """
        del scan
        if not self._controls:
            self._order("control", lambda: self._control(True))

    def rest(self) -> None:
        """Shut both of the controller's valves until the next call.

        Raises:
            Tripped: the controller does not take the command.
        """
        if self._controls:
            self._order("measure", lambda: self._control(False))

    def open_vent(self) -> None:
        """Vent for good.

        Raises:
            Tripped: the controller does not take the command.
        """
        self._set_point.set(Intent.OPEN)
        self._controls = False
        self._order("vent", self._controller.vent)

    def flow(self, scan: Scan) -> float:
        """Refuse: a controller keeps a pressure and cannot give a known flow."""
        del scan
        raise no_flow_purge(Drive.CONTROLLER)

    def _set(self, target_bar: float) -> None:
        # The set point goes out before control is switched on: the controller must never ramp to an old one.
        self._controller.set_ramp_bar_per_min(self._ramp_bar_per_min)
        self._controller.set_pressure_bar(target_bar)
        self._control(True)

    def _control(self, on: bool) -> None:
        self._controller.hold_output(on)
        self._controls = on

    def _note_failure(self, error: DriverError) -> None:
        scan = self._scan()
        scan.valve_failures += 1
        scan.valve_answers += answered(error)
        scan.valve_error = error.message

    def _vent(self) -> bool:
        scan = self._scan()
        try:
            self._controller.vent()
        except DriverError as error:
            self.drop = Drop(taken=False, answered=answered(error), error=error.message)
            self._note_failure(error)
            self._log.event("valve", valve="controller", action="vent", failure=error.message)
            return False
        self.drop = Drop()
        scan.valve_failures = scan.valve_answers = 0
        self._log.event("valve", valve="controller", action="vent")
        return True

    def _order(self, action: str, order: Callable[[], None], **data: float) -> None:
        """Give one command, and repeat it after a lost answer: each sets a state, so repeating is harmless.

        Raises:
            Tripped: CONTROLLER_REFUSED or CONTROLLER_LOST.
        """
        for _ in range(_MOST_FAILURES):
            try:
                order()
            except Refused as error:
                self._log.event("valve", valve="controller", action=action, failure=error.message, **data)
                raise Tripped(
                    procedure_trip(
                        "CONTROLLER_REFUSED",
                        Response.ABORT,
                        f"The pressure controller refused: {error.message}.",
                        f"{CLOSE_BOTTLE} Check the controller's own limits and its entry in the bench file.",
                        rows=(32,),
                    )
                ) from None
            except DriverError as error:
                self._log.event("valve", valve="controller", action=action, failure=error.message, **data)
                failed = error
            else:
                self._log.event("valve", valve="controller", action=action, **data)
                return
        raise Tripped(
            procedure_trip(
                "CONTROLLER_LOST",
                Response.ABORT,
                f"The pressure controller has not taken an order: {failed.message}. It may continue to "
                "hold its pressure.",
                f"{CLOSE_BOTTLE} Vent at the controller or with the manual bleed. {KEEP_LID_SHUT}",
                rows=(31,),
            )
        )

    def _judge(self, scan: Scan, mean_bar: float) -> None:
        """Note whether the pressure follows the ramp, in stretches of ten seconds."""
        passed_s = scan.t_s - self._judged_s
        if passed_s < _JUDGED_EVERY_S:
            return
        sign = 1.0 if self._up else -1.0
        expected_bar = min(
            self._ramp_bar_per_min / 60.0 * passed_s, max(0.0, sign * (self._target_bar - self._judged_bar))
        )
        if expected_bar > WITHIN_BAR:
            weak = sign * (mean_bar - self._judged_bar) < _WEAK * expected_bar
            self._set_point.weak_groups = self._set_point.weak_groups + 1 if weak else 0
        self._judged_s, self._judged_bar = scan.t_s, mean_bar
