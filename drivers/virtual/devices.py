"""The instruments of the virtual bench, each as its maker would have built it, without its wire.

A device answers at the bench's present instant. What its wire does (SCPI text, Modbus registers, plain port
objects) is laid on top elsewhere, so that a reading is the same however it is fetched.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from math import sqrt
from typing import TYPE_CHECKING, Literal

from drivers.virtual.noise import WhiteNoise, stream_of

if TYPE_CHECKING:
    from drivers.virtual.bench import Bench
    from drivers.virtual_spec import VirtualInstrument

OVERLOAD = 9.9e37
NO_VALUE = 9.91e37
MAINS_HZ = 50
LONGEST_SHOT_MS = 500
CONVERSION_US = 50_000

SENSOR_FAULT_BIT = 1
OVER_RANGE_BIT = 2
UNDER_RANGE_BIT = 4

UNIT_BAR_ABSOLUTE = 1

Permit = Literal["ok", "not armed", "out of range", "not shut"]
ControlMode = Literal["measure", "control", "vent"]


_FLOAT32 = struct.Struct(">f")


def as_float32(value: float) -> float:
    """The number that survives a 32-bit float register."""
    number: float = _FLOAT32.unpack(_FLOAT32.pack(value))[0]
    return number


class Device:
    """What every instrument of the bench has.

    Attributes:
        bench, pot: that it stands on and is screwed to.
        name, role, serial: as in the bench file.
        deadline_s: how long the rig waits for an answer, in seconds.
        mute: takes requests and never answers.
        down: drops every connection.
        latency_s: answers that much later, in seconds.
    """

    model = ""

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument, serial: str) -> None:
        self.bench = bench
        self.pot = bench.pot
        self.name = name
        self.role = instrument.role
        self.serial = instrument.serial or serial
        self.deadline_s = instrument.deadline_s
        self.mute = False
        self.down = False
        self.latency_s = 0.0


class GaugeDevice(Device):
    """Absolute pressure transmitter: 20 conversions a second, each 20 ms behind the gas.

    Its own errors are drawn once: gain 0.03 %, zero 0.4 mbar, non-linearity 0.01 % (standard deviations).

    Attributes:
        held: a value it is stuck at, in bar, or None.
        offset_bar: added error. drift_bar_per_s, drift_from_us: growing error.
        unit_per_bar, gauge_unit: what it shows per bar, and whether it shows gauge pressure; its unit
            register still says bar absolute.
        override: a number it shows whatever the pressure (NaN, 9.9e37), or None.
        status: status bits. swapped_words: little-endian word order.
    """

    model = "TW-PT4"
    span_bar = 4.0

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(bench.spec.seed, f"gauge {name}")
        super().__init__(bench, name, instrument, f"TWP-{stream.randrange(10_000):04d}")
        self._gain = 1.0 + _bounded(stream.gauss(0.0, 1.0)) * 3e-4
        self._zero_bar = _bounded(stream.gauss(0.0, 1.0)) * 4e-4
        self._bend = _bounded(stream.gauss(0.0, 1.0)) * 1e-4
        self._noise = WhiteNoise(stream)
        self._conversion = -1
        self._value = 0.0
        self.held: float | None = None
        self.offset_bar = 0.0
        self.drift_bar_per_s = 0.0
        self.drift_from_us = 0
        self.unit_per_bar = 1.0
        self.gauge_unit = False
        self.override: float | None = None
        self.status = 0
        self.swapped_words = False

    @property
    def conversions(self) -> int:
        """Conversions since power-on."""
        return self.pot.now_us // CONVERSION_US

    def read(self) -> float:
        """The last conversion, in bar (or in whatever unit it is wrongly set to), as a 32-bit float."""
        if self.override is not None:
            return self.override
        if self.held is not None:
            return self.held
        conversion = self.pot.now_us // CONVERSION_US
        if conversion != self._conversion:
            self._conversion = conversion
            self._value = self._convert(conversion)
        return self._value

    def body_temperature_c(self) -> float:
        """Temperature of its body, in degrees Celsius."""
        return as_float32(self.pot.wall_k - 273.15 + 1.5)

    def forget_conversion(self) -> None:
        """Convert afresh at the next reading, after a fault has changed something."""
        self._conversion = -1

    def freeze(self) -> None:
        """Get stuck at the present value."""
        self.held = self.read()

    def true_bar(self, at_us: int) -> float:
        """The pressure at its port, in bar."""
        return self.pot.pressure_at(at_us)

    def _convert(self, conversion: int) -> float:
        at_us = conversion * CONVERSION_US
        true_bar = self.true_bar(at_us - 20_000)
        part = true_bar / self.span_bar
        shown_bar = (
            true_bar * (self._gain + self._bend * 4.0 * part * (1.0 - part))
            + self._zero_bar
            + 1e-4 * self._noise.at(conversion)
            + self.offset_bar
        )
        if self.drift_bar_per_s:
            shown_bar += self.drift_bar_per_s * (at_us - self.drift_from_us) * 1e-6
        if self.gauge_unit:
            shown_bar -= self.pot.room_pressure_bar
        return as_float32(shown_bar * self.unit_per_bar)


class BarometerDevice(GaugeDevice):
    """The same transmitter, open to the room."""

    model = "TW-PB1"

    def true_bar(self, at_us: int) -> float:
        """Pressure of the room, in bar."""
        del at_us
        return self.pot.room_pressure_bar


class ThermometerDevice(Device):
    """Thermometer with its probe in the pot's gas; 20 s behind it.

    Attributes:
        error_k: added error. override: a number it shows whatever the temperature, or None.
    """

    model = "TW-T2"

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(bench.spec.seed, f"thermometer {name}")
        super().__init__(bench, name, instrument, f"TWT-{stream.randrange(10_000):04d}")
        self._offset_k = _bounded(stream.gauss(0.0, 1.0)) * 0.1
        self._noise = WhiteNoise(stream)
        self.error_k = 0.0
        self.override: float | None = None

    def read(self) -> float:
        """Temperature in degrees Celsius, to a millikelvin."""
        if self.override is not None:
            return self.override
        true_c = self.pot.probe_k - 273.15
        noise_k = 0.008 * self._noise.at(self.pot.now_us // 10_000)
        return round(true_c + self._offset_k + self.error_k + noise_k, 3)


class RoomOxygenDevice(Device):
    """Monitor of the room's oxygen. The room of the virtual bench is aired: it stays at 20.9 %.

    Attributes:
        override: a number it shows whatever the room holds, in percent, or None.
    """

    model = "TW-RO1"

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(bench.spec.seed, f"room oxygen {name}")
        super().__init__(bench, name, instrument, f"TWR-{stream.randrange(10_000):04d}")
        self._offset = _bounded(stream.gauss(0.0, 1.0)) * 0.1
        self._noise = WhiteNoise(stream)
        self.override: float | None = None

    def read(self) -> float:
        """Oxygen in percent by volume, to a hundredth."""
        if self.override is not None:
            return self.override
        return round(20.9 + self._offset + 0.02 * self._noise.at(self.bench.now_us // 10_000), 2)


class ControllerDevice(GaugeDevice):
    """Electronic pressure controller: its own gauge, a ramp, proportional valves; vents at power-on.

    Attributes:
        set_bar: set point, absolute. ramp_bar_per_min: how fast it goes there.
        mode: "measure" (both valves shut), "control" or "vent".
        deaf: takes commands and does nothing.
    """

    model = "TW-PC3"
    lowest_bar = 0.0
    highest_bar = 4.0
    most_ramp_bar_per_min = 10.0

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        super().__init__(bench, name, instrument)
        self.set_bar = 1.0
        self.ramp_bar_per_min = 0.5
        self.mode: ControlMode = "vent"
        self.deaf = False

    def set_pressure(self, pressure_bar: float) -> Permit:
        """Take a set point, in bar."""
        if not self.lowest_bar <= pressure_bar <= self.highest_bar:
            return "out of range"
        if not self.deaf:
            self.set_bar = pressure_bar
            self.pot.controlled_set_bar = pressure_bar
        return "ok"

    def set_ramp(self, ramp_bar_per_min: float) -> Permit:
        """Take a ramp, in bar/min."""
        if not 0.0 < ramp_bar_per_min <= self.most_ramp_bar_per_min:
            return "out of range"
        if not self.deaf:
            self.ramp_bar_per_min = ramp_bar_per_min
            self.pot.controlled_ramp_bar_per_s = ramp_bar_per_min / 60.0
        return "ok"

    def set_mode(self, mode: ControlMode) -> Permit:
        """Measure, control or vent; control starts its ramp at the pressure as it is."""
        if self.deaf:
            return "ok"
        pot = self.pot
        if mode == "control" and self.mode != "control":
            pot.controlled_bar = pot.pressure_bar
            pot.controlled_set_bar = self.set_bar
            pot.controlled_ramp_bar_per_s = self.ramp_bar_per_min / 60.0
        elif mode != "control":
            pot.controlled_bar = None
        self.mode = mode
        pot.set_valves(supply_open=False, vent_open=mode == "vent")
        return "ok"


class MillivoltDevice(Device):
    """Eight-channel millivolt module that converts by itself, ten times a second, all channels at once."""

    model = "TW-MV8"
    channels = tuple(range(1, 9))
    update_us = 100_000

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(bench.spec.seed, f"millivolts {name}")
        super().__init__(bench, name, instrument, f"TWM-{stream.randrange(10_000):04d}")
        self._gain = 1.0 + _bounded(stream.gauss(0.0, 1.0)) * 1e-4
        self._zero_mv = _bounded(stream.gauss(0.0, 1.0)) * 3e-3
        self._noise = WhiteNoise(stream)
        self._update = -1
        self._values: tuple[float, ...] = ()
        self.override: float | None = None

    def read(self) -> tuple[float, ...]:
        """Millivolts of the last conversion, as 32-bit floats."""
        if self.override is not None:
            return tuple(self.override for _ in self.channels)
        update = self.pot.now_us // self.update_us
        if update != self._update:
            self._update = update
            self._values = tuple(self._convert(channel, update) for channel in self.channels)
        return self._values

    def _convert(self, channel: int, update: int) -> float:
        noise = self._noise.at(update * 8 + channel)
        cell = self.bench.cells.get(channel)
        value_mv = 1.5 * noise if cell is None else cell.output_mv(update * self.update_us)
        return as_float32(value_mv * self._gain + self._zero_mv + 0.003 * noise)


class ScannerDevice(Device):
    """Scanning voltmeter, eight channels, one after another; integrates whole mains periods.

    Channel c reads socket c - 100. Channel k of a scan is read at the start + (k + 1/2) nplc mains periods,
    plus the channel delay, twice as slow with autozero.

    Attributes:
        nplc: aperture in mains periods. range_v: fixed range in volts, 0 for automatic.
        scan_list: channels of the scan. refuses: error number with which INIT is refused, or 0.
        override: a number shown on every channel, or None.
    """

    model = "TW-8"
    channels = tuple(range(101, 109))
    ranges_v = (0.1, 1.0, 10.0)

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(bench.spec.seed, f"scanner {name}")
        super().__init__(bench, name, instrument, f"TW-8-{stream.randrange(10_000):04d}")
        self._gain = 1.0 + _bounded(stream.gauss(0.0, 1.0)) * 8e-5
        self._zero_mv = _bounded(stream.gauss(0.0, 1.0)) * 2e-3
        self._noise = WhiteNoise(stream)
        self.refuses = 0
        self.override: float | None = None
        self.closed_channel = 0
        self.reset()

    def reset(self) -> None:
        """Settings of power-on."""
        self.nplc = 1.0
        self.range_v = 0.0
        self.autozero = False
        self.scan_list: tuple[int, ...] = (101,)
        self._scan_from_us = -1
        self._scanned: tuple[int, ...] = ()
        self._volts: tuple[float, ...] | None = None
        self._channel_us = 0
        self._aperture_us = 0
        self._noise_mv = 0.0

    def configure(self) -> None:
        """Back to one mains period, automatic range and no autozero, as CONF does."""
        self.nplc, self.range_v, self.autozero = 1.0, 0.0, False

    @property
    def busy_s(self) -> float:
        """How long the scan in progress still takes, in seconds."""
        if self._scan_from_us < 0 or self._volts is not None:
            return 0.0
        end_us = self._scan_from_us + len(self._scanned) * self._channel_us
        return max(0, end_us - self.pot.now_us) * 1e-6

    @property
    def has_scan(self) -> bool:
        """Whether a scan has been started since power-on."""
        return self._scan_from_us >= 0

    def start(self, channels: tuple[int, ...] = ()) -> None:
        """Start a scan of `channels`, or of the scan list."""
        self._aperture_us = round(self.nplc * 1e6 / MAINS_HZ)
        self._channel_us = self._aperture_us * (2 if self.autozero else 1)
        self._noise_mv = 0.0015 / sqrt(self.nplc)
        self._scan_from_us = self.pot.now_us
        self._scanned = channels or self.scan_list
        self._volts = None

    def fetch(self) -> tuple[float, ...]:
        """Volts of the scan started last, which must be over."""
        if self._volts is None:
            first_us = self._scan_from_us + self._aperture_us // 2
            self._volts = tuple(
                [
                    self._volts_of(channel, first_us + index * self._channel_us)
                    for index, channel in enumerate(self._scanned)
                ]
            )
        return self._volts

    def _volts_of(self, channel: int, at_us: int) -> float:
        if self.override is not None:
            return self.override
        noise = self._noise.at(at_us // 1000)
        cell = self.bench.cells.get(channel - 100)
        # An open input drifts about; its own noise is what a socket without a cell shows.
        value_mv = 1.5 * noise if cell is None else cell.output_mv(at_us)
        value_mv = value_mv * self._gain + self._zero_mv + self._noise_mv * noise
        volts = value_mv * 1e-3
        limit_v = 1.2 * (self.range_v or self.ranges_v[-1])
        if volts > limit_v:
            return OVERLOAD
        if volts < -limit_v:
            return -OVERLOAD
        return round(volts, 7)


class ValveDevice(Device):
    """Valve block: supply (normally closed), vent (normally open), device-timed shots, watchdog, inputs.

    Nothing energises before a heartbeat has been seen. When the heartbeat stops changing, or when the
    pressure switch opens, every output drops and stays so until all outputs are de-energised by command; then
    a changing heartbeat is needed anew.

    Attributes:
        deaf: takes writes and does nothing (command not obeyed). beat_deaf: does not see heartbeats.
        watchdog_dead: it looks alive and never trips.
        stretch: a shot lasts this many times its length.
        lid_switch_closed: what the lid switch says.
    """

    model = "TW-VB2"

    def __init__(self, bench: Bench, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(bench.spec.seed, f"valves {name}")
        super().__init__(bench, name, instrument, f"TWV-{stream.randrange(10_000):04d}")
        self._stream = stream
        self.supply_on = False
        self.vent_on = False
        self.heartbeat = 0
        self.armed = False
        self.watchdog_tripped = False
        self.owner = 0
        self.shots = 0
        self.deaf = False
        self.beat_deaf = False
        self.stretch = 1.0
        self.lid_switch_closed = True
        self.watchdog_dead = False
        self._beat_us = 0
        self._watching = False
        self._supply_turn = 0
        self._vent_turn = 0
        self._supply_moves_us = 0
        self._vent_moves_us = 0
        bench.pot.on_switch = self._drop

    @property
    def watchdog_ms(self) -> int:
        """Watchdog time in ms, 0 without one."""
        watchdog_s = self.bench.spec.watchdog_s
        return 0 if watchdog_s is None else round(watchdog_s * 1e3)

    @property
    def live(self) -> bool:
        """Whether outputs may be energised."""
        return self.armed and not self.watchdog_tripped and not self.pot.switch_tripped

    @property
    def outputs(self) -> int:
        """Output bits: 0 supply energised, 1 vent energised (shut)."""
        return (1 if self.supply_on else 0) | (2 if self.vent_on else 0)

    @property
    def inputs(self) -> int:
        """Input bits: 0 lid closed, 1 watchdog tripped, 2 pressure switch tripped."""
        return (
            (1 if self.lid_switch_closed else 0)
            | (2 if self.watchdog_tripped else 0)
            | (4 if self.pot.switch_tripped else 0)
        )

    def shoot_supply(self, duration_ms: int) -> Permit:
        """Open the supply for `duration_ms`."""
        if not 1 <= duration_ms <= LONGEST_SHOT_MS:
            return "out of range"
        if self.deaf:
            return "ok"
        if not self.live:
            return "not armed"
        self.shots += 1
        self._set_supply(True)
        self._supply_turn += 1
        turn = self._supply_turn

        def end() -> None:
            if turn == self._supply_turn:
                self._set_supply(False)

        self.bench.at(self.pot.now_us + round(duration_ms * 1e3 * self.stretch), end)
        return "ok"

    def shut_supply(self) -> Permit:
        """De-energise the supply."""
        if not self.deaf:
            self._supply_turn += 1
            self._set_supply(False)
        return "ok"

    def shoot_vent(self, duration_ms: int) -> Permit:
        """Let the vent open for `duration_ms`, out of the shut state."""
        if not 1 <= duration_ms <= LONGEST_SHOT_MS:
            return "out of range"
        if self.deaf:
            return "ok"
        if not self.live:
            return "not armed"
        if not self.vent_on:
            return "not shut"
        self.shots += 1
        self._set_vent(False)
        self._vent_turn += 1
        turn = self._vent_turn

        def end() -> None:
            if turn == self._vent_turn and self.live:
                self._set_vent(True)

        self.bench.at(self.pot.now_us + round(duration_ms * 1e3 * self.stretch), end)
        return "ok"

    def hold_vent(self, shut: bool) -> Permit:
        """Energise the vent (shut) or drop it (open)."""
        if self.deaf:
            return "ok"
        if shut and not self.live:
            return "not armed"
        self._vent_turn += 1
        self._set_vent(shut)
        return "ok"

    def de_energise(self) -> Permit:
        """Drop every output and clear what has latched. The pressure switch stays until the pot is empty."""
        if self.deaf:
            return "ok"
        self._drop()
        self.armed = False
        self.watchdog_tripped = False
        pot = self.pot
        if pot.pressure_bar < pot.room_pressure_bar + 0.1:
            pot.switch_tripped = False
        return "ok"

    def beat(self, value: int) -> Permit:
        """Take a heartbeat value."""
        if self.deaf or self.beat_deaf:
            return "ok"
        if value != self.heartbeat:
            self.heartbeat = value
            self._beat_us = self.pot.now_us
            if not self.watchdog_tripped:
                self.armed = True
                self._watch()
        return "ok"

    def lose_power(self) -> None:
        """The block loses its power: every output drops, and what it knew is gone."""
        self._drop()
        self.armed = self.watchdog_tripped = False
        self.heartbeat = self.owner = 0

    def _watch(self) -> None:
        watchdog_s = self.bench.spec.watchdog_s
        if watchdog_s is None or self._watching:
            return
        self._watching = True
        period_us = round(watchdog_s * 1e6)

        def look() -> None:
            self._watching = False
            if not self.armed or self.watchdog_dead:
                return
            if self.pot.now_us - self._beat_us >= period_us:
                self.watchdog_tripped = True
                self._drop()
            else:
                self._watching = True
                self.bench.at(self._beat_us + period_us, look)

        self.bench.at(self._beat_us + period_us, look)

    def _drop(self) -> None:
        self._supply_turn += 1
        self._vent_turn += 1
        self._set_supply(False)
        self._set_vent(False)

    def _set_supply(self, on: bool) -> None:
        if on != self.supply_on:
            self.supply_on = on
            pot = self.pot
            self._supply_moves_us = self._move(
                self._supply_moves_us, on, lambda: pot.set_valves(supply_open=on)
            )

    def _set_vent(self, on: bool) -> None:
        if on != self.vent_on:
            self.vent_on = on
            pot = self.pot
            self._vent_moves_us = self._move(
                self._vent_moves_us, on, lambda: pot.set_valves(vent_open=not on)
            )

    def _move(self, earlier_us: int, on: bool, action: Callable[[], None]) -> int:
        """A solenoid moves 15 ms after its coil is energised and 25 ms after it drops, within 4 ms."""
        delay_us = (15_000 if on else 25_000) + self._stream.randrange(-4000, 4001)
        moves_us = max(self.pot.now_us + delay_us, earlier_us)
        self.bench.at(moves_us, action)
        return moves_us


def _bounded(normal: float) -> float:
    """A drawn error beyond two standard deviations would not have passed its calibration."""
    return min(max(normal, -2.0), 2.0)
