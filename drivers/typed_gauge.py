"""A pressure gauge that a person reads and types in, for a pot that has only a dial.

| what is typed | means |
|---|---|
| `1.60 bara` | bar absolute; the unit is never left out |
| `none` or nothing | no reading |

The rig does not ask for it tick by tick: it asks for two readings some seconds apart where it needs one.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final

from pydantic import Field

from drivers.errors import BadReply, BadSpec, NoReading
from drivers.options import Options, read_options
from drivers.ports import Identity, InstrumentSpec, ReadingStatus

Ask = Callable[[str], str | None]

_TRIES: Final = 3
_TEXT: Final = re.compile(r"(\d+(?:\.\d+)?)\s*bara")
_STATUS: Final = {"none": ReadingStatus.NO_VALUE, "": ReadingStatus.NO_VALUE, "over": ReadingStatus.OVER}


class TypedGaugeOptions(Options):
    """Options of a hand-read gauge: `most_bar`, the end of its scale in bar absolute, and its maker."""

    maker: str = ""
    model: str = ""
    most_bar: float = Field(default=10.0, gt=0)


class TypedGauge:
    """A hand-read gauge.

    Args:
        spec: the bench file's entry; its address is not used.
        ask: puts a question to the operator; None as answer means that nobody answered.

    Raises:
        BadSpec: when there is no operator to ask, or an option cannot be used.
    """

    read_by_hand = True

    def __init__(self, spec: InstrumentSpec, ask: Ask | None = None) -> None:
        options = read_options(TypedGaugeOptions, spec)
        if ask is None:
            raise BadSpec(spec.name, "driver", f"a {spec.driver} needs an operator to ask")
        self._name = spec.name
        self._identity = Identity(options.maker, options.model, spec.serial)
        self._most_bar = options.most_bar
        self._ask = ask

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._name

    def identify(self) -> Identity:
        """Return the identity given in the bench file."""
        return self._identity

    def configure(self) -> None:
        """Do nothing: there is nothing to set."""

    def close(self) -> None:
        """Do nothing: there is no link."""

    def read_pressure_bar(self) -> float:
        """Ask for the absolute pressure, in bar, until the answer is usable, three times at most.

        Raises:
            NoReading: when there is no answer, or no reading.
            BadReply: when no answer is a pressure after three tries.
        """
        what = f"absolute pressure up to {self._most_bar:g} bar"
        question = f"{self.name}: absolute pressure with its unit, for example 1.60 bara"
        for _ in range(_TRIES):
            answer = self._ask(question)
            if answer is None:
                raise NoReading(self.name, f"no {what} was typed")
            pressure_bar = self._pressure_bar(answer.strip().lower())
            if pressure_bar is not None:
                return pressure_bar
            question = f"{answer!r} is not an {what}; write number and unit, for example 1.60 bara"
        raise BadReply(self.name, f"no usable {what} after {_TRIES} tries")

    def _pressure_bar(self, word: str) -> float | None:
        if word in _STATUS:
            raise NoReading(self.name, "the operator sees no pressure", _STATUS[word])
        found = _TEXT.fullmatch(word)
        pressure_bar = float(found[1]) if found else 0.0
        return pressure_bar if 0.0 < pressure_bar <= self._most_bar else None
