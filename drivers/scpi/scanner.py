"""A scanning SCPI voltmeter: one command starts a scan over a channel list, one answer returns all of it.

| fact | our words |
|---|---|
| `ROUT:SCAN (@list)` | channels of the scan, in this order |
| `ROUT:SCAN?` | the list as taken, plain or as a block `#214(@101,102,103)` |
| `FETC?` | waits for the scan in progress, then answers volts, comma separated, in scan order |
| time | the channels are read one after another, so each has its own time within the scan |

The other commands are those of `drivers.scpi.voltmeter`.
"""

from __future__ import annotations

from pydantic import field_validator, model_validator

from drivers.errors import Refused
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec
from drivers.scpi.commands import parse_channels, read_channel_list
from drivers.scpi.voltmeter import TriggeredVoltmeter, VoltmeterOptions, VoltmeterWords


class ScannerWords(VoltmeterWords):
    """Commands of a scanner."""

    scan: str = "ROUT:SCAN (@{channels})"
    scan_query: str = "ROUT:SCAN?"


class ChannelOptions(VoltmeterOptions):
    """Options of a meter of several channels.

    `channels` in scan order; `sockets` where they do not count from 1.
    """

    channels: str = "101:108"
    sockets: tuple[int, ...] = ()

    @field_validator("channels")
    @classmethod
    def _channel_list(cls, text: str) -> str:
        parse_channels(text)
        return text

    @model_validator(mode="after")
    def _one_socket_a_channel(self) -> ChannelOptions:
        count = len(parse_channels(self.channels))
        if self.sockets and (len(self.sockets) != count or len(set(self.sockets)) != count):
            raise ValueError(f"sockets must name {count} different sockets, one for each channel")
        return self

    @property
    def channel_numbers(self) -> tuple[str, ...]:
        """The channels, one by one."""
        return parse_channels(self.channels)

    @property
    def socket_numbers(self) -> tuple[int, ...]:
        """The sockets, one a channel."""
        return self.sockets or tuple(range(1, len(self.channel_numbers) + 1))


class ScannerOptions(ChannelOptions):
    """Options of a scanner."""

    words: ScannerWords = ScannerWords()


class ScpiScanner(TriggeredVoltmeter):
    """A scanning voltmeter read by INIT and FETC?."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        options = read_options(ScannerOptions, spec)
        super().__init__(spec, options, options.words, options.socket_numbers, clock)
        self._channels = options.channel_numbers
        self._list_words = options.words

    def send_settings(self) -> None:
        """Send range (V), aperture (NPLC), autozero and channel list, and read them back."""
        super().send_settings()
        self.send(self._list_words.scan, channels=",".join(self._channels))
        if self._list_words.scan_query:
            taken = read_channel_list(self.link, self._list_words.scan_query)
            if taken != self._channels:
                raise Refused(
                    self.name, f"took the channels {','.join(taken)} for {','.join(self._channels)}"
                )
