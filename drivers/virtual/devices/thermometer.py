"""The thermometer in the pot."""

from __future__ import annotations

from drivers.virtual.devices.device import Device, bounded
from drivers.virtual.devices.stand import Stand
from drivers.virtual.noise import WhiteNoise, stream_of
from drivers.virtual_spec import VirtualInstrument


class ThermometerDevice(Device):
    """Thermometer with its probe in the pot's gas; 20 s behind it.

    Attributes:
        error_k: added error. override: a number it shows whatever the temperature, or None.
    """

    model = "TW-T2"

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(stand.spec.seed, f"thermometer {name}")
        super().__init__(stand, name, instrument, f"TWT-{stream.randrange(10_000):04d}")
        self._offset_k = bounded(stream.gauss(0.0, 1.0)) * 0.1
        self._noise = WhiteNoise(stream)
        self.error_k = 0.0
        self.override: float | None = None

    def read(self) -> float:
        """Temperature in degrees Celsius, to a millikelvin."""
        if self.override is not None:
            return self.override
        true_c = self.pot.probe_k - 273.15
        noise_k = 0.008 * self._noise.at(self.pot.now_us // 10_000)
        return round(true_c + self._offset_k + self.error_k + noise_k, 3)
