"""A pressure controller behind Modbus registers that ramps by itself.

| register | does |
|---|---|
| `pressure` | measured pressure; map, status and unit as in `drivers.modbus.gauge` |
| `set_point` | absolute set point in bar; read back after every write |
| `ramp` | ramp in bar/min; a make that counts per second has `scale = 60` |
| `mode` | `control_code` controls, `measure_code` only measures, `vent_code` vents to ambient |
| `link_timeout` | vents by itself after so many seconds without a request; no register without an entry |

Only the link time-out is written at a reconnect, where the bench file has one. Set point, ramp and mode are
sent once; a lost answer is an error.
"""

from __future__ import annotations

from pydantic import Field, model_validator

from drivers.errors import Refused
from drivers.limits import PressureOrders
from drivers.modbus.gauge import GaugeOptions, ModbusGauge
from drivers.modbus.registers import Number
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec


class ControllerOptions(GaugeOptions):
    """Options of a pressure controller: registers, codes, and allowed commands (absolute bar, bar/min)."""

    set_point: Number = Number(address=20)
    ramp: Number = Number(address=22)
    link_timeout: Number | None = None
    mode: int = Field(default=24, ge=0, le=65535)
    measure_code: int = Field(default=0, ge=0, le=65535)
    control_code: int = Field(default=1, ge=0, le=65535)
    vent_code: int = Field(default=2, ge=0, le=65535)
    lowest_set_bar: float = Field(default=0.8, ge=0)
    highest_set_bar: float = Field(default=2.5, gt=0)
    most_ramp_bar_per_min: float = Field(default=1.0, gt=0)

    @model_validator(mode="after")
    def _in_order(self) -> ControllerOptions:
        if self.lowest_set_bar >= self.highest_set_bar:
            raise ValueError("lowest_set_bar must be below highest_set_bar")
        if self.table == "input":
            raise ValueError("a controller is written to, so its table is holding")
        return self


class ModbusPressureController(ModbusGauge):
    """A pressure controller; absolute pressure in bar."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        options = read_options(ControllerOptions, spec)
        super().__init__(spec, clock, options)
        self._controller = options
        self._link_timeout_s: float | None = None
        self._orders = PressureOrders(
            spec.name, options.lowest_set_bar, options.highest_set_bar, options.most_ramp_bar_per_min
        )

    def send_settings(self) -> None:
        """Check that the reading is possible (bar), set the link time-out (s) and read it back."""
        super().send_settings()
        register, timeout_s = self._controller.link_timeout, self._spec.link_timeout_s
        self._link_timeout_s = None
        if register is not None and timeout_s is not None:
            self._write(register, timeout_s, "the link time-out", "s")
            self._link_timeout_s = timeout_s

    @property
    def link_timeout_s(self) -> float | None:
        """After how long without a request it vents by itself, in seconds, as read back; None: not known."""
        return self._link_timeout_s

    def set_ramp_bar_per_min(self, ramp_bar_per_min: float) -> None:
        """Set the ramp, in bar/min. Refused before the wire when it is not above 0 or too steep."""
        self._orders.check_ramp(ramp_bar_per_min)
        self._write(self._controller.ramp, ramp_bar_per_min, "the ramp", "bar/min")

    def set_pressure_bar(self, pressure_bar: float) -> None:
        """Set the absolute set point, in bar. Refused before the wire when out of range."""
        self._orders.check_set_point(pressure_bar)
        self._write(self._controller.set_point, pressure_bar, "the set point", "bar")

    def vent(self) -> None:
        """Vent to ambient (no unit). Does not wait for a pause after a lost link."""
        self.link.write_register(self._controller.mode, self._controller.vent_code, urgent=True)

    def hold_output(self, on: bool) -> None:
        """Switch control on or off (no unit)."""
        options = self._controller
        self.link.write_register(options.mode, options.control_code if on else options.measure_code)

    def _write(self, number: Number, value: float, what: str, unit: str) -> None:
        order = self._controller.word_order
        try:
            words = number.encode(value, order)
        except ValueError as error:
            raise Refused(self.name, f"{what}: {error}") from None
        self.link.write_registers(number.address, words)
        taken = number.decode(self.read([(number.address, number.count)]), order)
        tolerance = 1e-5 if number.kind == "float32" else abs(number.scale)
        if abs(taken - value) > tolerance:
            raise Refused(self.name, f"took {what} {taken:g} {unit} when sent {value:g} {unit}")
