"""Drives the pressure with a person's hands: gives cues and watches the gauge.

Only the gauge counts. A target is reached when the gauge is steady near it; what a person says about a valve
changes nothing. Fast filling, idle hands and too much overshoot end the run safely.
"""

from __future__ import annotations

from collections.abc import Callable

from rig.hand.cues import HANDS_OFF, SHORT_BAR, TOO_FAST_BAR_PER_MIN, advise
from rig.loop.dialogue import Dialogue
from rig.loop.loop import Tripped, procedure_trip
from rig.loop.run_log import RunLog
from rig.pressure.drive_trips import no_flow_purge, not_permitted
from rig.safety.drive_words import DROP_ORDERED, Drive, Drop
from rig.safety.interlocks import CLOSE_BOTTLE, COMPARE_WITH_DIAL, KEEP_LID_SHUT, Response
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import fill_refusal
from rig.safety.scan import Scan
from rig.safety.set_point import Intent, SetPoint
from rig.safety.states import Machine, State
from rig.view import Action, Cue, CuedView, Valve, View

CARD = (
    "1. Shut the supply valve and the cylinder.",
    "2. Open the vent slowly, all the way.",
    "3. Wait until the dial shows 0.00 bar gauge. Until then keep the lid shut and your head away from it.",
)
"""What to do in any case; shown at the end of a run and at every trip."""

OVERSHOOT_BAR = 0.020
IDLE_S = 60.0
IDLE_ANSWERS = {State.EXECUTE: Response.HOLD, State.STARTING: Response.STOP}
"""The response to idle hands. A step can be resumed, and a purge is let out. If the pressure is not let out
at the end, the person is asked to make the pot safe at once, and the alarm stays."""
CLOSED_WITHIN_S = 15.0
_RISING_BAR_PER_S = 0.05 / 60.0
_THERMAL_BAR_PER_S = 0.1 / 60.0
_STILL_BAR_PER_S = 0.04 / 60.0
_STILL_FOR_S = 1.5
_PROGRESS_BAR = 0.003
_TOO_FAST_FOR_S = 5.0
_BACK_BAR = 0.030
_MOST_DETOURS = 2
_SETTLES_S = 30.0
_CARD_EVERY_S = 30.0


