"""One tick's readings, each with how long it has lasted: all that an interlock may use."""

from __future__ import annotations

from dataclasses import dataclass, field

from drivers.ports import ReadingStatus, ValveState
from rig.safety.drive_words import Drive
from rig.safety.set_point import Intent


@dataclass(slots=True)
class GaugeState:
    """What one gauge reads; counts are of readings in a row.

    Attributes:
        pressure_bar: last good reading, absolute; None before the first.
        status: of the newest attempt.
        identical_readings: good readings that are equal to the last bit.
        failed_readings: attempts without a good reading.
        doubt: why its reading does not show that the pot is vented, as a clause; empty when it may.
    """

    pressure_bar: float | None = None
    status: ReadingStatus = ReadingStatus.NO_VALUE
    identical_readings: int = 0
    failed_readings: int = 0
    doubt: str = ""

    @property
    def newest_bar(self) -> float | None:
        """The reading of the newest attempt, absolute bar; None where that gave none."""
        return None if self.failed_readings else self.pressure_bar

    def take(self, pressure_bar: float) -> None:
        """Take in a good reading, absolute bar."""
        identical = pressure_bar == self.pressure_bar
        self.identical_readings = self.identical_readings + 1 if identical else 1
        self.pressure_bar = pressure_bar
        self.status = ReadingStatus.OK
        self.failed_readings = 0

    def fail(self, status: ReadingStatus) -> None:
        """Take in an attempt that gave no good reading."""
        self.failed_readings += 1
        self.status = status


@dataclass(slots=True)
class Scan:
    """The rig at one tick. Pressures are absolute bar; counts are of readings or scans in a row.

    Attributes:
        t_s: from the start of the run, in seconds.
        gap_s: since the tick before, in seconds.
        suspended_s: how long the computer slept since the tick before, in seconds.
        intent, set_point_bar: copied from the set point.
        gauge: the gauge that all pressures are taken from.
        second_gauge: compared with the first; stays at its defaults where a bench has none.
        pressure_age_s: since the last good reading of the gauge.
        scans_apart: comparisons of the two gauges more than the allowed difference apart.
        apart_mean_bar: second gauge minus first, smoothed over some eight seconds.
        scans_above_set_point, scans_below_set_point: scans more than the allowed band off the set point.
        rate_bar_per_s: slope of the gauge over the last two seconds.
        barometer_bar: last believed reading; None before the first.
        barometer_odd: readings in a row that no weather explains.
        barometer_bad: attempts without an answer.
        temperature_c: last good reading; None before the first.
        temperature_bad: attempts without a good reading.
        temperature_jump_k: change between the last two good readings.
        room_oxygen_percent: last good reading; None where the bench has no monitor or before the first.
        room_oxygen_bad: attempts without a good reading.
        valves: last read-back; None where the bench has no valve block or before the first.
        valve_failures: exchanges with the valve block, or the controller, that failed although repeated.
        valve_answers: how many of those were answered all the same, with "busy" or a refusal.
        valve_error: what was wrong with the newest of those.
        valves_unheard_s: since the last good exchange with the valve block.
        valves_patience_s: longest time without one, and longest time without a heartbeat that was taken.
        beating: whether heartbeats are written now.
        unfed_s: since the valve block last took a heartbeat; 0 where none is written.
        beat_error: what it answered to the newest heartbeat instead of taking it.
        disobeyed: read-backs that contradict what was commanded.
        foreign_owner: read-backs of the owner register with another program's token.
        foreign_token: the token read there last.
        drop_ordered: the outputs have been ordered to drop, and nothing was energised by this program since.
        drop_shown: the newest read-back shows that no output is energised.
        drop_unseen_s: since that order without a read-back that shows it; 0 where it shows it.
        voltmeter_bad: scans without a single good reading.
        cells_over_bar: how far above ambient the cells show the pot to be; None where they show nothing.
        cells_watch: whether enough cells with a fresh reference are read to contradict the gauges.
        scans_alike: the voltmeter's scans with the same numbers on every socket; 1 where the newest differs
            from the one before.
        scans_differed_s: when the last scan was taken that differed from the one before.
        scans_alike_over_bar: how far the pressure has moved since that scan.
        cells_reading: sockets of the newest scan with more than a millivolt.
        voltmeter_varies: whether the voltmeter's noise has been seen above its digits in this run.
        gas_used_l: litres at 1 bar let into the pot so far.
        drive: what moves the pressure; the same for a whole run.
        free_bytes: room for the record, looked at every few seconds; None where no disk is written to.
        weak_groups, strong_groups, kept_bar: copied from the set point.
    """

    t_s: float = 0.0
    gap_s: float = 0.0
    suspended_s: float = 0.0
    intent: Intent = Intent.FREE
    set_point_bar: float | None = None
    gauge: GaugeState = field(default_factory=GaugeState)
    second_gauge: GaugeState = field(default_factory=GaugeState)
    pressure_age_s: float = 0.0
    scans_apart: int = 0
    apart_mean_bar: float = 0.0
    scans_above_set_point: int = 0
    scans_below_set_point: int = 0
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
    valve_answers: int = 0
    valve_error: str = ""
    valves_unheard_s: float = 0.0
    valves_patience_s: float = 1.0
    beating: bool = False
    unfed_s: float = 0.0
    beat_error: str = ""
    disobeyed: int = 0
    foreign_owner: int = 0
    foreign_token: int = 0
    drop_ordered: bool = False
    drop_shown: bool = False
    drop_unseen_s: float = 0.0
    voltmeter_bad: int = 0
    cells_over_bar: float | None = None
    cells_watch: bool = False
    scans_alike: int = 0
    scans_differed_s: float = 0.0
    scans_alike_over_bar: float = 0.0
    cells_reading: int = 0
    voltmeter_varies: bool = False
    gas_used_l: float = 0.0
    drive: Drive = Drive.VALVES
    free_bytes: int | None = None
    weak_groups: int = 0
    strong_groups: int = 0
    kept_bar: float = 0.0

    @property
    def pressure_bar(self) -> float | None:
        """The last good reading of the gauge; None before the first."""
        return self.gauge.pressure_bar

    @property
    def voltmeter_repeats(self) -> bool:
        """Whether the newest scan may be an old one: it equals the one before, and its noise should not."""
        return self.voltmeter_varies and self.scans_alike > 1

    @property
    def highest_bar(self) -> float | None:
        """The higher of the two gauges' last good readings."""
        first_bar, second_bar = self.gauge.pressure_bar, self.second_gauge.pressure_bar
        if first_bar is None or second_bar is None:
            return second_bar if first_bar is None else first_bar
        return max(first_bar, second_bar)
