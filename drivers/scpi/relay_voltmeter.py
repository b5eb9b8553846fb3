"""An SCPI voltmeter behind relays: close a channel, wait, read, open it, then the next one.

| fact | our words |
|---|---|
| `ROUT:CLOS (@n)` | connects channel n; some makes open the channel before it, others leave it closed |
| `ROUT:OPEN (@n)` | disconnects it: sent after every reading, since two closed channels join two cells |
| `READ?` | starts one reading and answers it, in volts |
| time | each reading is stamped between its question and its answer |

The settings are those of `drivers.scpi.voltmeter`.
"""

from __future__ import annotations

import threading
import time

from drivers.background_scan import BackgroundScan, ScansInBackground
from drivers.errors import LinkDown
from drivers.options import read_options
from drivers.ports import ChannelReading, Clock, InstrumentSpec
from drivers.scpi.scanner import ChannelOptions
from drivers.scpi.voltmeter import MeterWords, ScpiMeter


class RelayWords(MeterWords):
    """Commands of a voltmeter behind relays."""

    close_channel: str = "ROUT:CLOS (@{channel})"
    open_channel: str = "ROUT:OPEN (@{channel})"
    read: str = "READ?"


class RelayOptions(ChannelOptions):
    """Options of a voltmeter behind relays; `channel_delay_s` is waited after each closing."""

    words: RelayWords = RelayWords()


class ScpiRelayVoltmeter(ScansInBackground, ScpiMeter):
    """A voltmeter behind relays, stepped through its channels in the background."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        options = read_options(RelayOptions, spec)
        super().__init__(spec, options, options.words, options.socket_numbers, clock)
        self._options = options
        self._background = BackgroundScan(spec.name, self._scan, max(spec.deadline_s, spec.patience_s))

    def send_settings(self) -> None:
        """Open all channels; send range (V), aperture (NPLC) and autozero, and read them back."""
        for channel in self._options.channel_numbers:
            self.send(self._options.words.open_channel, channel=channel)
        super().send_settings()

    def close(self) -> None:
        """End a running scan and close the link; never raises."""
        self._background.close()
        super().close()

    def _scan(self, began_s: float, closing: threading.Event) -> tuple[ChannelReading, ...]:
        options = self._options
        channels = zip(options.channel_numbers, self.sockets, strict=True)
        return tuple(self._read_channel(channel, socket, began_s, closing) for channel, socket in channels)

    def _read_channel(
        self, channel: str, socket: int, began_s: float, closing: threading.Event
    ) -> ChannelReading:
        words, options = self._options.words, self._options
        self.send(words.close_channel, channel=channel)
        if closing.wait(options.channel_delay_s):
            raise LinkDown(self.name, "is being closed")
        asked_s = time.monotonic()
        try:
            value = self.query_number(words.read, deadline_s=self._spec.deadline_s + options.channel_s)
        finally:
            answered_s = time.monotonic()
            self.send(words.open_channel, channel=channel)
        return self._reading(socket, value, (asked_s + answered_s) / 2 - began_s, (answered_s - asked_s) / 2)
