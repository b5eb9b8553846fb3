"""A meter that a person reads and types in, for a pot with hand valves.

| what is typed | means |
|---|---|
| `50.12` or `50,12` | millivolts |
| `over`, `under` | the meter shows an overload |
| `none` or nothing | no reading |
"""

from __future__ import annotations

import time

from pydantic import Field, field_validator

from drivers.errors import BadReply
from drivers.options import read_options
from drivers.ports import MOST_SOCKETS, ChannelReading, InstrumentSpec, ReadingStatus
from drivers.typed_instrument import Ask, TypedInstrument, TypedOptions

_WORDS = {
    "over": ReadingStatus.OVER,
    "under": ReadingStatus.UNDER,
    "none": ReadingStatus.NO_VALUE,
    "": ReadingStatus.NO_VALUE,
}


class TypedVoltmeterOptions(TypedOptions):
    """Options of a hand-read meter: its `sockets`, what can be true (`most_mv`), and who makes it."""

    sockets: tuple[int, ...] = Field(default=(1,), max_length=MOST_SOCKETS)
    most_mv: float = Field(default=1000.0, gt=0)

    @field_validator("sockets")
    @classmethod
    def _no_socket_twice(cls, sockets: tuple[int, ...]) -> tuple[int, ...]:
        if not sockets or len(set(sockets)) != len(sockets):
            raise ValueError("sockets must name at least one socket, and none twice")
        return sockets


class TypedVoltmeter(TypedInstrument):
    """A hand-read meter; arguments and errors are those of every typed instrument."""

    def __init__(self, spec: InstrumentSpec, ask: Ask | None = None) -> None:
        self._options = read_options(TypedVoltmeterOptions, spec)
        super().__init__(spec, self._options, ask)
        self._began_s: float | None = None

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in the order in which they are asked for."""
        return self._options.sockets

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes, in seconds: the operator's time, which nobody knows."""
        return 0.0

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
        most_mv = self._options.most_mv
        asked_s = time.monotonic()
        status, output_mv = self.ask_for(
            f"output of socket {socket}",
            f"socket {socket}: output in mV",
            self._output_mv,
            f"a number in mV from -{most_mv:g} to {most_mv:g}, or over, under, none",
        )
        answered_s = time.monotonic()
        return ChannelReading(
            socket, output_mv, status, (asked_s + answered_s) / 2 - began_s, (answered_s - asked_s) / 2
        )

    def _output_mv(self, word: str) -> tuple[ReadingStatus, float | None] | None:
        word = word.removesuffix("mv").strip()
        if word in _WORDS:
            return _WORDS[word], None
        try:
            value = float(word.replace(",", "."))
        except ValueError:
            return None
        return (ReadingStatus.OK, value) if abs(value) <= self._options.most_mv else None
