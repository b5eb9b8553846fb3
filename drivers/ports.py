"""What the rig needs from hardware, as typed protocols. Every name carries its unit; pressure is absolute.

A driver implements one of these and nothing more. Every call has its own deadline, set by the link, and
raises only the errors of `drivers.errors`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any, Final, Protocol, runtime_checkable

from rig_configs.roles import DEADLINE_S

MOST_SOCKETS: Final = 64
"""Sockets of the largest pot, and with it the channels that a voltmeter may be asked for."""


class ReadingStatus(StrEnum):
    """Result of one reading; every status except OK has no value."""

    OK = "ok"
    OVER = "over"
    UNDER = "under"
    NO_VALUE = "no_value"
    TIMEOUT = "timeout"
    BAD_REPLY = "bad_reply"
    LINK_DOWN = "link_down"


@dataclass(frozen=True, slots=True)
class InstrumentSpec:
    """One instrument of a bench file, as its driver needs it.

    Attributes:
        name: the instrument's name in the bench file, used in every message.
        driver: the driver's name in the catalogue.
        address: VISA resource string (`TCPIP::host::port::SOCKET`, `ASRL/dev/ttyUSB0::INSTR`) or
            Modbus address (`tcp://host:port/unit`, `rtu:///dev/ttyUSB0/unit?baud=19200`).
        serial: serial number that the instrument must report, or empty when it reports none.
        deadline_s: longest wait for one answer, in seconds.
        options: what the driver lets a bench file set (channel list, register map, SCPI words).
        patience_s: longest real time to wait, in seconds, where `deadline_s` passes on the rig's clock alone
            (the virtual bench in lockstep); 0 where it passes in real time.
        link_timeout_s: silence after which a pressure controller is to vent by itself, in seconds; with None
            it keeps its own setting.
    """

    name: str
    driver: str
    address: str
    serial: str = ""
    deadline_s: float = DEADLINE_S
    options: Mapping[str, Any] = field(default_factory=dict)
    patience_s: float = 0.0
    link_timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class Identity:
    """An instrument's own identity; a field that it does not report is empty."""

    maker: str = ""
    model: str = ""
    serial: str = ""
    firmware: str = ""


@dataclass(frozen=True, slots=True)
class ChannelReading:
    """One socket's output within a scan.

    Attributes:
        socket: socket number of the bench, from 1.
        output_mv: millivolts, or None when `status` is not OK.
        status: result of the reading.
        offset_s: middle of the aperture after the start of the scan, in seconds.
        half_width_s: how far the true instant may lie from `offset_s`, in seconds.
    """

    socket: int
    output_mv: float | None
    status: ReadingStatus
    offset_s: float
    half_width_s: float


@dataclass(frozen=True, slots=True)
class ValveState:
    """What the valve block reads back.

    Attributes:
        supply_open: supply solenoid energised now.
        vent_open: vent open now (the vent is normally open: de-energised means open).
        lid_closed: lid switch, or None where none is fitted.
        heartbeat: last heartbeat value that the block has taken.
        watchdog_tripped: the block's own watchdog has dropped the outputs, or None where none is fitted.
        pressure_switch_tripped: the independent pressure switch has cut the coil power, or None where the
            block does not report it.
    """

    supply_open: bool
    vent_open: bool
    lid_closed: bool | None
    heartbeat: int
    watchdog_tripped: bool | None
    pressure_switch_tripped: bool | None = None


@runtime_checkable
class Instrument(Protocol):
    """What every instrument can do."""

    @property
    def name(self) -> str:
        """Name in the bench file."""
        ...

    def identify(self) -> Identity:
        """Ask the instrument for its identity."""
        ...

    def configure(self) -> None:
        """Send the settings of the bench file. Called at the start.

        A driver whose link was lost sends them again by itself, within the deadline of the call that finds
        the link open again: the rig has a pressure to read.
        """
        ...

    def close(self) -> None:
        """Close the link; never raises."""
        ...


@runtime_checkable
class Voltmeter(Instrument, Protocol):
    """Reads the output of every socket, in mV.

    A scan is started, and collected later, so that a slow meter never delays the next pressure reading.
    """

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        ...

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes by its settings, in seconds; `collect_scan` is due after that."""
        ...

    def begin_scan(self) -> None:
        """Start one scan and return at once; a refusal by the meter is raised here."""
        ...

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Return the latest scan, one reading a socket. Raises LinkTimeout when it is not ready yet."""
        ...


