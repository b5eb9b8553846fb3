"""The virtual bench's instruments as plain port objects: no wire, no threads, no real time.

They answer as the wire drivers with default options do, errors and pauses after lost answers included, so
that a run without a wire is the same as one over it.
"""

from __future__ import annotations

import math

from drivers.errors import (
    BadReply,
    Busy,
    DriverError,
    LinkDown,
    LinkTimeout,
    NoReading,
    Refused,
    WrongInstrument,
)
from drivers.limits import PressureOrders
from drivers.ports import ChannelReading, Identity, Instrument, ReadingStatus, ValveState
from drivers.virtual.bench import Bench, HungUp, Unanswered
from drivers.virtual.devices.controller import ControllerDevice
from drivers.virtual.devices.device import NO_VALUE, OVERLOAD, Device, Permit, as_float32
from drivers.virtual.devices.gauge import OVER_RANGE_BIT, SENSOR_FAULT_BIT, UNDER_RANGE_BIT, GaugeDevice
from drivers.virtual.devices.millivolts import MillivoltDevice
from drivers.virtual.devices.room_oxygen import RoomOxygenDevice
from drivers.virtual.devices.scanner import MAINS_HZ, ScannerDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.devices.valve_block import LONGEST_SHOT_MS, ValveDevice, ValveRegister
from drivers.virtual.servers.scpi_parser import ScpiError, channels_of
from drivers.virtual.servers.scpi_server import FIRMWARE, MAKER
from drivers.virtual_spec import VirtualBenchError, VirtualInstrument

_FIRST_PAUSE_S = 0.15
_LONGEST_PAUSE_S = 2.0
_LOWEST_BAR = 0.3
_HIGHEST_BAR = 20.0
_READ_AT_CONFIGURE = (
    ValveRegister.SERIAL,
    ValveRegister.PROOF,
    ValveRegister.LONGEST_SHOT,
    ValveRegister.WATCHDOG,
)


def _busy(instrument: str, register: int) -> DriverError:
    """The error that the wire driver raises for Modbus exception 6."""
    return Busy(instrument, f"answered register {register:d} with Modbus exception 6, busy")


class DirectInstrument:
    """Common part of the port objects: name, identity, and the ways a link fails."""

    def __init__(self, bench: Bench, device: Device, instrument: VirtualInstrument) -> None:
        self._bench = bench
        self._device = device
        self._expected_serial = instrument.serial
        self._failures = 0
        self._retry_at_us = 0

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._device.name

    def identify(self) -> Identity:
        """Ask the instrument for its identity."""
        self._exchange()
        device = self._device
        if isinstance(device, ScannerDevice | ThermometerDevice):
            return Identity(MAKER, device.model, device.serial, FIRMWARE)
        return Identity(serial=device.serial)

    def configure(self) -> None:
        """Check the identity, without waiting for a pause. Raises WrongInstrument."""
        self._exchange(urgent=True)
        if self._expected_serial and self._device.serial != self._expected_serial:
            raise WrongInstrument(
                self.name,
                f"serial {self._device.serial} answers; the bench file names {self._expected_serial}",
            )

    def close(self) -> None:
        """Do nothing: there is no link."""

    def _exchange(
        self, wait_s: float = 0.0, *, urgent: bool = False, read: int | None = None, write: int | None = None
    ) -> None:
        """Take the bench time of one request and its answer; `read` or `write` is its first register.

        After a second lost answer in a row further requests fail at once for 0.15 s, doubling to 2 s, unless
        they are commands to the safe state. An answer "busy" neither counts as lost nor ends a pause.
        """
        device = self._device
        if not (device.down or device.mute):
            device.heard()
        register = read if write is None else write
        if not (wait_s or device.down or device.mute or device.latency_s or self._retry_at_us):
            self._refuse_if_busy(register, write is not None)
            self._failures = 0
            return
        bench = self._bench
        if not urgent and bench.now_us < self._retry_at_us:
            raise LinkDown(device.name, "no answer; waiting before the next try")
        try:
            bench.spend(device, wait_s)
        except HungUp:
            self._count_failure()
            raise LinkDown(device.name, "the connection is gone") from None
        except Unanswered:
            self._count_failure()
            raise LinkTimeout(device.name, f"no answer within {device.deadline_s:g} s") from None
        self._refuse_if_busy(register, write is not None)
        self._failures = 0

    def _refuse_if_busy(self, register: int | None, write: bool) -> None:
        if register is not None and self._device.busy(register, write=write):
            raise _busy(self.name, register)

    def _confirm(self, permit: Permit) -> None:
        """Raise or accept what the device answers to a command."""
        if permit != "ok":
            raise Refused(self.name, f"refused the command ({permit})")

    def _count_failure(self) -> None:
        self._failures += 1
        if self._failures > 1:
            pause_s = min(_LONGEST_PAUSE_S, _FIRST_PAUSE_S * 2.0 ** (self._failures - 2))
            self._retry_at_us = self._bench.now_us + round(pause_s * 1e6)


