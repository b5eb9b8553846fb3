"""A thermometer behind Modbus registers. The default map is that of a common two-register float.

| register | holds |
|---|---|
| 0, 1 | temperature in degrees Celsius, float32; an int16 in tenths is `kind = "int16", scale = 0.1` |

Status, proof of word order and serial number where the unit has them; see `drivers.modbus.registers`.
"""

from __future__ import annotations

from pydantic import Field

from drivers.errors import BadReply
from drivers.modbus.registers import ModbusInstrument, ModbusOptions, Number, StatusBits
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec


class ThermometerOptions(ModbusOptions):
    """Options of a thermometer: its register, and the possible temperatures of a pot (°C)."""

    temperature: Number = Number(address=0)
    status: StatusBits | None = None
    lowest_c: float = Field(default=-40.0, ge=-273.15)
    highest_c: float = 125.0


class ModbusThermometer(ModbusInstrument):
    """A thermometer, in degrees Celsius."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(ThermometerOptions, spec)
        super().__init__(spec, self._options, clock)

    def send_settings(self) -> None:
        """Read once, so that an absent unit or a wrong map shows at the start (degrees Celsius)."""
        self.read_temperature_c()

    def read_temperature_c(self) -> float:
        """Read temperature, in degrees Celsius.

        Raises:
            NoReading: when the unit reports that it has none.
            BadReply: when the number is not a possible temperature of the pot.
        """
        options = self._options
        temperature_c = self.checked_number(options.temperature, options.status)
        if not options.lowest_c <= temperature_c <= options.highest_c:
            raise BadReply(self.name, f"{temperature_c:g} °C is not possible here")
        return temperature_c
