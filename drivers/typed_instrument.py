"""What every instrument has in common that a person reads and types in."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from drivers.errors import BadReply, BadSpec, NoReading
from drivers.options import Options
from drivers.ports import Identity, InstrumentSpec

Ask = Callable[[str], str | None]

_TRIES = 3

ReadingT = TypeVar("ReadingT")


class TypedOptions(Options):
    """Who makes a hand-read instrument; its drivers add what can be true."""

    maker: str = ""
    model: str = ""


class TypedInstrument:
    """A hand-read instrument.

    Args:
        spec: the bench file's entry; its address is not used.
        options: the driver's options, read from `spec`.
        ask: puts a question to the operator; None as answer means that nobody answered.

    Raises:
        BadSpec: when there is nobody to ask.
    """

    read_by_hand = True

    def __init__(self, spec: InstrumentSpec, options: TypedOptions, ask: Ask | None) -> None:
        if ask is None:
            raise BadSpec(spec.name, "driver", f"a {spec.driver} needs an operator to ask")
        self._spec = spec
        self._identity = Identity(options.maker, options.model, spec.serial)
        self._ask = ask

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._spec.name

    def identify(self) -> Identity:
        """Say what the bench file says of the instrument."""
        return self._identity

    def configure(self) -> None:
        """Do nothing: there is nothing to set."""

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""

    def ask_for(
        self, what: str, question: str, read: Callable[[str], ReadingT | None], hint: str
    ) -> ReadingT:
        """Ask until the answer can be used, three times at most.

        Args:
            what: what is asked for, as in "nobody typed in the ...".
            question: the first question.
            read: makes a reading of the answer's text, None of an unusable one.
            hint: what a usable answer is; told with each unusable one.

        Raises:
            NoReading: when nobody answers; and whatever `read` raises.
            BadReply: when no answer can be used.
        """
        for _ in range(_TRIES):
            answer = self._ask(question)
            if answer is None:
                raise NoReading(self.name, f"nobody typed in the {what}")
            reading = read(answer.strip().lower())
            if reading is not None:
                return reading
            question = f"{answer!r} is no {what}; {hint}"
        raise BadReply(self.name, f"no usable {what} after {_TRIES} tries")
