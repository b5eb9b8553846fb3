"""A pressure gauge or barometer behind Modbus registers. The default map is the virtual bench's.

| register | holds |
|---|---|
| 0, 1 | pressure, float32 |
| 2, 3 | pi, float32: proves word order |
| 4 | status: bit 0 sensor fault, bit 1 above, bit 2 below its range |
| 5 | unit: 1 bar absolute, 2 bar gauge, 3 psi absolute, 4 kPa absolute |
| 6 to 9 | serial number, 8 characters |
| 12 | conversions so far; one that does not change shows a frozen gauge |
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from pydantic import Field, model_validator

from drivers.errors import BadReply, NoReading, WrongInstrument
from drivers.modbus.registers import (
    ModbusInstrument,
    ModbusOptions,
    Number,
    Proof,
    Registers,
    SerialNumber,
    StatusBits,
)
from drivers.options import Options, read_options
from drivers.ports import Clock, InstrumentSpec


class UnitCode(Options):
    """The register with the gauge's unit, and the code that it must hold.

    Pressure in a unit other than the map's is refused, never converted: a gauge that was set to psi must be
    set back.
    """

    address: int = Field(default=5, ge=0, le=65535)
    expected: int = Field(default=1, ge=0, le=65535)
    names: Mapping[str, str] = {
        "1": "bar absolute",
        "2": "bar gauge",
        "3": "psi absolute",
        "4": "kPa absolute",
    }

    def check(self, instrument: str, registers: Registers) -> None:
        """Raise WrongInstrument when the gauge is set to another unit."""
        code = registers.word(self.address)
        if code != self.expected:
            found = self.names.get(str(code), f"unit code {code}")
            right = self.names.get(str(self.expected), f"unit code {self.expected}")
            raise WrongInstrument(instrument, f"is set to {found}; set it to {right}")


class GaugeOptions(ModbusOptions):
    """Options of a gauge: the map above, and the possible pressures (absolute bar)."""

    pressure: Number = Number(address=0)
    proof: Proof | None = Proof(address=2)
    status: StatusBits | None = StatusBits()
    unit: UnitCode | None = UnitCode()
    serial: SerialNumber | None = SerialNumber(address=6)
    counter: int | None = Field(default=12, ge=0, le=65535)
    lowest_bar: float = Field(default=0.3, ge=0)
    highest_bar: float = Field(default=20.0, gt=0)

    @model_validator(mode="after")
    def _plausible(self) -> GaugeOptions:
        if self.lowest_bar >= self.highest_bar:
            raise ValueError("lowest_bar must be below highest_bar")
        return self


class ModbusGauge(ModbusInstrument):
    """A gauge, second gauge or barometer; absolute pressure in bar."""

    def __init__(
        self, spec: InstrumentSpec, clock: Clock | None = None, options: GaugeOptions | None = None
    ) -> None:
        self._options = options or read_options(GaugeOptions, spec)
        super().__init__(spec, self._options, clock)
        self._conversions: int | None = None
        options = self._options
        spans = [(options.pressure.address, options.pressure.count), *self.proof_span()]
        spans += [(part.address, 1) for part in (options.status, options.unit) if part is not None]
        spans += [(options.counter, 1)] if options.counter is not None else []
        self._spans = tuple(spans)

    @property
    def conversions(self) -> int | None:
        """Conversion counter (0 to 65535) read with the last pressure; None where the gauge has none."""
        return self._conversions

    def send_settings(self) -> None:
        """Read once: unit, status and a possible pressure (bar), also in its word order."""
        self.read_pressure_bar()

    def read_pressure_bar(self) -> float:
        """Read absolute pressure, in bar.

        Raises:
            NoReading: when the gauge reports that it has none.
            WrongInstrument: when it is set to another unit or sends its words in the other order.
            BadReply: when the number cannot be a pressure of this pot.
        """
        options = self._options
        registers = self.read(self._spans)
        self.check_proof(registers)
        if options.unit is not None:
            options.unit.check(self.name, registers)
        if options.counter is not None:
            self._conversions = registers.word(options.counter)
        if options.status is not None:
            options.status.check(self.name, registers)
        pressure_bar = options.pressure.decode(registers, options.word_order)
        if not math.isfinite(pressure_bar):
            raise NoReading(self.name, "has no value")
        if not self._plausible(pressure_bar):
            other = options.pressure.decode(registers, "little" if options.word_order == "big" else "big")
            hint = "; its words may be in the other order (word_order)" if self._plausible(other) else ""
            raise BadReply(self.name, f"{pressure_bar:.6g} bar is not possible here{hint}")
        return pressure_bar

    def read_barometer_bar(self) -> float:
        """Read ambient absolute pressure, in bar; raises as `read_pressure_bar` does."""
        return self.read_pressure_bar()

    def _plausible(self, pressure_bar: float) -> bool:
        return self._options.lowest_bar <= pressure_bar <= self._options.highest_bar
