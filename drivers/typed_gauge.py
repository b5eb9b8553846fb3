"""A pressure gauge that a person reads and types in, for a pot with nothing but a dial.

| what is typed | means |
|---|---|
| `1.60 bara` | bar absolute; the unit is never left out |
| `none` or nothing | no reading |

A rig does not ask for it tick by tick: it has two readings typed some seconds apart where it needs one.
"""

from __future__ import annotations

import re

from pydantic import Field

from drivers.errors import NoReading
from drivers.options import read_options
from drivers.ports import InstrumentSpec, ReadingStatus
from drivers.typed_instrument import Ask, TypedInstrument, TypedOptions

_TEXT = re.compile(r"(\d+(?:\.\d+)?)\s*bara")
_STATUS = {"none": ReadingStatus.NO_VALUE, "": ReadingStatus.NO_VALUE, "over": ReadingStatus.OVER}


class TypedGaugeOptions(TypedOptions):
    """Options of a hand-read gauge: `most_bar`, the end of its scale in bar absolute, and who makes it."""

    most_bar: float = Field(default=10.0, gt=0)


class TypedGauge(TypedInstrument):
    """A hand-read gauge; arguments and errors are those of every typed instrument."""

    def __init__(self, spec: InstrumentSpec, ask: Ask | None = None) -> None:
        options = read_options(TypedGaugeOptions, spec)
        super().__init__(spec, options, ask)
        self._most_bar = options.most_bar

    def read_pressure_bar(self) -> float:
        """Ask for the absolute pressure, in bar.

        Raises:
            NoReading: when nobody answers, or there is nothing to read.
            BadReply: when no answer is a pressure after three tries.
        """
        return self.ask_for(
            f"absolute pressure up to {self._most_bar:g} bar",
            f"{self.name}: absolute pressure with its unit, for example 1.60 bara",
            self._pressure_bar,
            "write number and unit, for example 1.60 bara",
        )

    def _pressure_bar(self, word: str) -> float | None:
        if word in _STATUS:
            raise NoReading(self.name, "the operator sees no pressure", _STATUS[word])
        found = _TEXT.fullmatch(word)
        pressure_bar = float(found[1]) if found else 0.0
        return pressure_bar if 0.0 < pressure_bar <= self._most_bar else None