class HandDrive:
    """Ramps and keeps the pressure by a person's hands; both `PressureDrive` and `Outputs`."""

    def __init__(
        self,
        machine: Machine,
        limits: SafetyLimits,
        set_point: SetPoint,
        log: RunLog,
        scan: Callable[[], Scan],
        view: View,
        show: Callable[[Cue | None], None],
        *,
        two_gauges: bool,
    ) -> None:
        """Give cues through `show`, and to `view` where it takes them; `scan` returns the newest scan."""
        self._machine = machine
        self._limits = limits
        self._set_point = set_point
        self._log = log
        self._scan = scan
        self._view = view
        self._cued_view = view if isinstance(view, CuedView) else None
        self._show = show
        self._two_gauges = two_gauges
        self._cue: Cue | None = None
        self._target_bar = 0.0
        self._up = True
        self._detour_bar: float | None = None
        self._detours = 0
        self._still_since_s: float | None = None
        self._best_bar = 0.0
        self._progress_s = 0.0
        self._fast_since_s: float | None = None
        self._open_since_s: float | None = None
        self._kept_since_s = 0.0
        self._highest_bar = 0.0
        self._gas_l = 0.0
        self._claiming = False
        self._carded_s: float | None = None

    @property
    def gas_used_l(self) -> float:
        """Litres at 1 bar let in so far, from measured rises."""
        return self._gas_l

    @property
    def drop(self) -> Drop:
        """What is known of the newest order to a person: that it was asked for."""
        return DROP_ORDERED

    def claim(self) -> str:
        """Note that the person has just been asked to make the pot safe; the next call does not repeat it."""
        self._claiming = True
        return ""

    def ask_through(self, dialogue: Dialogue) -> None:
        """Ask through `dialogue` from now on; a drive with a gauge asks nothing."""

    def release(self) -> None:
        """Take the last cue off the screen."""
        self._give(None)

    def serve(self) -> None:
        """Give this tick's cue to a view that takes cues."""
        if self._cued_view is not None:
            self._cued_view.cue(self._cue, self._scan())

    def card(self) -> None:
        """Show the three lines of the card; not again within half a minute."""
        now_s = self._scan().t_s
        if self._carded_s is None or now_s - self._carded_s >= _CARD_EVERY_S:
            self._carded_s = now_s
            for line in CARD:
                self._view.say(line, "alarm")

    def de_energise(self) -> bool:
        """Ask the person to shut the supply and open the vent. True: it was asked, not that it was done."""
        if not self._claiming:
            self.card()
        self._claiming = False
        self._scan().drop_ordered = True
        self._log.event("valve", valve="hands", action="asked: supply shut, vent open")
        self._give(Cue(Valve.VENT, Action.OPEN_FULLY, "SHUT SUPPLY AND CYLINDER, OPEN VENT"))
        return True

    def begin_move(self, target_bar: float, scan: Scan) -> None:
        """Start towards a target, absolute bar, from the pressure of this scan.

        Raises:
            Tripped: a permissive says no.
        """
        start_bar = scan.pressure_bar if scan.pressure_bar is not None else target_bar
        up = target_bar >= start_bar
        if up and (refusal := self._refusal(target_bar, scan)) is not None:
            raise not_permitted(refusal)
        scan.drop_ordered = False
        self._target_bar, self._up = target_bar, up
        self._detour_bar, self._detours = None, 0
        self._fast_since_s = self._open_since_s = None
        self._highest_bar = start_bar
        self._set_point.set(Intent.UP if up else Intent.DOWN, None, target_bar)
        self._begin_leg(scan)

    def move(self, scan: Scan) -> bool:
        """Judge this tick and give the next cue. Returns whether the target is reached and steady.

        Raises:
            Tripped: HANDS_IDLE, NOT_CLOSED, TOO_FAST or OVERSHOOT.
        """
        goal_bar, up = self._leg()
        self._watch_closing(scan)
        refusal = self._refusal(0.0, scan) if up else None
        pressure_bar = scan.gauge.newest_bar
        if pressure_bar is None:
            self._keep_shut(refusal)
            return False
        if pressure_bar > self._highest_bar:
            self._gas_l += (pressure_bar - self._highest_bar) * self._limits.volume_l
            self._highest_bar = pressure_bar
        sign = 1.0 if up else -1.0
        to_go_bar = sign * (goal_bar - pressure_bar)
        still = self._is_still(scan)
        if to_go_bar <= SHORT_BAR:
            self._progress_s = scan.t_s
            self._watch_speed(scan)
            if self._overshot(to_go_bar):
                if not still:
                    self._give(advise(goal_bar, pressure_bar, 60.0 * scan.rate_bar_per_s, up=up))
                    return False
                self._turn_back(scan, pressure_bar)
                return False
            if still or self._machine.state in (State.COMPLETING, State.STOPPING):
                if self._detour_bar is None:
                    self._give(None)
                    return True
                self._detour_bar = None
                self._begin_leg(scan)
                return False
            self._give(advise(goal_bar, pressure_bar, 60.0 * scan.rate_bar_per_s, up=up))
            return False
        self._watch_progress(scan, to_go_bar)
        self._watch_speed(scan)
        self._give(advise(goal_bar, pressure_bar, 60.0 * scan.rate_bar_per_s, up=up))
        self._keep_shut(refusal)
        return False

    def begin_keep(self, scan: Scan, target_bar: float) -> None:
        """Start to keep the pressure that was reached: hands off; the pressure is used as measured."""
        kept_bar = scan.pressure_bar if scan.pressure_bar is not None else target_bar
        self._kept_since_s = scan.t_s
        self._set_point.set(Intent.KEEP, kept_bar, target_bar)
        self._give(HANDS_OFF)

    def keep(self, scan: Scan) -> None:
        """Follow the gas while it reaches the pot's temperature; after that the pressure must stay.

        A change faster than that of cooling or warming gas comes from a valve, and is not followed.
        """
        settles = scan.t_s - self._kept_since_s < _SETTLES_S
        pressure_bar = scan.gauge.newest_bar
        if settles and pressure_bar is not None and abs(scan.rate_bar_per_s) < _THERMAL_BAR_PER_S:
            self._set_point.now_bar = pressure_bar

    def rest(self) -> None:
        """Leave the pressure alone, both valves shut, until the next call."""
        self._give(HANDS_OFF)

    def open_vent(self) -> None:
        """Ask the person to open the vent and leave it open; the gauge has to show that it was done."""
        self._set_point.set(Intent.OPEN)
        self._give(Cue(Valve.VENT, Action.OPEN_FULLY, "OPEN THE VENT all the way (supply shut)"))

    def flow(self, scan: Scan) -> float:
        """Refuse: one gauge cannot measure the flow through a hand valve."""
        del scan
        raise no_flow_purge(Drive.HANDS)

    def _keep_shut(self, refusal: str | None) -> None:
        """Ask for the supply to be shut while a permissive refuses; if that lasts, the interlocks act."""
        if refusal is not None:
            self._give(Cue(Valve.SUPPLY, Action.CLOSE, f"CLOSE SUPPLY NOW: {refusal}"))

    def _refusal(self, rises_to_bar: float, scan: Scan) -> str | None:
        """Why the supply may not be open now."""
        return fill_refusal(
            scan, self._machine.rule, self._limits, rises_to_bar=rises_to_bar, two_gauges=self._two_gauges
        )

    def _leg(self) -> tuple[float, bool]:
        """The goal now and whether it is upwards; a detour leads back past an overshot target."""
        if self._detour_bar is not None:
            return self._detour_bar, not self._up
        if self._machine.state is not State.STARTING:
            return self._target_bar, self._up
        # A swing that ends a little short purges less than planned; a little too far does no harm.
        if self._up:
            return self._target_bar + SHORT_BAR, True
        ambient_bar = self._scan().barometer_bar or 0.0
        return max(self._target_bar - SHORT_BAR, min(self._target_bar, ambient_bar + 2 * SHORT_BAR)), False

    def _begin_leg(self, scan: Scan) -> None:
        goal_bar, up = self._leg()
        pressure_bar = scan.pressure_bar if scan.pressure_bar is not None else goal_bar
        self._best_bar = (1.0 if up else -1.0) * (goal_bar - pressure_bar)
        self._progress_s = scan.t_s
        self._still_since_s = None
        self._give(advise(goal_bar, pressure_bar, 0.0, up=up))

    def _is_still(self, scan: Scan) -> bool:
        if abs(scan.rate_bar_per_s) > _STILL_BAR_PER_S:
            self._still_since_s = None
        elif self._still_since_s is None:
            self._still_since_s = scan.t_s
        return self._still_since_s is not None and scan.t_s - self._still_since_s >= _STILL_FOR_S

    def _overshot(self, to_go_bar: float) -> bool:
        """Whether a measuring step went past its target by more than the accepted overshoot."""
        return (
            self._detour_bar is None and self._machine.state is State.EXECUTE and to_go_bar < -OVERSHOOT_BAR
        )

    def _turn_back(self, scan: Scan, pressure_bar: float) -> None:
        self._detours += 1
        over_bar = abs(pressure_bar - self._target_bar)
        if self._detours > _MOST_DETOURS:
            raise Tripped(
                procedure_trip(
                    "OVERSHOOT",
                    Response.STOP,
                    f"The target of {self._target_bar:.3f} bar was passed by {1000 * over_bar:.0f} mbar for "
                    f"the {self._detours}rd time.",
                    "Fill more slowly; a finer needle valve or restrictor helps.",
                    rows=(9,),
                )
            )
        self._detour_bar = self._target_bar + (-_BACK_BAR if self._up else _BACK_BAR)
        self._log.event(
            "note", text=f"The target was passed by {1000 * over_bar:.0f} mbar; it is approached again."
        )
        self._view.say(
            f"{1000 * over_bar:.0f} mbar past the target; go back to {self._detour_bar:.3f} bar and "
            "approach it again.",
            "caution",
        )
        self._begin_leg(scan)

    def _watch_progress(self, scan: Scan, to_go_bar: float) -> None:
        if to_go_bar < self._best_bar - _PROGRESS_BAR:
            self._best_bar = to_go_bar
            self._progress_s = scan.t_s
        elif scan.t_s - self._progress_s > IDLE_S:
            answer = IDLE_ANSWERS.get(self._machine.state, Response.ABORT)
            look = CLOSE_BOTTLE if answer is Response.ABORT else "Check bottle, regulator and valves."
            look = f"{look} {COMPARE_WITH_DIAL}"
            raise Tripped(
                procedure_trip(
                    "HANDS_IDLE",
                    answer,
                    f"The pressure has not moved towards {self._leg()[0]:.3f} bar for {IDLE_S:.0f} s.",
                    f"{look} {KEEP_LID_SHUT}",
                    rows=(11, 35),
                )
            )

    def _watch_closing(self, scan: Scan) -> None:
        """Check that the supply is shut when the screen asks for it: a person who has left leaves it open."""
        cue = self._cue
        asked = cue is not None and cue.valve is Valve.SUPPLY and cue.action is Action.CLOSE
        if not asked or scan.gauge.failed_readings or scan.rate_bar_per_s <= _RISING_BAR_PER_S:
            self._open_since_s = None
        elif self._open_since_s is None:
            self._open_since_s = scan.t_s
        elif scan.t_s - self._open_since_s > CLOSED_WITHIN_S:
            raise Tripped(
                procedure_trip(
                    "NOT_CLOSED",
                    Response.ABORT,
                    f"The pressure still rises, at {scan.pressure_bar:.3f} bar, {CLOSED_WITHIN_S:.0f} s "
                    "after the cue to close the supply.",
                    f"{CLOSE_BOTTLE} {KEEP_LID_SHUT}",
                    rows=(10, 35),
                )
            )

    def _watch_speed(self, scan: Scan) -> None:
        if 60.0 * scan.rate_bar_per_s <= TOO_FAST_BAR_PER_MIN:
            self._fast_since_s = None
        elif self._fast_since_s is None:
            self._fast_since_s = scan.t_s
            self._view.say(
                f"{60.0 * scan.rate_bar_per_s:.1f} bar/min is too fast: close the supply.", "alarm"
            )
        elif scan.t_s - self._fast_since_s > _TOO_FAST_FOR_S:
            raise Tripped(
                procedure_trip(
                    "TOO_FAST",
                    Response.ABORT,
                    f"The pot still fills at {60.0 * scan.rate_bar_per_s:.1f} bar/min.",
                    f"{CLOSE_BOTTLE} {KEEP_LID_SHUT}",
                    rows=(10, 12),
                )
            )

    def _give(self, cue: Cue | None) -> None:
        self._cue = cue
        self._show(cue)