class DirectGauge(DirectInstrument):
    """Gauge, second gauge or barometer."""

    def __init__(self, bench: Bench, device: GaugeDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._gauge = device

    @property
    def conversions(self) -> int:
        """Conversion counter, 0 to 65535."""
        return self._gauge.conversions & 0xFFFF

    def configure(self) -> None:
        """Check the identity, and that the reading is a possible pressure (bar)."""
        super().configure()
        self.read_pressure_bar()

    def read_pressure_bar(self) -> float:
        """Read absolute pressure, in bar."""
        self._exchange()
        gauge = self._gauge
        if gauge.swapped_words:
            raise WrongInstrument(self.name, "sends the words of its numbers in the other order")
        if gauge.status:
            if gauge.status & SENSOR_FAULT_BIT:
                raise NoReading(self.name, "reports a sensor fault", ReadingStatus.NO_VALUE)
            if gauge.status & OVER_RANGE_BIT:
                raise NoReading(self.name, "reads above its range", ReadingStatus.OVER)
            if gauge.status & UNDER_RANGE_BIT:
                raise NoReading(self.name, "reads below its range", ReadingStatus.UNDER)
        pressure_bar = gauge.read()
        if _LOWEST_BAR <= pressure_bar <= _HIGHEST_BAR:
            return pressure_bar
        if not math.isfinite(pressure_bar):
            raise NoReading(self.name, "has no value")
        raise BadReply(self.name, f"{pressure_bar:.6g} bar is not possible here")

    def read_barometer_bar(self) -> float:
        """Read ambient absolute pressure, in bar."""
        return self.read_pressure_bar()


class DirectController(DirectGauge):
    """Electronic pressure controller; refuses before the wire what the driver's options forbid.

    Numbers are rounded as the wire of its driver rounds them: 32-bit floats, or text of so many digits.
    """

    def __init__(self, bench: Bench, device: ControllerDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._controller = device
        options = instrument.options
        self._orders = PressureOrders(
            device.name,
            lowest_bar=float(options.get("lowest_bar", options.get("lowest_set_bar", 0.8))),
            highest_bar=float(options.get("highest_bar", options.get("highest_set_bar", 2.5))),
            most_ramp_bar_per_min=float(options.get("most_ramp_bar_per_min", 1.0)),
        )
        self._by_registers = instrument.driver.startswith("modbus_")
        can_set = not self._by_registers or "link_timeout" in options
        self._wanted_timeout_s = instrument.link_timeout_s if can_set else None
        self.link_timeout_s: float | None = None

    def configure(self) -> None:
        """Check the identity (no unit), that the reading is possible (bar), and set the link time-out (s)."""
        super().configure()
        if self._wanted_timeout_s is not None:
            self._exchange()
            self._confirm(self._controller.set_link_timeout(self._wanted_timeout_s))
            self.link_timeout_s = self._controller.link_timeout_s

    def read_pressure_bar(self) -> float:
        """Read absolute pressure, in bar."""
        pressure_bar = super().read_pressure_bar()
        return pressure_bar if self._by_registers else float(f"{pressure_bar:.6E}")

    def set_ramp_bar_per_min(self, ramp_bar_per_min: float) -> None:
        """Set the ramp, in bar/min."""
        self._orders.check_ramp(ramp_bar_per_min)
        ramp = as_float32(ramp_bar_per_min) if self._by_registers else float(f"{ramp_bar_per_min:.6g}")
        self._exchange()
        self._confirm(self._controller.set_ramp(ramp))

    def set_pressure_bar(self, pressure_bar: float) -> None:
        """Set the absolute set point, in bar."""
        self._orders.check_set_point(pressure_bar)
        wanted_bar = as_float32(pressure_bar) if self._by_registers else round(pressure_bar, 5)
        self._exchange()
        self._confirm(self._controller.set_pressure(wanted_bar))
        if abs(self._controller.set_bar - pressure_bar) > 1e-5:
            raise Refused(self.name, f"did not take the set point {pressure_bar:g} bar")

    def vent(self) -> None:
        """Vent to ambient."""
        self._exchange(urgent=True)
        self._confirm(self._controller.set_mode("vent"))

    def hold_output(self, on: bool) -> None:
        """Switch control on or off."""
        self._exchange()
        self._confirm(self._controller.set_mode("control" if on else "measure"))


class DirectMillivolts(DirectInstrument):
    """Millivolt module: a scan is the latest conversion."""

    scan_duration_s = 0.0

    def __init__(self, bench: Bench, device: MillivoltDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._millivolts = device
        self._sockets: tuple[int, ...] = tuple(instrument.options.get("sockets", device.channels))
        self._half_width_s = float(instrument.options.get("update_s", 0.1)) / 2
        self._scan: tuple[ChannelReading, ...] | None = None

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        return self._sockets

    def begin_scan(self) -> None:
        """Read all channels, in mV, as the module holds them now."""
        self._scan = None
        self._exchange()
        half_width_s = self._half_width_s
        self._scan = tuple(
            ChannelReading(socket, None, ReadingStatus.OVER, -half_width_s, half_width_s)
            if value >= OVERLOAD
            else ChannelReading(socket, value, ReadingStatus.OK, -half_width_s, half_width_s)
            for socket, value in zip(self._sockets, self._millivolts.read(), strict=False)
        )

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Return what `begin_scan` read, in mV."""
        if self._scan is None:
            raise BadReply(self.name, "no scan is in progress; start one first")
        scan, self._scan = self._scan, None
        return scan


class DirectThermometer(DirectInstrument):
    """Thermometer in the pot."""

    def __init__(self, bench: Bench, device: ThermometerDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._thermometer = device
        self._by_registers = instrument.driver.startswith("modbus_")

    def read_temperature_c(self) -> float:
        """Read temperature, in degrees Celsius."""
        self._exchange()
        value = self._thermometer.read()
        if value >= OVERLOAD:
            raise NoReading(self.name, "has no value", ReadingStatus.NO_VALUE)
        return as_float32(value) if self._by_registers else value


class DirectRoomOxygen(DirectInstrument):
    """Monitor of the room's oxygen."""

    def __init__(self, bench: Bench, device: RoomOxygenDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._monitor = device

    def read_oxygen_percent(self) -> float:
        """Read the room's oxygen, in percent by volume."""
        self._exchange()
        return as_float32(self._monitor.read())


class DirectVoltmeter(DirectInstrument):
    """Scanning voltmeter, set to the options of the bench file.

    Attributes:
        scan_duration_s: how long a scan takes, in seconds.
    """

    def __init__(self, bench: Bench, device: ScannerDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._scanner = device
        options = instrument.options
        try:
            self._channels = channels_of(f"(@{options.get('channels', '101:108')})", device.channels)
        except ScpiError as error:
            raise VirtualBenchError(
                f"instrument {device.name}: options.channels: {error}; write channels 101 to 108"
            ) from None
        self._nplc = float(options.get("nplc", 1.0))
        self._range_v = float(options.get("range_v", 0.1))
        self._autozero = bool(options.get("autozero", False))
        aperture_s = self._nplc / MAINS_HZ
        channel_s = aperture_s * (2 if self._autozero else 1)
        self.scan_duration_s = len(self._channels) * channel_s
        self._offsets_s = tuple(
            index * channel_s + 0.0 + aperture_s / 2 for index in range(len(self._channels))
        )
        self._half_width_s = aperture_s / 2 + float(options.get("trigger_s", 0.002))
        self._sockets: tuple[int, ...] = tuple(options.get("sockets", ())) or tuple(
            range(1, len(self._channels) + 1)
        )
        self._begun = False

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        return self._sockets

    def configure(self) -> None:
        """Check the identity; set range, aperture and channels."""
        super().configure()
        scanner = self._scanner
        scanner.configure()
        scanner.range_v = next(range_v for range_v in scanner.ranges_v if self._range_v <= range_v)
        scanner.nplc = self._nplc
        scanner.autozero = self._autozero
        scanner.scan_list = self._channels
        self._begun = False

    def begin_scan(self) -> None:
        """Start one scan and return at once."""
        self._begun = False
        scanner = self._scanner
        reached = not (scanner.mute or scanner.down) and self._bench.now_us >= self._retry_at_us
        refused = bool(scanner.refuses) or scanner.busy_s > 0.0
        if reached and not refused:
            scanner.start()
        self._exchange()
        if refused:
            raise Refused(self.name, "refused to start a scan")
        self._begun = True

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Return the latest scan, one reading a socket, in millivolts."""
        if not self._begun:
            raise BadReply(self.name, "no scan is in progress; start one first")
        self._begun = False
        self._exchange(self._scanner.busy_s)
        half_width_s = self._half_width_s
        readings = []
        for socket, volts, offset_s in zip(
            self._sockets, self._scanner.fetch(), self._offsets_s, strict=True
        ):
            # The meter writes seven digits, and the driver reads those; below a volt it has no more digits.
            shown = volts if -1.0 < volts < 1.0 else float(f"{volts:+.6E}")
            if -OVERLOAD < shown < OVERLOAD:
                readings.append(ChannelReading(socket, shown * 1e3, ReadingStatus.OK, offset_s, half_width_s))
            else:
                status = ReadingStatus.NO_VALUE if shown == NO_VALUE else ReadingStatus.OVER
                if shown < 0.0:
                    status = ReadingStatus.UNDER
                readings.append(ChannelReading(socket, None, status, offset_s, half_width_s))
        return tuple(readings)


class DirectValves(DirectInstrument):
    """Valve block."""

    def __init__(self, bench: Bench, device: ValveDevice, instrument: VirtualInstrument) -> None:
        super().__init__(bench, device, instrument)
        self._valves = device

    def identify(self) -> Identity:
        """Read the serial number."""
        self._exchange(read=ValveRegister.SERIAL)
        return Identity(serial=self._device.serial)

    def configure(self) -> None:
        """Check the identity and read the block's own limits, one request after another as on the wire."""
        super().configure()
        for register in _READ_AT_CONFIGURE:
            self._refuse_if_busy(register, write=False)

    @property
    def longest_shot_ms(self) -> int:
        """Longest shot, in ms."""
        return LONGEST_SHOT_MS

    @property
    def watchdog_ms(self) -> int:
        """Watchdog time, in ms."""
        return self._valves.watchdog_ms

    def open_supply_for(self, duration_ms: int) -> None:
        """Open the supply for one shot, in ms."""
        self._refuse_length(duration_ms, "supply")
        self._exchange(write=ValveRegister.SUPPLY_SHOT)
        self._confirm(self._valves.shoot_supply(duration_ms))

    def open_vent_for(self, duration_ms: int) -> None:
        """Open the vent for one shot, in ms."""
        self._refuse_length(duration_ms, "vent")
        self._exchange(write=ValveRegister.VENT_SHOT)
        self._confirm(self._valves.shoot_vent(duration_ms))

    def shut_vent(self) -> None:
        """Energise the vent: shut."""
        self._exchange(write=ValveRegister.VENT_HOLD)
        self._confirm(self._valves.hold_vent(True))

    def open_vent(self) -> None:
        """De-energise the vent: open."""
        self._exchange(urgent=True, write=ValveRegister.VENT_HOLD)
        self._confirm(self._valves.hold_vent(False))

    def shut_supply(self) -> None:
        """De-energise the supply: shut."""
        self._exchange(urgent=True, write=ValveRegister.SUPPLY)
        self._confirm(self._valves.shut_supply())

    def de_energise(self) -> None:
        """Drop every output; tried twice, as the wire driver does."""
        for tries_left in (1, 0):
            try:
                self._exchange(urgent=True, write=ValveRegister.DE_ENERGISE)
                self._confirm(self._valves.de_energise())
                return
            except DriverError as error:
                if not error.retryable or not tries_left:
                    raise

    def read_state(self) -> ValveState:
        """Read back outputs, inputs and heartbeat."""
        self._exchange(read=ValveRegister.OUTPUTS)
        valves = self._valves
        return ValveState(
            supply_open=valves.supply_on,
            vent_open=not valves.vent_on,
            lid_closed=valves.lid_switch_closed,
            heartbeat=valves.heartbeat,
            watchdog_tripped=valves.watchdog_tripped,
            pressure_switch_tripped=self._bench.pot.switch_tripped,
        )

    def beat(self, counter: int) -> None:
        """Write the heartbeat, 0 to 65535."""
        self._refuse_word(counter, "heartbeat")
        self._exchange(write=ValveRegister.HEARTBEAT)
        self._confirm(self._valves.beat(counter))

    def write_owner(self, token: int) -> None:
        """Write this program's token, 0 to 65535."""
        self._refuse_word(token, "token")
        self._exchange(write=ValveRegister.OWNER)
        self._valves.owner = token

    def read_owner(self) -> int:
        """Read the token back."""
        self._exchange(read=ValveRegister.OWNER)
        return self._valves.owner

    def _refuse_length(self, duration_ms: int, valve: str) -> None:
        if duration_ms != int(duration_ms) or not 1 <= duration_ms <= LONGEST_SHOT_MS:
            raise Refused(
                self.name, f"a {valve} shot of {duration_ms} ms is not within 1 to {LONGEST_SHOT_MS} ms"
            )

    def _refuse_word(self, value: int, what: str) -> None:
        if value != int(value) or not 0 <= value <= 65535:
            raise Refused(self.name, f"a {what} of {value} is not within 0 to 65535")


def direct_instruments(bench: Bench) -> dict[str, Instrument]:
    """Port objects of every instrument by name."""
    ports: dict[str, Instrument] = {}
    for name, device in bench.devices.items():
        instrument = bench.spec.instruments[name]
        if isinstance(device, ControllerDevice):
            ports[name] = DirectController(bench, device, instrument)
        elif isinstance(device, MillivoltDevice):
            ports[name] = DirectMillivolts(bench, device, instrument)
        elif isinstance(device, GaugeDevice):
            ports[name] = DirectGauge(bench, device, instrument)
        elif isinstance(device, ThermometerDevice):
            ports[name] = DirectThermometer(bench, device, instrument)
        elif isinstance(device, RoomOxygenDevice):
            ports[name] = DirectRoomOxygen(bench, device, instrument)
        elif isinstance(device, ScannerDevice):
            ports[name] = DirectVoltmeter(bench, device, instrument)
        elif isinstance(device, ValveDevice):
            ports[name] = DirectValves(bench, device, instrument)
    return ports
