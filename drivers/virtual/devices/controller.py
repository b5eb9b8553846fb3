"""The electronic pressure controller, which doses and vents by itself."""

from __future__ import annotations

from typing import Literal

from drivers.virtual.devices.device import Permit
from drivers.virtual.devices.gauge import GaugeDevice
from drivers.virtual.devices.stand import Stand
from drivers.virtual_spec import VirtualInstrument

ControlMode = Literal["measure", "control", "vent"]


class ControllerDevice(GaugeDevice):
    """Electronic pressure controller: its own gauge, a ramp, proportional valves; vents at power-on.

    Attributes:
        set_bar: set point, absolute. ramp_bar_per_min: how fast it goes there.
        mode: "measure" (both valves shut), "control" or "vent".
        deaf: takes commands and does nothing.
        link_timeout_s: it vents when no message has come for so long; 0 switches that off.
    """

    model = "TW-PC3"
    lowest_bar = 0.0
    highest_bar = 4.0
    most_ramp_bar_per_min = 10.0
    longest_timeout_s = 600.0

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        super().__init__(stand, name, instrument)
        self.set_bar = 1.0
        self.ramp_bar_per_min = 0.5
        self.mode: ControlMode = "vent"
        self.deaf = False
        self.link_timeout_s = 0.0
        self._heard_us = 0
        self._watching = False

    def set_pressure(self, pressure_bar: float) -> Permit:
        """Accept a set point, in bar."""
        if not self.lowest_bar <= pressure_bar <= self.highest_bar:
            return "out of range"
        if not self.deaf:
            self.set_bar = pressure_bar
            self.pot.controlled_set_bar = pressure_bar
        return "ok"

    def set_ramp(self, ramp_bar_per_min: float) -> Permit:
        """Accept a ramp, in bar/min."""
        if not 0.0 < ramp_bar_per_min <= self.most_ramp_bar_per_min:
            return "out of range"
        if not self.deaf:
            self.ramp_bar_per_min = ramp_bar_per_min
            self.pot.controlled_ramp_bar_per_s = ramp_bar_per_min / 60.0
        return "ok"

    def set_mode(self, mode: ControlMode) -> Permit:
        """Measure, control or vent; control starts its ramp at the present pressure."""
        if self.deaf:
            return "ok"
        pot = self.pot
        if mode == "control" and self.mode != "control":
            pot.controlled_bar = pot.pressure_bar
            pot.controlled_set_bar = self.set_bar
            pot.controlled_ramp_bar_per_s = self.ramp_bar_per_min / 60.0
        elif mode != "control":
            pot.controlled_bar = None
        self.mode = mode
        pot.set_valves(supply_open=False, vent_open=mode == "vent")
        return "ok"

    def set_link_timeout(self, timeout_s: float) -> Permit:
        """Vent when no message has come for so long, in seconds; 0 switches that off."""
        if not 0.0 <= timeout_s <= self.longest_timeout_s:
            return "out of range"
        if not self.deaf:
            self.link_timeout_s = timeout_s
            self._watch()
        return "ok"

    def heard(self) -> None:
        """Note that a message has come in."""
        self._heard_us = self.pot.now_us
        self._watch()

    def _watch(self) -> None:
        if self.link_timeout_s and not self._watching:
            self._watching = True
            self.stand.at(self._heard_us + round(1e6 * self.link_timeout_s), self._look)

    def _look(self) -> None:
        self._watching = False
        timeout_us = round(1e6 * self.link_timeout_s)
        if not timeout_us:
            return
        if self.pot.now_us - self._heard_us >= timeout_us:
            self.set_mode("vent")
        else:
            self._watch()
