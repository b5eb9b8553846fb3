"""The register maps of the virtual bench's Modbus instruments, as their makers document them.

Holding and input registers are one table; addresses are 0-based as on the wire. A 32-bit float is two
registers, high word first.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Protocol

from drivers.virtual.devices.controller import ControllerDevice, ControlMode
from drivers.virtual.devices.device import OVERLOAD, Device
from drivers.virtual.devices.gauge import SENSOR_FAULT_BIT, UNIT_BAR_ABSOLUTE, GaugeDevice
from drivers.virtual.devices.millivolts import MillivoltDevice
from drivers.virtual.devices.room_oxygen import RoomOxygenDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.devices.valve_block import LONGEST_SHOT_MS, ValveDevice, ValveRegister

ILLEGAL_ADDRESS = 2
ILLEGAL_VALUE = 3
DEVICE_FAILURE = 4
DEVICE_BUSY = 6

CONTROL_MODES: tuple[ControlMode, ...] = ("measure", "control", "vent")
"""By the number that stands for them in the mode register."""


@dataclass(frozen=True, slots=True)
class RegisterLine:
    """One line of a map: addresses, access ("r", "rw", "w"), and what it holds."""

    address: int
    count: int
    access: str
    text: str


class RegisterMap(Protocol):
    """A device seen through registers."""

    @property
    def size(self) -> int:
        """Number of registers, from address 0."""
        ...

    @property
    def lines(self) -> tuple[RegisterLine, ...]:
        """The map for people."""
        ...

    @property
    def device(self) -> Device:
        """The device behind the registers."""
        ...

    def read(self) -> list[int]:
        """All registers at this instant."""
        ...

    def write(self, address: int, values: list[int]) -> int:
        """Write `values` from `address`; returns 0 or a Modbus exception code."""
        ...


def float_words(value: float) -> list[int]:
    """Two registers of a 32-bit float, high word first."""
    high, low = struct.unpack(">HH", struct.pack(">f", value))
    return [high, low]


def text_words(text: str, registers: int) -> list[int]:
    """Registers of ASCII text, two characters each, padded with NUL."""
    data = text.encode("ascii")[: 2 * registers].ljust(2 * registers, b"\0")
    return list(struct.unpack(f">{registers}H", data))


class GaugeRegisters:
    """A pressure gauge or barometer."""

    size = 13
    lines: tuple[RegisterLine, ...] = (
        RegisterLine(0, 2, "r", "pressure, 32-bit float, in the unit of register 5"),
        RegisterLine(2, 2, "r", "3.14159, 32-bit float: proof of the word order"),
        RegisterLine(4, 1, "r", "status: bit 0 sensor fault, bit 1 over range, bit 2 under range"),
        RegisterLine(5, 1, "r", "unit: 1 bar absolute, 2 bar gauge, 3 psi absolute, 4 kPa absolute"),
        RegisterLine(6, 4, "r", "serial number, 8 ASCII characters"),
        RegisterLine(10, 2, "r", "body temperature in degrees Celsius, 32-bit float"),
        RegisterLine(12, 1, "r", "conversion counter, counts up with every conversion, 20 a second"),
    )

    def __init__(self, device: GaugeDevice) -> None:
        self._gauge = device

    @property
    def device(self) -> Device:
        """The gauge."""
        return self._gauge

    def read(self) -> list[int]:
        """All registers at this instant."""
        gauge = self._gauge
        words = float_words(gauge.read())
        proof = float_words(math.pi)
        if gauge.swapped_words:
            words.reverse()
            proof.reverse()
        return [
            *words,
            *proof,
            gauge.status,
            UNIT_BAR_ABSOLUTE,
            *text_words(gauge.serial, 4),
            *float_words(gauge.body_temperature_c()),
            gauge.conversions & 0xFFFF,
        ]

    def write(self, address: int, values: list[int]) -> int:
        """Nothing can be written."""
        del address, values
        return ILLEGAL_ADDRESS


class ControllerRegisters(GaugeRegisters):
    """A pressure controller: the gauge's registers and its own."""

    size = 26
    lines: tuple[RegisterLine, ...] = (
        *GaugeRegisters.lines,
        RegisterLine(20, 2, "rw", "set point in bar absolute, 32-bit float; both words in one write"),
        RegisterLine(22, 2, "rw", "ramp in bar/min, 32-bit float; both words in one write"),
        RegisterLine(24, 1, "rw", "mode: 0 measure (valves shut), 1 control, 2 vent"),
        RegisterLine(25, 1, "rw", "vents after so many tenths of a second without a request, 0 never"),
    )

    def __init__(self, device: ControllerDevice) -> None:
        super().__init__(device)
        self._controller = device

    def read(self) -> list[int]:
        """All registers at this instant."""
        controller = self._controller
        return [
            *super().read(),
            *[0] * 7,
            *float_words(controller.set_bar),
            *float_words(controller.ramp_bar_per_min),
            CONTROL_MODES.index(controller.mode),
            round(10.0 * controller.link_timeout_s),
        ]

    def write(self, address: int, values: list[int]) -> int:
        """Set point, ramp or mode."""
        controller = self._controller
        if address in (20, 22) and len(values) == 2:
            value: float = struct.unpack(">f", struct.pack(">HH", *values))[0]
            take = controller.set_pressure if address == 20 else controller.set_ramp
            return _PERMITS[take(value)]
        if address == 24 and len(values) == 1:
            if values[0] >= len(CONTROL_MODES):
                return ILLEGAL_VALUE
            return _PERMITS[controller.set_mode(CONTROL_MODES[values[0]])]
        if address == 25 and len(values) == 1:
            return _PERMITS[controller.set_link_timeout(values[0] / 10.0)]
        return ILLEGAL_ADDRESS


