"""The scanning voltmeter, which reads one cell after another."""

from __future__ import annotations

from collections.abc import Mapping
from math import sqrt

from drivers.virtual.devices.device import OVERLOAD, Device, bounded
from drivers.virtual.devices.stand import Stand
from drivers.virtual.noise import WhiteNoise, stream_of
from drivers.virtual_spec import VirtualInstrument

MAINS_HZ = 50


class ScannerDevice(Device):
    """Scanning voltmeter, eight channels, one after another; integrates whole mains periods.

    Channel c reads socket c - 100. Channel k of a scan is read at the start + (k + 1/2) nplc mains periods,
    plus the channel delay, twice as slow with autozero.

    Attributes:
        nplc: aperture in mains periods. range_v: fixed range in volts, 0 for automatic.
        scan_list: channels of the scan. refuses: error number with which INIT is refused, or 0.
        override: a number shown on every channel, or None.
        frozen: every scan repeats the last one. gain_error: added part of every reading.
        swapped: socket that a socket's channel reads instead, where channels are exchanged.
    """

    model = "TW-8"
    channels = tuple(range(101, 109))
    ranges_v = (0.1, 1.0, 10.0)

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(stand.spec.seed, f"scanner {name}")
        super().__init__(stand, name, instrument, f"TW-8-{stream.randrange(10_000):04d}")
        self._gain = 1.0 + bounded(stream.gauss(0.0, 1.0)) * 8e-5
        self._zero_mv = bounded(stream.gauss(0.0, 1.0)) * 2e-3
        self._noise = WhiteNoise(stream)
        self.refuses = 0
        self.override: float | None = None
        self.frozen = False
        self.gain_error = 0.0
        self.swapped: Mapping[int, int] = {}
        self._last: dict[tuple[int, ...], tuple[float, ...]] = {}
        self.closed_channel = 0
        self.reset()

    def reset(self) -> None:
        """Settings of power-on."""
        self.nplc = 1.0
        self.range_v = 0.0
        self.autozero = False
        self.scan_list: tuple[int, ...] = (101,)
        self._scan_from_us = -1
        self._scanned: tuple[int, ...] = ()
        self._volts: tuple[float, ...] | None = None
        self._channel_us = 0
        self._aperture_us = 0
        self._noise_mv = 0.0

    def configure(self) -> None:
        """Back to one mains period, automatic range and no autozero, as CONF does."""
        self.nplc, self.range_v, self.autozero = 1.0, 0.0, False

    @property
    def busy_s(self) -> float:
        """How long the scan in progress still takes, in seconds."""
        if self._scan_from_us < 0 or self._volts is not None:
            return 0.0
        end_us = self._scan_from_us + len(self._scanned) * self._channel_us
        return max(0, end_us - self.pot.now_us) * 1e-6

    @property
    def has_scan(self) -> bool:
        """Whether a scan has been started since power-on."""
        return self._scan_from_us >= 0

    def start(self, channels: tuple[int, ...] = ()) -> None:
        """Start a scan of `channels`, or of the scan list."""
        self._aperture_us = round(self.nplc * 1e6 / MAINS_HZ)
        self._channel_us = self._aperture_us * (2 if self.autozero else 1)
        self._noise_mv = 0.0015 / sqrt(self.nplc)
        self._scan_from_us = self.pot.now_us
        self._scanned = channels or self.scan_list
        self._volts = None

    def fetch(self) -> tuple[float, ...]:
        """Volts of the scan started last, which must be over."""
        if self._volts is None and self.frozen:
            self._volts = self._last.get(self._scanned)
        if self._volts is None:
            first_us = self._scan_from_us + self._aperture_us // 2
            self._volts = tuple(
                [
                    self._volts_of(channel, first_us + index * self._channel_us)
                    for index, channel in enumerate(self._scanned)
                ]
            )
            self._last[self._scanned] = self._volts
        return self._volts

    def _volts_of(self, channel: int, at_us: int) -> float:
        if self.override is not None:
            return self.override
        noise = self._noise.at(at_us // 1000)
        socket = channel - 100
        cell = self.stand.cells.get(self.swapped.get(socket, socket))
        # An open input drifts; a socket without a cell shows only its noise.
        value_mv = 1.5 * noise if cell is None else cell.output_mv(at_us)
        value_mv = value_mv * self._gain + self._zero_mv + self._noise_mv * noise
        volts = value_mv * (1.0 + self.gain_error) * 1e-3
        limit_v = 1.2 * (self.range_v or self.ranges_v[-1])
        if volts > limit_v:
            return OVERLOAD
        if volts < -limit_v:
            return -OVERLOAD
        return round(volts, 7)
