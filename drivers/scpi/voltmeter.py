"""An SCPI voltmeter of one channel, and the common part of every triggered SCPI voltmeter.

| fact | our words |
|---|---|
| `SENS:VOLT:DC:NPLC n` | aperture in power-line cycles; a reading takes n / line frequency |
| `SENS:VOLT:DC:RANG v` | a fixed range in volts, so that nothing waits for ranging; over range reads 9.9E37 |
| `SENS:ZERO:AUTO OFF` | no reading of the meter's own zero between readings; it would double the time |
| `INIT` | starts the measurement and returns at once |
| `FETC?` | waits for the measurement in progress, then answers volts |
"""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field

from drivers.errors import BadReply
from drivers.options import read_options
from drivers.ports import ChannelReading, Clock, InstrumentSpec, ReadingStatus
from drivers.scpi.commands import NUMBER, ScpiInstrument, ScpiOptions, Words
from drivers.sentinels import status_of

MV_PER_UNIT = {"V": 1e3, "mV": 1.0, "uV": 1e-3}


class MeterWords(Words):
    """Commands that set a voltmeter up."""

    function: str = "CONF:VOLT:DC"
    range: str = "SENS:VOLT:DC:RANG {range_v:g}"
    range_query: str = "SENS:VOLT:DC:RANG?"
    nplc: str = "SENS:VOLT:DC:NPLC {nplc:g}"
    nplc_query: str = "SENS:VOLT:DC:NPLC?"
    autozero: str = "SENS:ZERO:AUTO {autozero}"


class VoltmeterWords(MeterWords):
    """Commands of a triggered voltmeter."""

    begin: str = "INIT"
    fetch: str = "FETC?"


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


class SingleOptions(VoltmeterOptions):
    """Options of a voltmeter of one channel: the `socket` that it is wired to."""

    socket: int = Field(default=1, ge=1)
    words: VoltmeterWords = VoltmeterWords()


class ScpiMeter(ScpiInstrument):
    """Common part of triggered and relay voltmeters: settings, and how a number becomes a reading.

    Args:
        spec: the bench file's entry.
        options: its checked options.
        words: its commands.
        sockets: socket numbers in scan order.
        clock: the rig's clock, for the pause between reconnects.
    """

    def __init__(
        self,
        spec: InstrumentSpec,
        options: VoltmeterOptions,
        words: MeterWords,
        sockets: tuple[int, ...],
        clock: Clock | None,
    ) -> None:
        super().__init__(spec, options, words, clock)
        self._meter = options
        self._meter_words = words
        self._sockets = sockets

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        return self._sockets

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes by its settings, in seconds."""
        return len(self._sockets) * self._meter.channel_s

    def send_settings(self) -> None:
        """Send function, range (V), aperture (NPLC) and autozero, and read them back."""
        words, options = self._meter_words, self._meter
        self.send(words.function)
        self.send(words.range, range_v=options.range_v)
        self.send(words.nplc, nplc=options.nplc)
        self.send(words.autozero, autozero="ON" if options.autozero else "OFF")
        self.confirm_number(words.range_query, options.range_v, "the range (V)")
        self.confirm_number(words.nplc_query, options.nplc, "the aperture (NPLC)")

    def _reading(self, socket: int, value: float, offset_s: float, half_width_s: float) -> ChannelReading:
        status = status_of(value)
        output_mv = value * MV_PER_UNIT[self._meter.unit] if status is ReadingStatus.OK else None
        return ChannelReading(socket, output_mv, status, offset_s, half_width_s)


class TriggeredVoltmeter(ScpiMeter):
    """A voltmeter that is started by one command and read by another; arguments as for `ScpiMeter`."""

    def __init__(
        self,
        spec: InstrumentSpec,
        options: VoltmeterOptions,
        words: VoltmeterWords,
        sockets: tuple[int, ...],
        clock: Clock | None,
    ) -> None:
        super().__init__(spec, options, words, sockets, clock)
        self._scan_words = words
        self._answer = re.compile(r"\s*" + r"\s*,\s*".join([f"({NUMBER})"] * len(sockets)) + r"\s*")
        self._begun = False

    def send_settings(self) -> None:
        """Send function, range (V), aperture (NPLC) and autozero; a scan in progress is lost."""
        self._begun = False
        super().send_settings()

    def begin_scan(self) -> None:
        """Start one scan and return at once; the meter's refusal is raised here."""
        self._begun = False
        self.send(self._scan_words.begin)
        self.check_errors("to start a scan")
        self._begun = True

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Return the latest scan: millivolts and offsets in seconds, one reading a socket.

        Raises:
            BadReply: when no scan has been started since the last settings, or the answer is not a scan.
            LinkTimeout: when the scan is not ready yet; the link has been fenced, and the scan is lost.
        """
        if not self._begun:
            raise BadReply(self.name, "no scan is in progress; start one first")
        self._begun = False
        answer = self.link.query(self._scan_words.fetch, self._answer)
        return tuple(
            self._reading(
                socket,
                float(text),
                index * self._meter.channel_s + self._meter.channel_delay_s + self._meter.aperture_s / 2,
                self._meter.aperture_s / 2 + self._meter.trigger_s,
            )
            for index, (socket, text) in enumerate(zip(self._sockets, answer.groups(), strict=True))
        )


class ScpiVoltmeter(TriggeredVoltmeter):
    """A voltmeter of one channel read by INIT and FETC?."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        options = read_options(SingleOptions, spec)
        super().__init__(spec, options, options.words, (options.socket,), clock)