class ThermometerRegisters:
    """A thermometer."""

    size = 10
    lines: tuple[RegisterLine, ...] = (
        RegisterLine(0, 2, "r", "temperature in degrees Celsius, 32-bit float"),
        RegisterLine(2, 2, "r", "3.14159, 32-bit float: proof of the word order"),
        RegisterLine(4, 1, "r", "status: bit 0 sensor fault"),
        RegisterLine(6, 4, "r", "serial number, 8 ASCII characters"),
    )

    def __init__(self, device: ThermometerDevice) -> None:
        self._thermometer = device

    @property
    def device(self) -> Device:
        """The thermometer."""
        return self._thermometer

    def read(self) -> list[int]:
        """All registers at this instant; a probe that is open reads not-a-number."""
        value = self._thermometer.read()
        fault = value >= OVERLOAD
        return [
            *float_words(math.nan if fault else value),
            *float_words(math.pi),
            SENSOR_FAULT_BIT if fault else 0,
            0,
            *text_words(self._thermometer.serial, 4),
        ]

    def write(self, address: int, values: list[int]) -> int:
        """Nothing can be written."""
        del address, values
        return ILLEGAL_ADDRESS


class RoomOxygenRegisters:
    """A monitor of the room's oxygen."""

    size = 10
    lines: tuple[RegisterLine, ...] = (
        RegisterLine(0, 2, "r", "oxygen of the room in percent by volume, 32-bit float"),
        RegisterLine(2, 2, "r", "3.14159, 32-bit float: proof of the word order"),
        RegisterLine(6, 4, "r", "serial number, 8 ASCII characters"),
    )

    def __init__(self, device: RoomOxygenDevice) -> None:
        self._monitor = device

    @property
    def device(self) -> Device:
        """The monitor."""
        return self._monitor

    def read(self) -> list[int]:
        """All registers at this instant."""
        return [
            *float_words(self._monitor.read()),
            *float_words(math.pi),
            0,
            0,
            *text_words(self._monitor.serial, 4),
        ]

    def write(self, address: int, values: list[int]) -> int:
        """Nothing can be written."""
        del address, values
        return ILLEGAL_ADDRESS


class MillivoltRegisters:
    """A millivolt module."""

    size = 22
    lines: tuple[RegisterLine, ...] = (
        RegisterLine(0, 16, "r", "channels 1 to 8 in millivolts, 32-bit floats, ten conversions a second"),
        RegisterLine(16, 2, "r", "3.14159, 32-bit float: proof of the word order"),
        RegisterLine(18, 4, "r", "serial number, 8 ASCII characters"),
    )

    def __init__(self, device: MillivoltDevice) -> None:
        self._millivolts = device

    @property
    def device(self) -> Device:
        """The module."""
        return self._millivolts

    def read(self) -> list[int]:
        """All registers at this instant."""
        words: list[int] = []
        for value in self._millivolts.read():
            words += float_words(value)
        return [*words, *float_words(math.pi), *text_words(self._millivolts.serial, 4)]

    def write(self, address: int, values: list[int]) -> int:
        """Nothing can be written."""
        del address, values
        return ILLEGAL_ADDRESS


