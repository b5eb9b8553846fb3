"""What a shot of a valve does to the pressure, learned from the shots themselves.

A shot lets through an amount that is proportional to its length and to a drive that depends on the
pressures: 1 for a supply that stays choked, p * psi(p_ambient / p) for the vent, after ISO 6358. The
constant of proportion is learned from groups of shots, so that neither the bore nor the supply pressure
needs to be known.
"""

from __future__ import annotations

_GROUP_SHOTS = 8
_FIRST_GROUP_SHOTS = 4
_LEAST_EXPECTED_BAR = 0.006
_WEAK = 0.25
_STRONG = 1.6
_REFERENCE_GROUPS = 4
_SHUTS_LATER_MS = 10.0


class ShotModel:
    """Learned pressure change per ms of shot and unit of drive.

    Attributes:
        rate: bar per (ms times drive).
        learned: whether any group has confirmed it yet.
        measured: `rate` by the last group alone.
        learned_at_ms: mean length of the shots that `rate` was learned from; 0 before any.
    """

    def __init__(self, first_guess: float) -> None:
        """Start with a guess that is too high rather than too low, so that the first shots are too short."""
        self.rate = first_guess
        self._sign = 1.0
        self.learned = False
        self.measured = first_guess
        self.learned_at_ms = 0.0
        self._good_groups = 0
        self._reference = 0.0
        self._shots = 0
        self._drive_ms = 0.0
        self._sum_ms = 0.0
        self._longest = False
        self._from_bar = 0.0

    def begin(self, pressure_bar: float, sign: float) -> None:
        """Start a group of shots at this pressure; what was gathered before is dropped.

        Args:
            pressure_bar: now, absolute.
            sign: +1 for shots that raise the pressure, -1 for those that lower it.
        """
        self._sign = sign
        self._shots = 0
        self._drive_ms = 0.0
        self._sum_ms = 0.0
        self._longest = True
        self._from_bar = pressure_bar

    def add(self, duration_ms: float, drive: float, longest: bool) -> None:
        """Count one shot; `longest` says that it was as long as a shot may be."""
        self._shots += 1
        self._drive_ms += duration_ms * drive
        self._sum_ms += duration_ms
        self._longest = self._longest and longest

    def judge(self, pressure_bar: float) -> float | None:
        """Close the group when it is large enough and learn from it.

        Returns:
            Measured over expected change, or None while the group is incomplete or shows nothing.
        """
        if self._shots < (_GROUP_SHOTS if self.learned else _FIRST_GROUP_SHOTS):
            return None
        expected_bar = self.rate * self._drive_ms
        if expected_bar < _LEAST_EXPECTED_BAR and not self._longest:
            return None
        ratio = self._sign * (pressure_bar - self._from_bar) / expected_bar if expected_bar > 0 else 1.0
        at_longest, mean_ms = self._longest, self._sum_ms / self._shots
        self.measured = self.rate * ratio
        self.begin(pressure_bar, self._sign)
        if ratio < _WEAK and (self.learned or at_longest):
            return ratio
        # Gas that still cools or warms from the last ramp moves the pressure too: small steps of learning.
        self.rate *= min(1.25, max(0.6, ratio)) if self.learned else min(2.0, max(0.4, ratio))
        if ratio >= _WEAK:
            self.learned = True
            self.learned_at_ms = mean_ms
        if 0.8 < ratio < 1.25 and self._good_groups < _REFERENCE_GROUPS:
            self._good_groups += 1
            self._reference = max(self._reference, self.rate)
        return ratio if at_longest or self.learned else None

    def effect(self, duration_ms: float) -> float:
        """Effect of a shot much longer or shorter than those learned from, in bar at a drive of 1.

        A valve shuts with more delay than it opens, which lengthens every shot by about the same time.
        """
        if not self.learned_at_ms:
            return self.rate * duration_ms
        own = self.learned_at_ms / (self.learned_at_ms + _SHUTS_LATER_MS)
        return self.rate * own * (duration_ms + _SHUTS_LATER_MS)

    def is_weak(self, ratio: float) -> bool:
        """Whether a group moved the pressure by less than a quarter of what it should have."""
        return ratio < _WEAK

    def is_strong(self) -> bool:
        """Whether a shot now does more than 1.6 times what it did at first."""
        return self._good_groups >= _REFERENCE_GROUPS and self.measured > _STRONG * self._reference
