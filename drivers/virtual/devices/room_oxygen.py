"""The monitor of the room's oxygen."""

from __future__ import annotations

from drivers.virtual.devices.device import Device, bounded
from drivers.virtual.devices.stand import Stand
from drivers.virtual.noise import WhiteNoise, stream_of
from drivers.virtual_spec import VirtualInstrument


class RoomOxygenDevice(Device):
    """Monitor of the room's oxygen. The room of the virtual bench is ventilated: it stays at 20.9 %.

    Attributes:
        override: a number it shows whatever the room holds, in percent, or None.
    """

    model = "TW-RO1"

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(stand.spec.seed, f"room oxygen {name}")
        super().__init__(stand, name, instrument, f"TWR-{stream.randrange(10_000):04d}")
        self._offset = bounded(stream.gauss(0.0, 1.0)) * 0.1
        self._noise = WhiteNoise(stream)
        self.override: float | None = None

    def read(self) -> float:
        """Oxygen in percent by volume, to a hundredth."""
        if self.override is not None:
            return self.override
        return round(20.9 + self._offset + 0.02 * self._noise.at(self.stand.now_us // 10_000), 2)
