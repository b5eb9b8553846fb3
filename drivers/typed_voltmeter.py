"""A meter that a person reads and types in, for a pot with hand valves.

| what is typed | means |
|---|---|
| `50.12` or `50,12` | millivolts |
| `over`, `under` | the meter shows an overload |
| `none` or nothing | no reading |
"""

from __future__ import annotations

import time
from collections.abc import Callable

from pydantic import Field, field_validator

from drivers.errors import BadReply, BadSpec, NoReading
from drivers.options import Options, read_options
from drivers.ports import ChannelReading, Identity, InstrumentSpec, ReadingStatus

Ask = Callable[[str], str | None]

_TRIES = 3
_WORDS = {
    "over": ReadingStatus.OVER,
    "under": ReadingStatus.UNDER,
    "none": ReadingStatus.NO_VALUE,
    "": ReadingStatus.NO_VALUE,
}


class TypedOptions(Options):
    """Options of a hand-read meter: its `sockets`, what can be true (`most_mv`), and who makes it."""

    sockets: tuple[int, ...] = (1,)
    most_mv: float = Field(default=1000.0, gt=0)
    maker: str = ""
    model: str = ""

    @field_validator("sockets")
    @classmethod
    def _no_socket_twice(cls, sockets: tuple[int, ...]) -> tuple[int, ...]:
        if not sockets or len(set(sockets)) != len(sockets):
            raise ValueError("sockets must name at least one socket, and none twice")
        return sockets


class TypedVoltmeter:
    """A hand-read meter.

    Args:
        spec: the bench file's entry; its address is not used.
        ask: puts a question to the operator; None as answer means that nobody answered.

    Raises:
        BadSpec: when there is nobody to ask.
    """

    read_by_hand = True

    def __init__(self, spec: InstrumentSpec, ask: Ask | None = None) -> None:
        self._options = read_options(TypedOptions, spec)
        if ask is None:
            raise BadSpec(spec.name, "driver", "a typed voltmeter needs an operator to ask")
        self._spec = spec
        self._ask = ask
        self._began_s: float | None = None

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._spec.name

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in the order in which they are asked for."""
        return self._options.sockets

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes, in seconds: the operator's time, which nobody knows."""
        return 0.0

    def identify(self) -> Identity:
        """Say what the bench file says of the meter."""
        return Identity(self._options.maker, self._options.model, self._spec.serial)

    def configure(self) -> None:
        """Do nothing: there is nothing to set."""

    def close(self) -> None:
        """Do nothing: there is nothing to let go of."""

    def begin_scan(self) -> None:
        """Start a scan; the questions come with `collect_scan`."""
        self._began_s = time.monotonic()

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Ask for every socket's output, in mV; offsets in seconds.

        Raises:
            NoReading: when nobody answers.
            BadReply: when no scan has been begun, or an answer is no number after three tries.
        """
        if self._began_s is None:
            raise BadReply(self.name, "no scan is in progress; begin one first")
        began_s, self._began_s = self._began_s, None
        return tuple(self._read(socket, began_s) for socket in self._options.sockets)

    def _read(self, socket: int, began_s: float) -> ChannelReading:
        question = f"socket {socket}: output in mV"
        asked_s = time.monotonic()
        for _ in range(_TRIES):
            answer = self._ask(question)
            answered_s = time.monotonic()
            if answer is None:
                raise NoReading(self.name, f"nobody typed in the output of socket {socket}")
            word = answer.strip().lower().removesuffix("mv").strip()
            status = _WORDS.get(word, ReadingStatus.OK)
            output_mv = None if status is not ReadingStatus.OK else self._number(word)
            if status is not ReadingStatus.OK or output_mv is not None:
                return ChannelReading(
                    socket,
                    output_mv,
                    status,
                    (asked_s + answered_s) / 2 - began_s,
                    (answered_s - asked_s) / 2,
                )
            most_mv = self._options.most_mv
            question = (
                f"socket {socket}: {answer!r} is no output in mV; a number from -{most_mv:g} to {most_mv:g}, "
                "or over, under, none"
            )
        raise BadReply(self.name, f"no usable output for socket {socket} after {_TRIES} tries")

    def _number(self, word: str) -> float | None:
        try:
            value = float(word.replace(",", "."))
        except ValueError:
            return None
        return value if abs(value) <= self._options.most_mv else None