_PERMITS = {"ok": 0, "out of range": ILLEGAL_VALUE, "not armed": DEVICE_FAILURE, "not shut": DEVICE_FAILURE}


class ValveRegisters:
    """The valve block."""

    size = 18
    lines: tuple[RegisterLine, ...] = (
        RegisterLine(
            ValveRegister.OUTPUTS,
            1,
            "r",
            "outputs: bit 0 supply energised (open), bit 1 vent energised (shut)",
        ),
        RegisterLine(ValveRegister.SUPPLY_SHOT, 1, "w", f"open the supply for 1 to {LONGEST_SHOT_MS} ms"),
        RegisterLine(
            ValveRegister.VENT_SHOT,
            1,
            "w",
            f"open the vent for 1 to {LONGEST_SHOT_MS} ms, out of the shut state",
        ),
        RegisterLine(ValveRegister.VENT_HOLD, 1, "rw", "vent: 1 energise (shut), 0 drop (open)"),
        RegisterLine(ValveRegister.SUPPLY, 1, "w", "write 0: shut the supply now"),
        RegisterLine(ValveRegister.HEARTBEAT, 1, "rw", "heartbeat: must change within the watchdog time"),
        RegisterLine(
            ValveRegister.INPUTS,
            1,
            "r",
            "inputs: bit 0 lid closed, bit 1 watchdog tripped, bit 2 pressure switch tripped",
        ),
        RegisterLine(ValveRegister.LONGEST_SHOT, 1, "r", "longest shot in ms"),
        RegisterLine(ValveRegister.WATCHDOG, 1, "r", "watchdog time in ms, 0 without one"),
        RegisterLine(
            ValveRegister.OWNER, 1, "rw", "owner: token of the program that drives the block, 0 none"
        ),
        RegisterLine(ValveRegister.SERIAL, 4, "r", "serial number, 8 ASCII characters"),
        RegisterLine(ValveRegister.PROOF, 2, "r", "3.14159, 32-bit float: proof of the word order"),
        RegisterLine(
            ValveRegister.DE_ENERGISE, 1, "w", "write 1: drop every output and clear what has latched"
        ),
        RegisterLine(ValveRegister.SHOTS, 1, "r", "shots since power-on"),
    )

    def __init__(self, device: ValveDevice) -> None:
        self._valves = device

    @property
    def device(self) -> Device:
        """The valve block."""
        return self._valves

    def read(self) -> list[int]:
        """All registers at this instant; those that are only written read 0."""
        valves = self._valves
        return [
            valves.outputs,
            0,
            0,
            1 if valves.vent_on else 0,
            0,
            valves.heartbeat,
            valves.inputs,
            LONGEST_SHOT_MS,
            valves.watchdog_ms,
            valves.owner,
            *text_words(valves.serial, 4),
            *float_words(math.pi),
            0,
            valves.shots & 0xFFFF,
        ]

    def write(self, address: int, values: list[int]) -> int:
        """Write registers one after another; the first refusal ends it."""
        for offset, value in enumerate(values):
            code = self._write_one(address + offset, value)
            if code:
                return code
        return 0

    def _write_one(self, address: int, value: int) -> int:
        valves = self._valves
        if address == ValveRegister.SUPPLY_SHOT:
            return _PERMITS[valves.shoot_supply(value)]
        if address == ValveRegister.VENT_SHOT:
            return _PERMITS[valves.shoot_vent(value)]
        if address == ValveRegister.VENT_HOLD:
            return _PERMITS[valves.hold_vent(value == 1)] if value in (0, 1) else ILLEGAL_VALUE
        if address == ValveRegister.SUPPLY:
            return _PERMITS[valves.shut_supply()] if value == 0 else ILLEGAL_VALUE
        if address == ValveRegister.HEARTBEAT:
            return _PERMITS[valves.beat(value)]
        if address == ValveRegister.OWNER:
            valves.owner = value
            return 0
        if address == ValveRegister.DE_ENERGISE:
            return _PERMITS[valves.de_energise()] if value == 1 else ILLEGAL_VALUE
        return ILLEGAL_ADDRESS
