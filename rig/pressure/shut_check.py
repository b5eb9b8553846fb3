"""Looks now and then, during a flow purge, whether the supply really shuts between its shots.

With the vent open a supply that is stuck open shows on no set point: the pot settles at a back pressure. But
without shots that pressure falls as the vent lets it, or stays up.
"""

from __future__ import annotations

from rig.safety.vent_drive import vent_drive_bar

_EVERY_S = 4.0
_LEAST_LOOK_S = 0.6
_LEAST_BACK_BAR = 0.015
"""Below this back pressure there is too little to fall."""
_LEAST_FALL = 0.4
"""Least part of the fall that the vent alone would make: its conductance is known to some 20 %."""
_MOST_FAILED = 2
_STEP_S = 0.05


class ShutCheck:
    """Pauses the shots of a flow purge and watches the back pressure.

    Attributes:
        stays_up: the pressure did not fall in two pauses on end: the supply does not shut.
    """

    def __init__(self, period_s: float) -> None:
        """Pause for two shot periods of `period_s` each."""
        self._period_s = period_s
        self._checked_s: float | None = None
        self._paused_s: float | None = None
        self._from: tuple[float, float] | None = None
        self._failed = 0
        self.stays_up = False

    def pauses(self, t_s: float, pressure_bar: float, ambient_bar: float, vent_bar_per_ms: float) -> bool:
        """Return whether no shot may be given in this tick.

        Args:
            t_s: of the tick.
            pressure_bar: in the pot, absolute, read in this tick.
            ambient_bar: outside, absolute.
            vent_bar_per_ms: what the open vent lets out, in bar per ms and bar of drive.
        """
        if self._checked_s is None:
            self._checked_s = t_s
        if self._paused_s is None:
            if t_s - self._checked_s < _EVERY_S:
                return False
            self._paused_s, self._from = t_s, None
            return True
        if self._from is None:
            # The last shot may still have been ending in the tick before.
            self._from = (t_s, pressure_bar)
            return True
        begun_s, begun_bar = self._from
        if t_s - self._paused_s < 2.0 * self._period_s - 1e-6 or t_s - begun_s < _LEAST_LOOK_S - 1e-6:
            return True
        falls = _falls(begun_bar, pressure_bar, ambient_bar, t_s - begun_s, vent_bar_per_ms)
        self._failed = 0 if falls else self._failed + 1
        self.stays_up = self._failed >= _MOST_FAILED
        if self._failed:
            self._paused_s, self._from = t_s, (t_s, pressure_bar)
            return True
        self._checked_s, self._paused_s = t_s, None
        return False


def _falls(
    begun_bar: float, now_bar: float, ambient_bar: float, seconds: float, vent_bar_per_ms: float
) -> bool:
    """Whether a pressure fell by enough of what the vent alone would let out."""
    if begun_bar - ambient_bar < _LEAST_BACK_BAR:
        return True
    alone_bar = begun_bar
    for _ in range(max(1, round(seconds / _STEP_S))):
        alone_bar -= 1000.0 * vent_bar_per_ms * vent_drive_bar(alone_bar, ambient_bar) * _STEP_S
    return begun_bar - now_bar >= _LEAST_FALL * (begun_bar - max(alone_bar, ambient_bar))
