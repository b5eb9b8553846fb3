"""Reads a bench's instruments tick by tick. Pressure comes first, and nothing else may hold it up.

The voltmeter's scan is started in one tick and collected in a later one. An instrument's failure becomes a
status beside a blank value and a count in the scan; no value is invented and no exception is raised.
"""

from __future__ import annotations

import math
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from drivers.errors import DriverError
from drivers.ports import (
    Barometer,
    PressureGauge,
    ReadingStatus,
    RoomOxygenMonitor,
    Thermometer,
    Voltmeter,
)
from grading.record.format import Reading
from rig.loop.repeated_scans import RepeatedScans
from rig.loop.schedule import Schedule
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import Intent, SetPoint

SECOND_GAUGE_EVERY = 2
_RATE_OVER_S = 2.0
_THERMOMETER_EVERY_S = 1.0
_BAROMETER_EVERY_S = 10.0
_ROOM_OXYGEN_EVERY_S = 2.0
_MEASURE_EVERY_S = 0.4
_WATCH_EVERY_S = 1.0
_WEATHER_BAR = 0.004
_GIVE_UP_BAD = 5
_READS_MV = 1.0
_AT_REST = (Intent.KEEP, Intent.OPEN)
_SMOOTHING = 0.05
"""Of the gauges' difference: a mean over the last twenty readings of the second gauge, some eight seconds."""
_OK, _OVER, _UNDER = ReadingStatus.OK, ReadingStatus.OVER, ReadingStatus.UNDER


@dataclass(frozen=True, slots=True)
class Instruments:
    """The instruments that are read; None where a bench has none, and a gauge that a person reads."""

    gauge: PressureGauge | None
    voltmeter: Voltmeter | None = None
    second_gauge: PressureGauge | None = None
    thermometer: Thermometer | None = None
    barometer: Barometer | None = None
    room_oxygen: RoomOxygenMonitor | None = None


@dataclass(slots=True)
class TickReadings:
    """What one tick read, ready for a row of the record. None: not scheduled in this tick."""

    pressure: Reading | None = None
    pressure_b: Reading | None = None
    barometer: Reading | None = None
    temperature: Reading | None = None
    output_mv: dict[int, Reading] | None = None


