"""The millivolt module, which reads all cells at once."""

from __future__ import annotations

from collections.abc import Mapping

from drivers.virtual.devices.device import Device, as_float32, bounded
from drivers.virtual.devices.stand import Stand
from drivers.virtual.noise import WhiteNoise, stream_of
from drivers.virtual_spec import VirtualInstrument


class MillivoltDevice(Device):
    """Eight-channel millivolt module that converts by itself, ten times a second, all channels at once.

    Attributes:
        override, frozen, gain_error, swapped: as of the scanner.
    """

    model = "TW-MV8"
    channels = tuple(range(1, 9))
    update_us = 100_000

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(stand.spec.seed, f"millivolts {name}")
        super().__init__(stand, name, instrument, f"TWM-{stream.randrange(10_000):04d}")
        self._gain = 1.0 + bounded(stream.gauss(0.0, 1.0)) * 1e-4
        self._zero_mv = bounded(stream.gauss(0.0, 1.0)) * 3e-3
        self._noise = WhiteNoise(stream)
        self._update = -1
        self._values: tuple[float, ...] = ()
        self.override: float | None = None
        self.frozen = False
        self.gain_error = 0.0
        self.swapped: Mapping[int, int] = {}

    def read(self) -> tuple[float, ...]:
        """Millivolts of the last conversion, as 32-bit floats."""
        if self.override is not None:
            return tuple(self.override for _ in self.channels)
        update = self.pot.now_us // self.update_us
        if update != self._update and not (self.frozen and self._values):
            self._update = update
            self._values = tuple(self._convert(channel, update) for channel in self.channels)
        return self._values

    def _convert(self, channel: int, update: int) -> float:
        noise = self._noise.at(update * 8 + channel)
        cell = self.stand.cells.get(self.swapped.get(channel, channel))
        value_mv = 1.5 * noise if cell is None else cell.output_mv(update * self.update_us)
        shown_mv = value_mv * self._gain + self._zero_mv + 0.003 * noise
        return as_float32(shown_mv * (1.0 + self.gain_error))
