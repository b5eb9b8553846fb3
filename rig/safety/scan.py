"""One tick's readings together with how long each has been what it is: all that an interlock may look at."""

from __future__ import annotations

from dataclasses import dataclass

from drivers.ports import ReadingStatus, ValveState
from rig.safety.drive_words import Drive
from rig.safety.set_point import Intent


@dataclass(slots=True)
class Scan:
    """The rig at one tick. Pressures are absolute bar; counts are of readings in a row.

    Attributes:
        t_s: from the start of the run, in seconds.
        gap_s: since the tick before, in seconds.
        suspended_s: how long the computer slept since the tick before, in seconds.
        intent, set_point_bar: copied from the set_point.
        pressure_bar, pressure_b_bar: the last good readings of the two gauges; None before the first.
        pressure_status, pressure_b_status: of the newest attempts.
        pressure_age_s, pressure_b_age_s: since the last good reading.
        same, same_b: bit-identical good readings.
        bad, bad_b: attempts without a good reading.
        apart: comparisons of the two gauges more than the allowed difference apart.
        apart_mean_bar: second gauge minus first, smoothed over some eight seconds.
        above, below: scans more than the allowed band above or below the set point.
        rate_bar_per_s: slope of the first gauge over the last two seconds.
        barometer_bar: last believed reading; None before the first.
        barometer_odd: readings in a row that no weather explains.
        barometer_bad: attempts without an answer.
        temperature_c: last good reading; None before the first.
        temperature_bad: attempts without a good reading.
        temperature_jump_k: change between the last two good readings.
        room_oxygen_percent: last good reading; None where the bench has no monitor or before the first.
        room_oxygen_bad: attempts without a good reading.
        valves: last read-back; None where the bench has no valve block or before the first.
        valve_failures: commands and read-backs without an answer.
        disobeyed: read-backs that contradict what was commanded.
        foreign_owner: read-backs of the owner register with another program's token.
        voltmeter_bad: scans without a single good reading.
        gas_used_l: litres at 1 bar let into the pot so far.
        drive: what moves the pressure; the same for a whole run.
        free_bytes: room for the record, looked at every few seconds; None where no disk is written to.
        weak_groups, strong_groups, kept_bar: copied from the set_point.
    """

    t_s: float = 0.0
    gap_s: float = 0.0
    suspended_s: float = 0.0
    intent: Intent = Intent.FREE
    set_point_bar: float | None = None
    pressure_bar: float | None = None
    pressure_b_bar: float | None = None
    pressure_status: ReadingStatus = ReadingStatus.NO_VALUE
    pressure_b_status: ReadingStatus = ReadingStatus.NO_VALUE
    pressure_age_s: float = 0.0
    pressure_b_age_s: float = 0.0
    same: int = 0
    same_b: int = 0
    bad: int = 0
    bad_b: int = 0
    apart: int = 0
    apart_mean_bar: float = 0.0
    above: int = 0
    below: int = 0
    rate_bar_per_s: float = 0.0
    barometer_bar: float | None = None
    barometer_odd: int = 0
    barometer_bad: int = 0
    temperature_c: float | None = None
    temperature_bad: int = 0
    temperature_jump_k: float = 0.0
    room_oxygen_percent: float | None = None
    room_oxygen_bad: int = 0
    valves: ValveState | None = None
    valve_failures: int = 0
    disobeyed: int = 0
    foreign_owner: int = 0
    voltmeter_bad: int = 0
    gas_used_l: float = 0.0
    drive: Drive = Drive.VALVES
    free_bytes: int | None = None
    weak_groups: int = 0
    strong_groups: int = 0
    kept_bar: float = 0.0

    @property
    def highest_bar(self) -> float | None:
        """The higher of the two gauges' last good readings."""
        if self.pressure_bar is None:
            return self.pressure_b_bar
        if self.pressure_b_bar is None:
            return self.pressure_bar
        return max(self.pressure_bar, self.pressure_b_bar)