class Acquisition:
    """The only reader of a bench's instruments; called from one thread, once a tick.

    Attributes:
        scan: the newest scan.
        row: the newest readings for the record.
    """

    def __init__(
        self,
        instruments: Instruments,
        schedule: Schedule,
        set_point: SetPoint,
        limits: SafetyLimits,
        sockets: Sequence[int],
        suspended: Callable[[], float] | None = None,
        coarse_gauge: bool = False,
        coarse_second_gauge: bool = False,
    ) -> None:
        """Read a bench.

        Args:
            instruments: to read.
            schedule: of the run.
            set_point: of the run.
            limits: of the run.
            sockets: of the voltmeter that are read; others are left out.
            suspended: returns for how long the computer has slept, in seconds.
            coarse_gauge: the gauge's digits are so coarse that equal readings are no sign of a stuck one; it
                is compared with the other one all the same.
            coarse_second_gauge: the same of the second gauge.
        """
        self._gauge = instruments.gauge
        self._second = instruments.second_gauge
        self._voltmeter = instruments.voltmeter
        self._thermometer = instruments.thermometer
        self._barometer = instruments.barometer
        self._room_oxygen = instruments.room_oxygen
        self._schedule = schedule
        self._since_start_s = schedule.since_start_s
        self._set_point = set_point
        self._lowest_bar, self._highest_bar = limits.lowest_gauge_bar, limits.highest_gauge_bar
        self._apart_bar, self._off_set_point_bar = limits.gauges_apart_bar, limits.off_set_point_bar
        self._sockets = frozenset(sockets)
        self._suspended = suspended or suspended_s
        self._suspended_before_s = self._suspended()
        interval_s = schedule.interval_s
        self._thermometer_every = max(1, round(_THERMOMETER_EVERY_S / interval_s))
        self._room_oxygen_every = max(1, round(_ROOM_OXYGEN_EVERY_S / interval_s))
        self._barometer_every = max(1, round(_BAROMETER_EVERY_S / interval_s))
        self._trail: deque[tuple[float, float]] = deque(maxlen=max(2, round(_RATE_OVER_S / interval_s) + 1))
        self.scan = Scan()
        self.row = TickReadings()
        self._measure_every = max(1, round(_MEASURE_EVERY_S / interval_s))
        self._watch_every = max(1, round(_WATCH_EVERY_S / interval_s))
        self._voltmeter_every = self._measure_every
        self._begun_s: float | None = None
        self._repeated = RepeatedScans()
        self._differed_bar: float | None = None
        self._last_good_s = 0.0
        self._coarse_gauge, self._coarse_second = coarse_gauge, coarse_second_gauge
        self._typed_bar: float | None = None
        self._typed_barometer_bar: float | None = None

    def read_pressures(self) -> Scan:
        """Read the gauges and update the scan; the first action of a tick."""
        schedule, scan, set_point = self._schedule, self.scan, self._set_point
        now_s = schedule.now_s
        scan.gap_s = now_s - scan.t_s
        scan.t_s = now_s
        suspended = self._suspended()
        scan.suspended_s = suspended - self._suspended_before_s
        self._suspended_before_s = suspended
        scan.intent = set_point.intent
        scan.set_point_bar = set_point.now_bar
        scan.weak_groups = set_point.weak_groups
        scan.strong_groups = set_point.strong_groups
        scan.kept_bar = set_point.kept_bar
        row = self.row = TickReadings()
        row.pressure = self._typed() if self._gauge is None else self._read_first(self._gauge, now_s)
        if self._second is not None and schedule.tick % SECOND_GAUGE_EVERY == 0:
            row.pressure_b = self._read_second(self._second, now_s)
        self._judge_set_point()
        return scan

    def read_slowly(self) -> None:
        """Read everything that may wait until the pressure has been checked."""
        tick = self._schedule.tick
        if self._voltmeter is not None:
            self._serve_voltmeter(self._voltmeter, tick)
        if self._thermometer is not None and tick % self._thermometer_every == 1 % self._thermometer_every:
            self.row.temperature = self._read_temperature(self._thermometer)
        if tick % self._barometer_every == 3 % self._barometer_every:
            if self._barometer is not None:
                self.row.barometer = self._read_barometer(self._barometer)
            elif self._typed_barometer_bar is not None:
                self.row.barometer = Reading(self._typed_barometer_bar)
        if self._room_oxygen is not None and tick % self._room_oxygen_every == 0:
            self._read_room_oxygen(self._room_oxygen)

    def raw_pressures_bar(self) -> dict[str, float | DriverError]:
        """Read every gauge by its name, plausible or not; for the vented-zero check."""
        raw: dict[str, float | DriverError] = {}
        for gauge in (self._gauge, self._second):
            if gauge is not None:
                try:
                    raw[gauge.name] = gauge.read_pressure_bar()
                except DriverError as error:
                    raw[gauge.name] = error
        return raw

    def read_barometer_now(self) -> None:
        """Read the barometer and the thermometer out of turn, before the first tick."""
        if self._barometer is not None:
            self._read_barometer(self._barometer)
        if self._thermometer is not None:
            self._read_temperature(self._thermometer)

    @property
    def pressure_is_typed(self) -> bool:
        """Whether a person reads the gauge, so that the pressure is not known between two readings."""
        return self._gauge is None

    def put_pressure(self, pressure_bar: float) -> None:
        """Take a pressure that a person has read and typed, absolute bar, into the scan and the next row."""
        self._typed_bar = pressure_bar
        self.scan.gauge.pressure_bar = pressure_bar
        self.scan.gauge.status = _OK

    def forget_pressure(self) -> None:
        """Treat the pressure as unknown until it is typed again: a person is turning a valve."""
        self._typed_bar = None
        self.scan.gauge.pressure_bar = None

    def put_barometer(self, barometer_bar: float) -> None:
        """Take a barometer reading that a person has typed, in bar; it holds for the whole run."""
        self._typed_barometer_bar = barometer_bar
        self.scan.barometer_bar = barometer_bar

    def measure_closely(self, closely: bool) -> None:
        """Read the voltmeter as often as a measurement needs, or only to watch the cells."""
        self._voltmeter_every = self._measure_every if closely else self._watch_every

    def _typed(self) -> Reading | None:
        """The pressure that was typed since the last tick, if any."""
        typed_bar, self._typed_bar = self._typed_bar, None
        return None if typed_bar is None else Reading(typed_bar)

    def _read_first(self, gauge: PressureGauge, now_s: float) -> Reading:
        scan = self.scan
        value, status = self._read_gauge(gauge, scan.gauge)
        read_s = self._since_start_s()
        if value is None:
            scan.pressure_age_s = read_s - self._last_good_s
        else:
            if self._coarse_gauge:
                scan.gauge.identical_readings = 1
            self._last_good_s = read_s
            scan.pressure_age_s = 0.0
            trail = self._trail
            trail.append((now_s, value))
            first_s, first_bar = trail[0]
            since_s = now_s - first_s
            scan.rate_bar_per_s = (value - first_bar) / since_s if since_s >= 1.0 else 0.0
        return Reading(value, str(status), 0.5 * (read_s - now_s))

    def _read_second(self, gauge: PressureGauge, now_s: float) -> Reading:
        scan = self.scan
        begun_s = self._since_start_s()
        value, status = self._read_gauge(gauge, scan.second_gauge)
        if value is not None and self._coarse_second:
            scan.second_gauge.identical_readings = 1
        if value is not None and scan.gauge.newest_bar is not None:
            difference_bar = value - scan.gauge.newest_bar
            scan.scans_apart = scan.scans_apart + 1 if abs(difference_bar) > self._apart_bar else 0
            scan.apart_mean_bar += _SMOOTHING * (difference_bar - scan.apart_mean_bar)
        return Reading(value, str(status), 0.5 * (begun_s + self._since_start_s()) - now_s)

    def _read_gauge(self, gauge: PressureGauge, state: GaugeState) -> tuple[float | None, ReadingStatus]:
        """Read one gauge once and update its state."""
        try:
            value = gauge.read_pressure_bar()
            status = self._status_of(value)
        except DriverError as error:
            status = error.status
        if status is not _OK:
            state.fail(status)
            return None, status
        state.take(value)
        return value, status

    def _status_of(self, pressure_bar: float) -> ReadingStatus:
        """The status of a reading, which may be invalid."""
        if self._lowest_bar <= pressure_bar <= self._highest_bar:
            return _OK
        if math.isnan(pressure_bar):
            return ReadingStatus.NO_VALUE
        return _OVER if pressure_bar > self._highest_bar else _UNDER

    def _judge_set_point(self) -> None:
        scan = self.scan
        set_point_bar, pressure_bar = scan.set_point_bar, scan.pressure_bar
        if set_point_bar is None or pressure_bar is None or scan.intent is Intent.FLOW:
            scan.scans_above_set_point = scan.scans_below_set_point = 0
            return
        if scan.gauge.failed_readings:
            return
        off_bar, band_bar = pressure_bar - set_point_bar, self._off_set_point_bar
        scan.scans_above_set_point = scan.scans_above_set_point + 1 if off_bar > band_bar else 0
        scan.scans_below_set_point = scan.scans_below_set_point + 1 if off_bar < -band_bar else 0

    def _serve_voltmeter(self, voltmeter: Voltmeter, tick: int) -> None:
        scan = self.scan
        if self._begun_s is not None:
            waited_s = self._since_start_s() - self._begun_s
            if waited_s < voltmeter.scan_duration_s:
                return
            self._collect(voltmeter, self._begun_s)
            self._begun_s = None
        if tick % (self._voltmeter_every if scan.voltmeter_bad < _GIVE_UP_BAD else self._watch_every):
            return
        try:
            begun_s = self._since_start_s()
            voltmeter.begin_scan()
        except DriverError as error:
            self._voltmeter_failed(error)
        else:
            self._begun_s = begun_s

    def _collect(self, voltmeter: Voltmeter, begun_s: float) -> None:
        scan, now_s = self.scan, self._schedule.now_s
        try:
            readings = voltmeter.collect_scan()
        except DriverError as error:
            self._voltmeter_failed(error)
            return
        output: dict[int, Reading] = {}
        any_good = False
        refresh_s = 0.0
        for reading in readings:
            socket, output_mv = reading.socket, reading.output_mv
            if socket not in self._sockets:
                continue
            offset_s = begun_s + reading.offset_s - now_s
            if output_mv is not None and reading.status is _OK:
                any_good = True
                refresh_s = max(refresh_s, 2.0 * reading.half_width_s)
                output[socket] = Reading(output_mv, "ok", offset_s)
            else:
                output[socket] = Reading(None, str(reading.status), offset_s)
        scan.voltmeter_bad = 0 if any_good else scan.voltmeter_bad + 1
        self.row.output_mv = output
        self._look_for_repeats(begun_s, output, refresh_s)

    def _look_for_repeats(self, begun_s: float, output: dict[int, Reading], refresh_s: float) -> None:
        scan, repeated = self.scan, self._repeated
        good_mv = {socket: reading.value for socket, reading in output.items() if reading.value is not None}
        repeated.take(begun_s, good_mv, refresh_s, at_rest=scan.intent in _AT_REST)
        scan.cells_reading = sum(abs(mv) > _READS_MV for mv in good_mv.values())
        scan.scans_alike, scan.voltmeter_varies = repeated.alike, repeated.varies
        scan.scans_differed_s = repeated.live_s
        if repeated.alike <= 1 or self._differed_bar is None:
            self._differed_bar = scan.pressure_bar
        if self._differed_bar is not None and scan.pressure_bar is not None:
            scan.scans_alike_over_bar = abs(scan.pressure_bar - self._differed_bar)

    def _voltmeter_failed(self, error: DriverError) -> None:
        self.scan.voltmeter_bad += 1
        status = str(error.status)
        self.row.output_mv = {socket: Reading(None, status) for socket in self._sockets}

    def _read_temperature(self, thermometer: Thermometer) -> Reading:
        scan = self.scan
        try:
            value = thermometer.read_temperature_c()
        except DriverError as error:
            scan.temperature_bad += 1
            return Reading(None, str(error.status))
        if not -50.0 < value < 150.0:
            scan.temperature_bad += 1
            return Reading(None, "over" if value > 0 else "under")
        scan.temperature_jump_k = 0.0 if scan.temperature_c is None else value - scan.temperature_c
        scan.temperature_c = value
        scan.temperature_bad = 0
        return Reading(value)

    def _read_room_oxygen(self, monitor: RoomOxygenMonitor) -> None:
        try:
            self.scan.room_oxygen_percent = monitor.read_oxygen_percent()
        except DriverError:
            self.scan.room_oxygen_bad += 1
        else:
            self.scan.room_oxygen_bad = 0

    def _read_barometer(self, barometer: Barometer) -> Reading:
        scan = self.scan
        try:
            value = barometer.read_barometer_bar()
        except DriverError as error:
            if error.status in (ReadingStatus.TIMEOUT, ReadingStatus.LINK_DOWN):
                scan.barometer_bad += 1
            else:
                scan.barometer_odd += 1
            return Reading(None, str(error.status))
        scan.barometer_bad = 0
        if not 0.0 < value < 2.0:
            scan.barometer_odd += 1
            return Reading(None, "over" if value > 0 else "under")
        if scan.barometer_bar is not None and abs(value - scan.barometer_bar) > _WEATHER_BAR:
            # No weather does that; ambient pressure stays at the last accepted reading.
            scan.barometer_odd += 1
            return Reading(value)
        scan.barometer_odd = 0
        scan.barometer_bar = value
        return Reading(value)


def suspended_s() -> float:
    """How long this computer has slept since it started, in seconds; 0 where it is not known."""
    boot = getattr(time, "CLOCK_BOOTTIME", None)
    if boot is None:
        return 0.0
    return time.clock_gettime(boot) - time.monotonic()
