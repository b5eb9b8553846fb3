"""An SCPI thermometer in the pot.

| fact | our words |
|---|---|
| `UNIT:TEMP C` | answers in degrees Celsius |
| `MEAS:TEMP?` | one reading; 9.91E37 when the sensor is open |
"""

from __future__ import annotations

import re

from pydantic import Field

from drivers.errors import BadReply
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec
from drivers.scpi.commands import ScpiInstrument, ScpiOptions, Words
from drivers.sentinels import number_or_no_reading


class ThermometerWords(Words):
    """Commands of a thermometer."""

    unit: str = "UNIT:TEMP C"
    unit_query: str = "UNIT:TEMP?"
    read: str = "MEAS:TEMP?"


class ThermometerOptions(ScpiOptions):
    """Options of a thermometer: readings outside `lowest_c` to `highest_c` (°C) are invalid."""

    lowest_c: float = Field(default=-40.0, ge=-273.15)
    highest_c: float = 125.0
    words: ThermometerWords = ThermometerWords()


_CELSIUS = re.compile(r'\s*"?(?:C|CEL|DEGC)"?\s*', re.IGNORECASE)


class ScpiThermometer(ScpiInstrument):
    """A thermometer read by MEAS:TEMP?."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(ThermometerOptions, spec)
        super().__init__(spec, self._options, self._options.words, clock)

    def send_settings(self) -> None:
        """Send the unit, degrees Celsius, and read it back."""
        words = self._options.words
        self.send(words.unit)
        if words.unit_query:
            self.link.query(words.unit_query, _CELSIUS)

    def read_temperature_c(self) -> float:
        """Read temperature, in degrees Celsius.

        Raises:
            NoReading: when the sensor is open or out of range.
            BadReply: when the number is not a possible temperature of the pot.
        """
        temperature_c = number_or_no_reading(self.name, self.query_number(self._options.words.read))
        if not self._options.lowest_c <= temperature_c <= self._options.highest_c:
            raise BadReply(self.name, f"{temperature_c:g} °C is not possible here")
        return temperature_c
