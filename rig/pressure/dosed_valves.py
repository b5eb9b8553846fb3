"""Drives the pressure: ramps both ways in small device-timed shots, then keeps it.

A ramp follows a set point that stays close to the pressure, so that lost time is not made up by a faster
change. A pressure that is too high after filling is never vented down again: grading uses the measured
pressure.
"""

from __future__ import annotations

from collections import deque

from rig.loop.schedule import Schedule
from rig.pressure.drive_trips import supply_stays_open
from rig.pressure.gate import SHORTEST_SHOT_MS, Gate
from rig.pressure.ramp_set_point import LEAD_BAR, RAMP_MARGIN, follow_ramp
from rig.pressure.shot_model import ShotModel
from rig.pressure.shut_check import ShutCheck
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.set_point import Intent, SetPoint
from rig.safety.vent_drive import vent_drive_bar

NEAR_BAR = 0.0015
_SHOT_EVERY_S = 0.4
_KEEP_EVERY_S = 1.0
_KEEP_BAND_BAR = 0.0012
_FOLLOW_THERMAL_S = 30.0
_GAIN = 0.8
_COARSE_BAR = 0.0035
"""If the shortest shot adds more than this, steps are overshot by more than they should be."""
_FLOW_RISES = 0.8
_FLOW_BACK_BAR = 0.15
"""Back pressure of a flow purge: far below the limit for a blocked vent."""
_CLEARLY_MORE = 1.25
"""The vent's conductance, learned from its shots, is known to some 20 %."""
_FIRST_GUESS_BAR_PER_MS_L = 0.00013
"""Two millibar from the shortest shot into one litre: the strongest valve that the rig may be built with.

A larger pot has larger valves: it may get the same from its shortest shot, and the first shots must not
be longer for its size."""


