"""The SCPI instruments of the virtual bench: scanning voltmeter, thermometer, pressure controller."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from math import inf, isfinite

from drivers.virtual.devices.controller import ControllerDevice, ControlMode
from drivers.virtual.devices.device import NO_VALUE, Device
from drivers.virtual.devices.scanner import ScannerDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.servers.scpi_parser import (
    ScpiError,
    ScpiParser,
    Waiting,
    block,
    channels_of,
    no_argument,
    number_of,
    switch_of,
)
from drivers.virtual.servers.serial_line import SerialLine
from drivers.virtual.servers.timing import Message, Timing

MAKER = "Tideway Works"
FIRMWARE = "1.2"
_LONGEST_LINE = 4096
_NPLC = (0.02, 100.0)


def volts_text(volts: float) -> str:
    """A reading as the meter writes it: `+5.01234E-02`, to 0.1 uV in the lowest range."""
    return f"{volts:+.6E}"


def identity_of(device: Device) -> str:
    """Answer to `*IDN?`."""
    return f"{MAKER},{device.model},{device.serial},{FIRMWARE}"


def scanner_parser(scanner: ScannerDevice) -> ScpiParser:
    """Commands of the scanning voltmeter."""
    parser = ScpiParser(lambda: identity_of(scanner), scanner.reset)
    _add_measuring_settings(parser, scanner)
    _add_channels(parser, scanner)
    _add_readings(parser, scanner)
    return parser


def _add_measuring_settings(parser: ScpiParser, scanner: ScannerDevice) -> None:
    """Range, aperture and autozero."""

    def configure(argument: str) -> None:
        scanner.configure()
        if argument:
            set_range(argument.partition(",")[0].strip())

    def set_nplc(argument: str) -> None:
        scanner.nplc = number_of(argument, *_NPLC)

    def set_range(argument: str) -> None:
        if argument.upper() in ("AUTO", "DEF", "DEFAULT"):
            scanner.range_v = 0.0
            return
        wanted_v = number_of(argument, 0.0, scanner.ranges_v[-1])
        scanner.range_v = next(range_v for range_v in scanner.ranges_v if wanted_v <= range_v)

    def set_autozero(argument: str) -> None:
        scanner.autozero = switch_of(argument)

    parser.add("CONFigure[:VOLTage][:DC]", "volts DC, 1 NPLC, range if given, no autozero", configure)
    parser.add("CONFigure?", "function and range", lambda _: f'"VOLT {scanner.range_v:G}"')
    parser.add("[SENSe:]VOLTage[:DC]:NPLCycles", "aperture in mains periods, 0.02 to 100", set_nplc)
    parser.add(
        "[SENSe:]VOLTage[:DC]:NPLCycles?", "aperture in mains periods", lambda _: f"{scanner.nplc:.6E}"
    )
    parser.add("[SENSe:]VOLTage[:DC]:RANGe", "range in volts: 0.1, 1, 10 or AUTO", set_range)
    parser.add(
        "[SENSe:]VOLTage[:DC]:RANGe?", "range in volts, 0 automatic", lambda _: f"{scanner.range_v:.6E}"
    )
    parser.add("[SENSe:]ZERO:AUTO", "autozero; doubles the time of a channel", set_autozero)
    parser.add("[SENSe:]ZERO:AUTO?", "autozero", lambda _: "1" if scanner.autozero else "0")


def _add_channels(parser: ScpiParser, scanner: ScannerDevice) -> None:
    """Which channels are scanned and which one is closed."""

    def set_scan(argument: str) -> None:
        scanner.scan_list = channels_of(argument, scanner.channels)

    def scan_list(argument: str) -> str:
        no_argument(argument)
        return block("(@" + ",".join(str(channel) for channel in scanner.scan_list) + ")")

    def close(argument: str) -> None:
        channels = channels_of(argument, scanner.channels)
        if len(channels) != 1:
            raise ScpiError(-108)
        scanner.closed_channel = channels[0]
        scanner.scan_list = channels

    def closed(argument: str) -> str:
        return ",".join(
            "1" if channel == scanner.closed_channel else "0"
            for channel in channels_of(argument, scanner.channels)
        )

    def open_all(argument: str) -> None:
        if argument:
            channels_of(argument, scanner.channels)
        scanner.closed_channel = 0

    parser.add("ROUTe:SCAN", "channels of the scan, such as (@101:108)", set_scan)
    parser.add("ROUTe:SCAN?", "channels of the scan, as a definite-length block", scan_list)
    parser.add("ROUTe:CLOSe", "close one channel, opening the one before; reads that one", close)
    parser.add("ROUTe:CLOSe?", "1 for a closed channel", closed)
    parser.add("ROUTe:OPEN", "open all channels", open_all)


def _add_readings(parser: ScpiParser, scanner: ScannerDevice) -> None:
    """Start a scan, wait for it, answer its volts."""

    def answer_when_done() -> Waiting:
        yield scanner.busy_s
        return ",".join(volts_text(value) for value in scanner.fetch())

    def initiate(argument: str) -> None:
        no_argument(argument)
        if scanner.refuses:
            raise ScpiError(scanner.refuses)
        if scanner.busy_s > 0.0:
            raise ScpiError(-213)
        scanner.start()

    def fetch(argument: str) -> Waiting:
        no_argument(argument)
        if not scanner.has_scan:
            raise ScpiError(-230)
        return answer_when_done()

    def read(argument: str) -> Waiting:
        initiate(argument)
        return answer_when_done()

    def measure(argument: str) -> Waiting:
        scanner.start(channels_of(argument, scanner.channels))
        return answer_when_done()

    parser.add("INITiate[:IMMediate]", "start a scan and return at once", initiate)
    parser.add("FETCh?", "wait for the scan in progress; volts in scan order", fetch)
    parser.add("READ?", "start a scan, wait for it, answer volts", read)
    parser.add("MEASure:VOLTage:DC?", "read the channels given, such as (@101)", measure)


def thermometer_parser(thermometer: ThermometerDevice) -> ScpiParser:
    """Commands of the thermometer."""
    parser = ScpiParser(lambda: identity_of(thermometer), lambda: None)

    def set_unit(argument: str) -> None:
        if not argument:
            raise ScpiError(-109)
        if argument.upper() not in ("C", "CEL"):
            raise ScpiError(-224)

    def measure(argument: str) -> str:
        no_argument(argument)
        value = thermometer.read()
        return f"{NO_VALUE:.2E}" if value == NO_VALUE else f"{value:+.3f}"

    parser.add("UNIT:TEMPerature", "C, the only unit", set_unit)
    parser.add("UNIT:TEMPerature?", "unit", lambda _: "C")
    parser.add("MEASure:TEMPerature?", "temperature in degrees Celsius", measure)
    parser.add("READ?", "temperature in degrees Celsius", measure)
    return parser


def controller_parser(controller: ControllerDevice) -> ScpiParser:
    """Commands of the pressure controller."""
    parser = ScpiParser(lambda: identity_of(controller), lambda: None)
    modes: dict[str, ControlMode] = {"MEAS": "measure", "CONT": "control", "VENT": "vent"}

    def only(word: str) -> Callable[[str], None]:
        def take(argument: str) -> None:
            if not argument:
                raise ScpiError(-109)
            if argument.upper() != word:
                raise ScpiError(-224)

        return take

    def read(argument: str) -> str:
        no_argument(argument)
        value = controller.read()
        return f"{value:+.6E}" if isfinite(value) else f"{NO_VALUE:.2E}"

    def set_pressure(argument: str) -> None:
        if controller.set_pressure(number_of(argument, -inf, inf)) != "ok":
            raise ScpiError(-222)

    def set_ramp(argument: str) -> None:
        if controller.set_ramp(number_of(argument, -inf, inf)) != "ok":
            raise ScpiError(-222)

    def set_mode(argument: str) -> None:
        if not argument:
            raise ScpiError(-109)
        mode = modes.get(argument.upper()[:4])
        if mode is None:
            raise ScpiError(-224)
        controller.set_mode(mode)

    def mode_word(argument: str) -> str:
        no_argument(argument)
        return next(word for word, mode in modes.items() if mode == controller.mode)

    parser.add("UNIT:PRESsure", "BAR, the only unit", only("BAR"))
    parser.add("UNIT:PRESsure?", "unit", lambda _: "BAR")
    parser.add("SENSe:PRESsure:MODE", "ABS, the only mode", only("ABS"))
    parser.add("SENSe:PRESsure:MODE?", "absolute or gauge", lambda _: "ABS")
    parser.add("SENSe:PRESsure?", "measured pressure in bar absolute", read)
    parser.add("SOURce:PRESsure", "set point in bar absolute, 0 to 4", set_pressure)
    parser.add("SOURce:PRESsure?", "set point in bar absolute", lambda _: f"{controller.set_bar:.6E}")
    parser.add("SOURce:PRESsure:SLEW", "ramp in bar/min, up to 10", set_ramp)
    parser.add("SOURce:PRESsure:SLEW?", "ramp in bar/min", lambda _: f"{controller.ramp_bar_per_min:.6E}")

    def set_timeout(argument: str) -> None:
        if controller.set_link_timeout(number_of(argument, 0.0, inf)) != "ok":
            raise ScpiError(-222)

    parser.add(
        "SYSTem:COMMunicate:TIMeout", "vents after so many seconds without a message, 0 never", set_timeout
    )
    parser.add(
        "SYSTem:COMMunicate:TIMeout?", "link time-out in s", lambda _: f"{controller.link_timeout_s:.6E}"
    )
    parser.add("OUTPut:MODE", "CONTrol, MEASure (valves shut) or VENT", set_mode)
    parser.add("OUTPut:MODE?", "CONT, MEAS or VENT", mode_word)
    return parser


class ScpiLines:
    """Bytes in, messages to the parser, answers out, one after another."""

    def __init__(
        self,
        device: Device,
        parser: ScpiParser,
        timing: Timing,
        send: Callable[[bytes], None],
        hang_up: Callable[[], None],
    ) -> None:
        self._device = device
        self._parser = parser
        self._timing = timing
        self._send = send
        self._hang_up = hang_up
        self._pending = b""

    def received(self, data: bytes) -> None:
        """Take bytes; work through every complete line."""
        *lines, self._pending = (self._pending + data).split(b"\n")
        if len(self._pending) > _LONGEST_LINE:
            self._pending = b""
            self._parser.fail(-102)
        for line in lines:
            text = line.decode("ascii", errors="replace").strip("\r ")
            if text:
                work = self._parser.handle(text)
                self._timing.run(Message(self._device, work, "?" in text, self._answer, self._hang_up))

    def _answer(self, text: str | None) -> None:
        if text is not None:
            self._send(text.encode("ascii") + b"\n")


class ScpiConnection(asyncio.Protocol):
    """One client's connection over TCP."""

    def __init__(self, device: Device, parser: ScpiParser, timing: Timing) -> None:
        self._device = device
        self._lines = ScpiLines(device, parser, timing, self._send, self._hang_up)
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport; a device that is down closes it at once."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        if self._device.down:
            transport.close()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the client; its work is discarded."""
        del exc
        self._transport = None

    def data_received(self, data: bytes) -> None:
        """Take bytes."""
        self._lines.received(data)

    def _send(self, data: bytes) -> None:
        if self._transport is not None:
            self._transport.write(data)

    def _hang_up(self) -> None:
        if self._transport is not None:
            self._transport.close()


PARSERS: dict[type[Device], Callable[..., ScpiParser]] = {
    ScannerDevice: scanner_parser,
    ThermometerDevice: thermometer_parser,
    ControllerDevice: controller_parser,
}


async def serve_scpi(device: Device, parser: ScpiParser, timing: Timing) -> asyncio.Server:
    """Serve one instrument on loopback, on a port that the system picks."""
    loop = asyncio.get_running_loop()
    return await loop.create_server(lambda: ScpiConnection(device, parser, timing), "127.0.0.1", 0)


def serve_scpi_line(device: Device, parser: ScpiParser, timing: Timing) -> SerialLine:
    """Serve one instrument on a pseudo-terminal; a device that closes the line stops answering."""

    def send(data: bytes) -> None:
        line.write(data)

    lines = ScpiLines(device, parser, timing, send, lambda: None)
    line = SerialLine(lines.received)
    return line
