"""A pressure gauge that a person reads and types in, for a pot with nothing but a dial.

| what is typed | means |
|---|---|
| `1.60 bara` | bar absolute; the unit is never left out |
| `none` or nothing | no reading |

A rig does not ask for it tick by tick: it has two readings typed some seconds apart where it needs one.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from pydantic import Field

from drivers.errors import BadReply, BadSpec, NoReading
from drivers.options import Options, read_options
from drivers.ports import Identity, InstrumentSpec, ReadingStatus

Ask = Callable[[str], str | None]

_TRIES = 3
_TEXT = re.compile(r"(\d+(?:\.\d+)?)\s*bara", re.IGNORECASE)
_STATUS = {"none": ReadingStatus.NO_VALUE, "": ReadingStatus.NO_VALUE, "over": ReadingStatus.OVER}


class TypedGaugeOptions(Options):
    """Options of a hand-read gauge: `most_bar`, the end of its scale in bar absolute, and who makes it."""

    most_bar: float = Field(default=10.0, gt=0)
    maker: str = ""
    model: str = ""


class TypedGauge:
    """A hand-read gauge.

    Args:
        spec: the bench file's entry; its address is not used.
        ask: puts a question to the operator; None as answer means that nobody answered.

    Raises:
        BadSpec: when there is nobody to ask.
    """

    read_by_hand = True

    def __init__(self, spec: InstrumentSpec, ask: Ask | None = None) -> None:
        self._options = read_options(TypedGaugeOptions, spec)
        if ask is None:
            raise BadSpec(spec.name, "driver", "a typed gauge needs an operator to ask")
        self._spec = spec
        self._ask = ask

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._spec.name

    def identify(self) -> Identity:
        """Say what the bench file says of the gauge."""
        return Identity(self._options.maker, self._options.model, self._spec.serial)

    def configure(self) -> None:
        """Do nothing: there is nothing to set."""

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""

    def read_pressure_bar(self) -> float:
        """Ask for the absolute pressure, in bar.

        Raises:
            NoReading: when nobody answers, or there is nothing to read.
            BadReply: when no answer is a pressure after three tries.
        """
        question = f"{self.name}: absolute pressure with its unit, for example 1.60 bara"
        for _ in range(_TRIES):
            answer = self._ask(question)
            if answer is None:
                raise NoReading(self.name, "nobody typed in the pressure")
            word = answer.strip().lower()
            if word in _STATUS:
                raise NoReading(self.name, "the operator sees no pressure", _STATUS[word])
            found = _TEXT.fullmatch(word)
            pressure_bar = float(found[1]) if found else math.nan
            if 0.0 < pressure_bar <= self._options.most_bar:
                return pressure_bar
            question = (
                f"{self.name}: {answer!r} is no absolute pressure up to {self._options.most_bar:g} bar; "
                "write number and unit, for example 1.60 bara"
            )
        raise BadReply(self.name, f"no usable pressure after {_TRIES} tries")
