"""A microcontroller that sends text lines of channel and millivolts over a serial line.

| line | means |
|---|---|
| `*IDN?` | asks for its identity: maker, model, serial, firmware, comma separated |
| `SCAN 17` | asks for one scan; the number is a token that comes back |
| `1 50.123 12` | channel, millivolts, and (optional) milliseconds after the command at which it was read |
| `2 over` | no number: `over`, `under` or `none` |
| `END 17` | the scan of that token is complete |

`line_voltmeter.md` beside this file has the line format and a reference sketch for the board. Many boards
restart when their port is opened, hence `boot_s`. The scan runs in the background, since such a board is
slow.
"""

from __future__ import annotations

import re
import threading
import time
from itertools import count

from pydantic import Field, model_validator

from drivers.background_scan import BackgroundScan, ScansInBackground
from drivers.errors import BadReply, LinkDown
from drivers.options import read_options
from drivers.ports import MOST_SOCKETS, ChannelReading, Clock, InstrumentSpec, ReadingStatus
from drivers.scpi.commands import NUMBER, ScpiInstrument, ScpiOptions, Words

_LINE = re.compile(rf"\s*(?:(\d+)\s+({NUMBER}|over|under|none)(?:\s+(\d+))?|END\s+(\d+))\s*")
_STATUS = {
    "over": ReadingStatus.OVER,
    "under": ReadingStatus.UNDER,
    "none": ReadingStatus.NO_VALUE,
}
_TOKENS = 10_000


class LineWords(Words):
    """Commands of the board; it has no error queue."""

    clear: str = ""
    error: str = ""
    scan: str = "SCAN {token}"


class LineOptions(ScpiOptions):
    """Options of a line voltmeter.

    `channels` as the board numbers them and `sockets` where they differ; `scan_s` how long a scan takes;
    `boot_s` how long the board takes to start after its port was opened.
    """

    baud: int = Field(default=115200, gt=0)
    channels: tuple[int, ...] = Field(default=(1, 2, 3, 4, 5, 6, 7, 8), max_length=MOST_SOCKETS)
    sockets: tuple[int, ...] = ()
    scan_s: float = Field(default=0.5, gt=0)
    boot_s: float = Field(default=2.0, ge=0, le=30)
    words: LineWords = LineWords()

    @model_validator(mode="after")
    def _one_socket_a_channel(self) -> LineOptions:
        if not self.channels or len(set(self.channels)) != len(self.channels):
            raise ValueError("channels must name at least one channel, and none twice")
        if self.sockets and len(set(self.sockets)) != len(self.channels):
            raise ValueError(
                f"sockets must name {len(self.channels)} different sockets, one for each channel"
            )
        return self


class LineVoltmeter(ScansInBackground, ScpiInstrument):
    """A board that answers a scan with one line a channel."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(LineOptions, spec)
        super().__init__(spec, self._options, self._options.words, clock)
        sockets = self._options.sockets or self._options.channels
        self._socket_of = dict(zip(self._options.channels, sockets, strict=True))
        self._background = BackgroundScan(spec.name, self._scan, max(spec.deadline_s, spec.patience_s))
        self._tokens = count(1)
        self._booted_generation = 0
        self._closing = threading.Event()

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        return tuple(self._socket_of.values())

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes, in seconds, by the bench file."""
        return self._options.scan_s

    def close(self) -> None:
        """End a running scan and close the link; never raises."""
        self._closing.set()
        self._background.close()
        super().close()

    def _configure(self) -> None:
        self.link.connect()
        if self.link.generation != self._booted_generation:
            if self._closing.wait(self._options.boot_s):
                raise LinkDown(self.name, "is being closed")
            self._booted_generation = self.link.generation
        super()._configure()

    def _scan(self, began_s: float, closing: threading.Event) -> tuple[ChannelReading, ...]:
        options = self._options
        token = next(self._tokens) % _TOKENS
        # The whole answer must come in time; a reconnect on the way includes the restart of the board.
        limit_s = options.scan_s + options.boot_s + self._spec.deadline_s
        readings: dict[int, ChannelReading] = {}
        line = self.link.query(options.words.scan.format(token=token), _LINE, deadline_s=limit_s)
        while line[4] is None:
            if closing.is_set():
                raise LinkDown(self.name, "is being closed")
            reading = self._reading(line, began_s)
            readings[reading.socket] = reading
            line = self.link.read_line(_LINE, deadline_s=limit_s)
        if int(line[4]) != token:
            raise BadReply(self.name, f"ended scan {line[4]} when asked for {token}")
        missing = [socket for socket in self.sockets if socket not in readings]
        if missing:
            raise BadReply(self.name, f"left out the channel of socket {missing[0]}")
        return tuple(readings[socket] for socket in self.sockets)

    def _reading(self, line: re.Match[str], began_s: float) -> ChannelReading:
        channel, text, milliseconds = int(line[1]), line[2], line[3]
        if channel not in self._socket_of:
            raise BadReply(self.name, f"sent channel {channel}, which the bench file does not have")
        elapsed_s = time.monotonic() - began_s
        offset_s, half_width_s = elapsed_s / 2, elapsed_s / 2
        if milliseconds is not None:
            offset_s = int(milliseconds) / 1e3
            half_width_s = max(0.0, elapsed_s - offset_s)
        status = _STATUS.get(text, ReadingStatus.OK)
        output_mv = float(text) if status is ReadingStatus.OK else None
        return ChannelReading(self._socket_of[channel], output_mv, status, offset_s, half_width_s)