@runtime_checkable
class PressureGauge(Instrument, Protocol):
    """Reads absolute pressure in bar."""

    def read_pressure_bar(self) -> float:
        """Read absolute pressure, in bar."""
        ...


@runtime_checkable
class Barometer(Instrument, Protocol):
    """Reads ambient absolute pressure in bar."""

    def read_barometer_bar(self) -> float:
        """Read ambient absolute pressure, in bar."""
        ...


@runtime_checkable
class Thermometer(Instrument, Protocol):
    """Reads the pot's temperature in degrees Celsius."""

    def read_temperature_c(self) -> float:
        """Read temperature, in degrees Celsius."""
        ...


@runtime_checkable
class RoomOxygenMonitor(Instrument, Protocol):
    """Reads the oxygen of the room's air in percent by volume."""

    def read_oxygen_percent(self) -> float:
        """Read the room's oxygen, in percent by volume."""
        ...


@runtime_checkable
class ValveBlock(Instrument, Protocol):
    """Supply (normally closed) and vent (normally open) with device-timed shots, lid switch and heartbeat."""

    @property
    def longest_shot_ms(self) -> int:
        """Longest one-shot that the block accepts, in ms; anything longer is refused before the wire."""
        ...

    def open_supply_for(self, duration_ms: int) -> None:
        """Open the supply for one device-timed shot, in ms."""
        ...

    def open_vent_for(self, duration_ms: int) -> None:
        """Open the vent for one device-timed shot, in ms, out of the energised (shut) state."""
        ...

    def shut_vent(self) -> None:
        """Energise the vent: shut."""
        ...

    def open_vent(self) -> None:
        """De-energise the vent: open."""
        ...

    def shut_supply(self) -> None:
        """De-energise the supply: shut; cancels a running shot."""
        ...

    def de_energise(self) -> None:
        """Drop every output: supply shut, vent open. The safe state."""
        ...

    def read_state(self) -> ValveState:
        """Read back outputs, lid switch and heartbeat."""
        ...

    def beat(self, counter: int) -> None:
        """Write a changing heartbeat value (0 to 65535); the watchdog drops the outputs without it."""
        ...


@runtime_checkable
class OwnedValveBlock(ValveBlock, Protocol):
    """A valve block with a register that says which program drives it."""

    def write_owner(self, token: int) -> None:
        """Write this program's token (0 to 65535; 0 means none)."""
        ...

    def read_owner(self) -> int:
        """Read the token back; a different value means that another program took over."""
        ...


@runtime_checkable
class WatchedValveBlock(ValveBlock, Protocol):
    """A valve block that reports how long it waits for a heartbeat."""

    @property
    def watchdog_ms(self) -> int | None:
        """Watchdog time, in ms; None or 0 where it has none or does not report it."""
        ...


@runtime_checkable
class PressureController(Instrument, Protocol):
    """An electronic pressure controller that ramps by itself; absolute bar."""

    def read_pressure_bar(self) -> float:
        """Read absolute pressure, in bar."""
        ...

    def set_ramp_bar_per_min(self, ramp_bar_per_min: float) -> None:
        """Set the ramp, in bar/min."""
        ...

    def set_pressure_bar(self, pressure_bar: float) -> None:
        """Set the absolute set point, in bar; out of range is refused before the wire."""
        ...

    def vent(self) -> None:
        """Vent to ambient."""
        ...

    def hold_output(self, on: bool) -> None:
        """Switch control on or off."""
        ...


@runtime_checkable
class WatchedController(PressureController, Protocol):
    """A pressure controller whose own link time-out this program can set and read back."""

    @property
    def link_timeout_s(self) -> float | None:
        """Silence after which it vents by itself, in seconds, as it confirmed; None where it did not."""
        ...


def read_by_hand(instrument: object) -> bool:
    """Whether a person reads this instrument and types, so that it cannot be asked tick by tick."""
    return bool(getattr(instrument, "read_by_hand", False))


class Clock(Protocol):
    """The rig's time: monotonic seconds for everything measured, UTC for people."""

    def monotonic_s(self) -> float:
        """Seconds on a clock that never jumps."""
        ...

    def utc(self) -> datetime:
        """Timezone-aware UTC time of day."""
        ...

    def sleep_until(self, monotonic_s: float) -> None:
        """Return at `monotonic_s` or at once when that has passed."""
        ...
