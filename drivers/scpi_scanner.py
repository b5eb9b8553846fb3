"""A scanning SCPI voltmeter: one command starts a scan over a channel list, one answer brings all of it.

| fact | our words |
|---|---|
| `ROUT:SCAN (@list)` | channels of the scan, in this order |
| `SENS:VOLT:DC:NPLC n` | aperture in power-line cycles; a channel takes n / line frequency |
| `SENS:ZERO:AUTO OFF` | no zero reading between channels; it would double the time of a scan |
| `INIT` | starts the scan and returns at once |
| `FETC?` | waits for the scan in progress, then answers volts, comma separated, in scan order |
| range | a fixed range, so that no channel stops for ranging; too much reads 9.9E37 |
"""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, field_validator, model_validator

from drivers.errors import BadReply, Refused
from drivers.options import read_options
from drivers.ports import ChannelReading, Clock, InstrumentSpec, ReadingStatus
from drivers.scpi import (
    NUMBER,
    ScpiInstrument,
    ScpiOptions,
    Words,
    parse_channels,
    read_channel_list,
    status_of,
)

MV_PER_UNIT = {"V": 1e3, "mV": 1.0, "uV": 1e-3}


class VoltmeterOptions(ScpiOptions):
    """Options that every SCPI voltmeter has.

    `nplc` aperture in power-line cycles of `line_hz`; `range_v` fixed range; `channel_delay_s` relay settling
    of each channel; `trigger_s` how far the true start of a scan may lie from the command; `unit` of the
    answers.
    """

    nplc: float = Field(default=1.0, gt=0, le=1000)
    line_hz: Literal[50, 60] = 50
    range_v: float = Field(default=0.1, gt=0)
    autozero: bool = False
    channel_delay_s: float = Field(default=0.0, ge=0)
    trigger_s: float = Field(default=0.002, ge=0)
    unit: Literal["V", "mV", "uV"] = "V"

    @property
    def aperture_s(self) -> float:
        """Time that one reading integrates, in seconds."""
        return self.nplc / self.line_hz

    @property
    def channel_s(self) -> float:
        """Time that one channel takes, in seconds; autozero adds a reading of the meter's own zero."""
        return self.channel_delay_s + self.aperture_s * (2 if self.autozero else 1)


class ScannerWords(Words):
    """Commands of a scanner."""

    function: str = "CONF:VOLT:DC"
    range: str = "SENS:VOLT:DC:RANG {range_v:g}"
    range_query: str = "SENS:VOLT:DC:RANG?"
    nplc: str = "SENS:VOLT:DC:NPLC {nplc:g}"
    nplc_query: str = "SENS:VOLT:DC:NPLC?"
    autozero: str = "SENS:ZERO:AUTO {autozero}"
    scan: str = "ROUT:SCAN (@{channels})"
    scan_query: str = "ROUT:SCAN?"
    begin: str = "INIT"
    fetch: str = "FETC?"


class ScannerOptions(VoltmeterOptions):
    """Options of a scanner: `channels` in scan order, `sockets` where they do not count from 1."""

    channels: str = "101:108"
    sockets: tuple[int, ...] = ()
    words: ScannerWords = ScannerWords()

    @field_validator("channels")
    @classmethod
    def _channel_list(cls, text: str) -> str:
        parse_channels(text)
        return text

    @model_validator(mode="after")
    def _one_socket_a_channel(self) -> ScannerOptions:
        count = len(parse_channels(self.channels))
        if self.sockets and (len(self.sockets) != count or len(set(self.sockets)) != count):
            raise ValueError(f"sockets must name {count} different sockets, one for each channel")
        return self


class ScpiScanner(ScpiInstrument):
    """A scanning voltmeter read by INIT and FETC?."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(ScannerOptions, spec)
        super().__init__(spec, self._options, self._options.words, clock)
        self._channels = parse_channels(self._options.channels)
        self._sockets = self._options.sockets or tuple(range(1, len(self._channels) + 1))
        self._answer = re.compile(r"\s*" + r"\s*,\s*".join([f"({NUMBER})"] * len(self._channels)) + r"\s*")
        self._begun = False

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        return self._sockets

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes by its settings, in seconds."""
        return len(self._channels) * self._options.channel_s

    def send_settings(self) -> None:
        """Send function, range (V), aperture (NPLC), autozero and channel list, and read them back."""
        words, options = self._options.words, self._options
        self._begun = False
        self.send(words.function)
        self.send(words.range, range_v=options.range_v)
        self.send(words.nplc, nplc=options.nplc)
        self.send(words.autozero, autozero="ON" if options.autozero else "OFF")
        self.send(words.scan, channels=",".join(self._channels))
        self.confirm_number(words.range_query, options.range_v, "the range (V)")
        self.confirm_number(words.nplc_query, options.nplc, "the aperture (NPLC)")
        if words.scan_query:
            taken = read_channel_list(self.link, words.scan_query)
            if taken != self._channels:
                raise Refused(
                    self.name, f"took the channels {','.join(taken)} for {','.join(self._channels)}"
                )

    def begin_scan(self) -> None:
        """Start one scan and return at once; the meter's refusal is raised here."""
        self._begun = False
        self.send(self._options.words.begin)
        self.check_errors("to start a scan")
        self._begun = True

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Return the scan begun last: millivolts and offsets in seconds, one reading a socket.

        Raises:
            BadReply: when no scan has been begun since the last settings, or the answer is not one.
            LinkTimeout: when the scan is not there yet; the link has been closed, and the scan is lost.
        """
        if not self._begun:
            raise BadReply(self.name, "no scan is in progress; begin one first")
        self._begun = False
        answer = self.link.query(self._options.words.fetch, self._answer)
        return tuple(
            self._reading(index, socket, float(text))
            for index, (socket, text) in enumerate(zip(self._sockets, answer.groups(), strict=True))
        )

    def _reading(self, index: int, socket: int, value: float) -> ChannelReading:
        options = self._options
        status = status_of(value)
        return ChannelReading(
            socket=socket,
            output_mv=value * MV_PER_UNIT[options.unit] if status is ReadingStatus.OK else None,
            status=status,
            offset_s=index * options.channel_s + options.channel_delay_s + options.aperture_s / 2,
            half_width_s=options.aperture_s / 2 + options.trigger_s,
        )