class DosedValves:
    """Ramps and keeps the pressure with a supply and a vent solenoid."""

    def __init__(self, gate: Gate, set_point: SetPoint, limits: SafetyLimits, schedule: Schedule) -> None:
        self._gate = gate
        self._set_point = set_point
        self._limits = limits
        self._shot_every = max(1, round(_SHOT_EVERY_S / schedule.interval_s))
        self._keep_every = max(1, round(_KEEP_EVERY_S / schedule.interval_s))
        self._period_s = self._shot_every * schedule.interval_s
        self._interval_s = schedule.interval_s
        self._most_ms = min(gate.longest_shot_ms, int(750 * self._period_s))
        self._step_bar = RAMP_MARGIN * limits.ramp_bar_per_min / 60.0 * self._interval_s
        guess = _FIRST_GUESS_BAR_PER_MS_L / min(1.0, limits.volume_l)
        self.supply = ShotModel(guess)
        self.vent = ShotModel(guess)
        self._recent: deque[float] = deque(maxlen=3)
        self._target_bar = 0.0
        self._up = True
        self._tick = 0
        self._kept_since_s = 0.0
        self._gas_l = 0.0
        self._flow_ms = float(SHORTEST_SHOT_MS)
        self._flow_ceiling_bar = 0.0
        self._flow_shots_l = 0.0
        self._flow_vented_l = 0.0
        self._shut_check = ShutCheck(self._period_s)

    @property
    def gas_used_l(self) -> float:
        """Litres at 1 bar let in so far, from the learned effect of the shots.

        Of a flow purge, where a supply that does not shut fills no pot, it is what the back pressure has
        driven through the open vent, where that is clearly more than the shots.
        """
        vented_l, shots_l = self._flow_vented_l, self._flow_shots_l
        return self._gas_l + (vented_l - shots_l if vented_l > _CLEARLY_MORE * shots_l else 0.0)

    @property
    def too_coarse(self) -> str:
        """Return that the supply's shortest shot is too large for this pot, as a sentence, or nothing."""
        shot_bar = SHORTEST_SHOT_MS * self.supply.rate
        if not self.supply.learned or shot_bar <= _COARSE_BAR:
            return ""
        return (
            f"The supply's shortest shot lets in {1000.0 * shot_bar:.1f} mbar, where no more than "
            f"{1000.0 * _COARSE_BAR:.1f} mbar is right for the steps: fit a finer restrictor."
        )

    def begin_move(self, target_bar: float, scan: Scan) -> None:
        """Start towards a target, from the pressure of this scan; shuts the vent."""
        start_bar = scan.pressure_bar if scan.pressure_bar is not None else target_bar
        self._target_bar = target_bar
        self._up = target_bar >= start_bar
        self._tick = 0
        self._recent.clear()
        self._recent.append(start_bar)
        self._gate.shut_vent()
        self._set_point.set(Intent.UP if self._up else Intent.DOWN, start_bar, target_bar)
        model, sign = (self.supply, 1.0) if self._up else (self.vent, -1.0)
        model.begin(start_bar, sign)

    def move(self, scan: Scan) -> bool:
        """Do this tick's part of the ramp. Returns whether the target is reached."""
        pressure_bar = scan.gauge.newest_bar
        if pressure_bar is None:
            return False
        self._recent.append(pressure_bar)
        self._tick += 1
        follow_ramp(self._set_point, pressure_bar, self._target_bar, self._step_bar, self._up)
        mean_bar = sum(self._recent) / len(self._recent)
        if self._up:
            reached = mean_bar >= self._target_bar - NEAR_BAR
        else:
            reached = mean_bar <= self._target_bar + NEAR_BAR
        if reached:
            return True
        if self._tick % self._shot_every == 0:
            if self._up:
                self._fill(pressure_bar)
            else:
                self._let_out(scan, pressure_bar)
        return False

    def begin_keep(self, scan: Scan, target_bar: float) -> None:
        """Start to keep a target that has been reached."""
        self._target_bar = target_bar
        self._tick = 0
        self._kept_since_s = scan.t_s
        self._set_point.set(Intent.KEEP, target_bar, target_bar)

    def keep(self, scan: Scan) -> None:
        """Make good what heat and leaks do, in the direction of the last ramp alone.

        After filling, the warm gas cools and is topped up; after venting, the cold gas warms and is let out
        for the first half minute. A pressure within the band on the other side of the set point is left as it
        is.
        """
        pressure_bar = scan.gauge.newest_bar
        if pressure_bar is None:
            return
        self._recent.append(pressure_bar)
        self._tick += 1
        if self._tick % self._keep_every:
            return
        mean_bar = sum(self._recent) / len(self._recent)
        short_bar = self._target_bar - mean_bar
        if short_bar > _KEEP_BAND_BAR:
            self._shoot_supply(short_bar / self.supply.rate * _GAIN)
        elif (
            not self._up and short_bar < -_KEEP_BAND_BAR and scan.t_s - self._kept_since_s < _FOLLOW_THERMAL_S
        ):
            drive = vent_drive_bar(mean_bar, scan.barometer_bar or 0.0)
            if drive > 0.0:
                self._shoot_vent(-short_bar / (self.vent.rate * drive) * _GAIN)

    def rest(self) -> None:
        """Leave the pressure alone, vent shut, until the next call."""
        self._gate.shut_supply()

    def open_vent(self) -> None:
        """Open the vent and leave it open."""
        self._set_point.set(Intent.OPEN)
        self._gate.open_vent()
        self._flow_ms = float(SHORTEST_SHOT_MS)
        self._flow_ceiling_bar = 0.0
        self._shut_check = ShutCheck(self._period_s)

    def flow(self, scan: Scan) -> float:
        """Give this tick's supply shot of a flow purge, with the vent open.

        Shots grow while the back pressure stays within the ramp and below the limit of a purge: with a wide
        supply and a narrow vent, the longest ones would fill the pot. Every few seconds some are left out, to
        see the pressure fall.

        Raises:
            Tripped: PRESSURE_RISES, when it does not.
        """
        self._tick += 1
        pressure_bar = scan.gauge.newest_bar
        if pressure_bar is None:
            return 0.0
        ambient_bar = scan.barometer_bar or pressure_bar
        if self.vent.learned:
            per_s = 1000.0 * self.vent.rate * vent_drive_bar(pressure_bar, ambient_bar)
            self._flow_vented_l += per_s * self._interval_s * self._limits.volume_l
            paused = self._shut_check.pauses(scan.t_s, pressure_bar, ambient_bar, self.vent.rate)
            if self._shut_check.stays_up:
                raise supply_stays_open(pressure_bar, ambient_bar)
            if paused:
                return 0.0
        if self._tick % self._shot_every:
            return 0.0
        begun_bar = max(self._flow_ceiling_bar, ambient_bar)
        rise_bar = _FLOW_RISES * self._step_bar * self._shot_every
        self._flow_ceiling_bar = min(begun_bar + rise_bar, ambient_bar + _FLOW_BACK_BAR)
        grow = 1.15 if pressure_bar < self._flow_ceiling_bar else 0.8
        self._flow_ms = min(max(self._flow_ms * grow, SHORTEST_SHOT_MS), self._most_ms)
        before_l = self._gas_l
        self._shoot_supply(self._flow_ms)
        self._flow_shots_l += self._gas_l - before_l
        return self._gas_l - before_l

    def _fill(self, pressure_bar: float) -> None:
        ratio = self.supply.judge(pressure_bar)
        if ratio is not None:
            self._note_group(self.supply, ratio, pressure_bar)
            self._set_point.strong_groups = (
                self._set_point.strong_groups + 1 if self.supply.is_strong() else 0
            )
        wanted_bar = self._wanted_bar(pressure_bar)
        if wanted_bar < _GAIN * NEAR_BAR:
            return
        given_ms = self._shoot_supply(max(SHORTEST_SHOT_MS, wanted_bar / self.supply.rate))
        if given_ms:
            self.supply.add(given_ms, 1.0, given_ms >= self._most_ms)

    def _let_out(self, scan: Scan, pressure_bar: float) -> None:
        ratio = self.vent.judge(pressure_bar)
        if ratio is not None:
            self._note_group(self.vent, ratio, pressure_bar)
        drive = vent_drive_bar(pressure_bar, scan.barometer_bar or 0.0)
        wanted_bar = -self._wanted_bar(pressure_bar)
        if drive <= 0.0 or wanted_bar < _GAIN * NEAR_BAR:
            return
        given_ms = self._shoot_vent(max(SHORTEST_SHOT_MS, wanted_bar / (self.vent.rate * drive)))
        if given_ms:
            self.vent.add(given_ms, drive, given_ms >= self._most_ms)

    def _note_group(self, model: ShotModel, ratio: float, pressure_bar: float) -> None:
        # At the target shots only balance the cooling or warming gas, and the pressure does not move.
        weak = model.is_weak(ratio) and abs(pressure_bar - self._target_bar) > LEAD_BAR
        self._set_point.weak_groups = self._set_point.weak_groups + 1 if weak else 0

    def _wanted_bar(self, pressure_bar: float) -> float:
        """Change that the next shot should make: to where the set point will be when the one after is due."""
        set_point_bar = self._set_point.now_bar
        assert set_point_bar is not None
        ahead_bar = self._step_bar * self._shot_every
        if self._up:
            return _GAIN * (min(set_point_bar + ahead_bar, self._target_bar) - pressure_bar)
        return _GAIN * (max(set_point_bar - ahead_bar, self._target_bar) - pressure_bar)

    def _shoot_supply(self, wanted_ms: float) -> int:
        duration_ms = min(int(wanted_ms), self._most_ms)
        if duration_ms < SHORTEST_SHOT_MS:
            return 0
        rise_bar = self.supply.effect(duration_ms)
        if not self._gate.shoot_supply(duration_ms, rise_bar):
            return 0
        self._gas_l += rise_bar * self._limits.volume_l
        return duration_ms

    def _shoot_vent(self, wanted_ms: float) -> int:
        duration_ms = min(int(wanted_ms), self._most_ms)
        if duration_ms < SHORTEST_SHOT_MS or not self._gate.shoot_vent(duration_ms):
            return 0
        return duration_ms
