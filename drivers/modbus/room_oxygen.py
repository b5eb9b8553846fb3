"""A monitor of the room's oxygen behind Modbus registers. The default map is that of a two-register float.

| register | holds |
|---|---|
| 0, 1 | oxygen in percent by volume, float32; a uint16 in tenths is `kind = "uint16", scale = 0.1` |

Status, proof of word order and serial number where the unit has them; see `drivers.modbus.registers`.
"""

from __future__ import annotations

from drivers.errors import BadReply
from drivers.modbus.registers import ModbusInstrument, ModbusOptions, Number, StatusBits
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec


class RoomOxygenOptions(ModbusOptions):
    """Options of a monitor of the room's oxygen: its register, and its status bits where it has them."""

    oxygen: Number = Number(address=0)
    status: StatusBits | None = None


class ModbusRoomOxygen(ModbusInstrument):
    """A monitor of the room's oxygen, in percent by volume."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(RoomOxygenOptions, spec)
        super().__init__(spec, self._options, clock)

    def send_settings(self) -> None:
        """Read once, so that an absent unit or a wrong map shows at the start."""
        self.read_oxygen_percent()

    def read_oxygen_percent(self) -> float:
        """Read the room's oxygen, in percent by volume.

        Raises:
            NoReading: when the unit reports that it has none.
            BadReply: when the number is not a possible oxygen content.
        """
        options = self._options
        oxygen_percent = self.checked_number(options.oxygen, options.status)
        if not 0.0 <= oxygen_percent <= 100.0:
            raise BadReply(self.name, f"{oxygen_percent:g} % cannot be the room's oxygen")
        return oxygen_percent
