"""The pressure gauges: on the pot, and open to the room."""

from __future__ import annotations

from drivers.virtual.devices.device import Device, as_float32, bounded
from drivers.virtual.devices.stand import Stand
from drivers.virtual.noise import WhiteNoise, stream_of
from drivers.virtual_spec import VirtualInstrument

CONVERSION_US = 50_000
UNIT_BAR_ABSOLUTE = 1

SENSOR_FAULT_BIT = 1
OVER_RANGE_BIT = 2
UNDER_RANGE_BIT = 4


class GaugeDevice(Device):
    """Absolute pressure transmitter: 20 conversions a second, each 20 ms behind the gas.

    Its own errors are drawn once: gain 0.03 %, zero 0.4 mbar, non-linearity 0.01 % (standard deviations).

    Attributes:
        held: a value it is stuck at, in bar, or None.
        gain_error: added part of the true pressure.
        trapped_bar: pressure of the gas it is shut off with, or None while it is open to the pot.
        offset_bar: added error. drift_bar_per_s, drift_from_us: growing error.
        unit_per_bar, gauge_unit: what it shows per bar, and whether it shows gauge pressure; its unit
            register still says bar absolute.
        override: a number it shows whatever the pressure (NaN, 9.9e37), or None.
        status: status bits. swapped_words: little-endian word order.
    """

    model = "TW-PT4"
    span_bar = 4.0

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(stand.spec.seed, f"gauge {name}")
        super().__init__(stand, name, instrument, f"TWP-{stream.randrange(10_000):04d}")
        self._gain = 1.0 + bounded(stream.gauss(0.0, 1.0)) * 3e-4
        self._zero_bar = bounded(stream.gauss(0.0, 1.0)) * 4e-4
        self._bend = bounded(stream.gauss(0.0, 1.0)) * 1e-4
        self._noise = WhiteNoise(stream)
        self._conversion = -1
        self._value = 0.0
        self.held: float | None = None
        self.gain_error = 0.0
        self.trapped_bar: float | None = None
        self.offset_bar = 0.0
        self.drift_bar_per_s = 0.0
        self.drift_from_us = 0
        self.unit_per_bar = 1.0
        self.gauge_unit = False
        self.override: float | None = None
        self.status = 0
        self.swapped_words = False

    @property
    def conversions(self) -> int:
        """Conversions since power-on."""
        return self.pot.now_us // CONVERSION_US

    def read(self) -> float:
        """The last conversion, in bar (or in the unit that it is wrongly set to), as a 32-bit float."""
        if self.override is not None:
            return self.override
        if self.held is not None:
            return self.held
        conversion = self.pot.now_us // CONVERSION_US
        if conversion != self._conversion:
            self._conversion = conversion
            self._value = self._convert(conversion)
        return self._value

    def body_temperature_c(self) -> float:
        """Temperature of its body, in degrees Celsius."""
        return as_float32(self.pot.wall_k - 273.15 + 1.5)

    def forget_conversion(self) -> None:
        """Convert again at the next reading, after a fault has changed something."""
        self._conversion = -1

    def freeze(self) -> None:
        """Get stuck at the present value."""
        self.held = self.read()

    def true_bar(self, at_us: int) -> float:
        """The pressure at its port, in bar."""
        if self.trapped_bar is not None:
            return self.trapped_bar
        pot = self.pot
        if pot.side is not None and at_us >= pot.side.since_us:
            return pot.side.pressure_at(at_us, pot.room_pressure_bar)
        return pot.pressure_at(at_us)

    def _convert(self, conversion: int) -> float:
        at_us = conversion * CONVERSION_US
        true_bar = self.true_bar(at_us - 20_000) * (1.0 + self.gain_error)
        part = true_bar / self.span_bar
        shown_bar = (
            true_bar * (self._gain + self._bend * 4.0 * part * (1.0 - part))
            + self._zero_bar
            + 1e-4 * self._noise.at(conversion)
            + self.offset_bar
        )
        if self.drift_bar_per_s:
            shown_bar += self.drift_bar_per_s * (at_us - self.drift_from_us) * 1e-6
        if self.gauge_unit:
            shown_bar -= self.pot.room_pressure_bar
        return as_float32(shown_bar * self.unit_per_bar)


class BarometerDevice(GaugeDevice):
    """The same transmitter, open to the room."""

    model = "TW-PB1"

    def true_bar(self, at_us: int) -> float:
        """Pressure of the room, in bar."""
        del at_us
        return self.pot.room_pressure_bar
