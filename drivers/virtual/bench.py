"""The virtual bench as a whole: the pot, the cells in it, the instruments, and what happens when."""

from __future__ import annotations

import heapq
from collections.abc import Callable

from drivers.virtual.cells import Cell, CellModel, drawer_of, model_of
from drivers.virtual.devices.controller import ControllerDevice
from drivers.virtual.devices.device import Device
from drivers.virtual.devices.gauge import BarometerDevice, GaugeDevice
from drivers.virtual.devices.millivolts import MillivoltDevice
from drivers.virtual.devices.room_oxygen import RoomOxygenDevice
from drivers.virtual.devices.scanner import ScannerDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.devices.valve_block import ValveDevice
from drivers.virtual.pot import MOL_PER_LITRE, Pot
from drivers.virtual_spec import PotTruth, VirtualBenchError, VirtualInstrument, VirtualSpec
from rig_configs.roles import MOVING_ROLES, ROLES, Port

_LID_MAY_OPEN_BAR = 0.02
_MOST_BREAKPOINTS = 2000
_KEPT_BREAKPOINTS = 400  # a scan in progress is read from the past when it is over

_DEVICES: dict[Port, Callable[[Bench, str, VirtualInstrument], Device]] = {
    "Voltmeter": ScannerDevice,
    "PressureController": ControllerDevice,
    "PressureGauge": GaugeDevice,
    "Barometer": BarometerDevice,
    "Thermometer": ThermometerDevice,
    "RoomOxygenMonitor": RoomOxygenDevice,
    "ValveBlock": ValveDevice,
}
"""The device that simulates each port."""
_PLAYED = {str(role): _DEVICES[kind.port] for role, kind in ROLES.items()}


class Unanswered(Exception):
    """A request without an answer within the rig's deadline."""


class HungUp(Exception):
    """A request on which the device drops the connection."""


class Bench:
    """One virtual bench at one instant. It moves only by `advance_to`.

    Attributes:
        spec: what was asked for.
        pot, cells, devices: its parts; cells by socket, devices by name.
        utc_offset_s: how far the computer's time of day has been set wrong by a fault, in seconds.
        stall_us: how long the rig will be suspended at its next wait, in microseconds.
    """

    def __init__(self, spec: VirtualSpec) -> None:
        self.spec = spec
        self.pot = Pot(spec)
        self.utc_offset_s = 0.0
        self.stall_us = 0
        drawer = drawer_of(spec.drawer, spec.seed)
        self.models: dict[int, CellModel] = {
            socket: model_of(serial, drawer) for socket, serial in sorted(spec.cells.items())
        }
        self.cells = {
            socket: Cell(model, socket, self.pot.past, spec.seed) for socket, model in self.models.items()
        }
        self.devices: dict[str, Device] = {}
        for name, instrument in spec.instruments.items():
            kind = _PLAYED.get(instrument.role)
            if kind is None:
                raise VirtualBenchError(
                    f"instrument {name}: the virtual bench has no {instrument.role!r}; "
                    f"it has {', '.join(_PLAYED)}"
                )
            if instrument.driver == "modbus_millivolts":
                kind = MillivoltDevice
            self.devices[name] = kind(self, name, instrument)
        self._events: list[tuple[int, int, Callable[[], None]]] = []
        self._booked = 0

    @property
    def now_us(self) -> int:
        """Bench time in microseconds."""
        return self.pot.now_us

    def at(self, when_us: int, action: Callable[[], None]) -> None:
        """Book `action` for bench time `when_us`; actions of one instant run in the order of booking."""
        self._booked += 1
        heapq.heappush(self._events, (when_us, self._booked, action))

    def advance_to(self, when_us: int) -> None:
        """Move bench time to `when_us`, through everything booked until then."""
        pot, events = self.pot, self._events
        while events and events[0][0] <= when_us:
            at_us, _, action = heapq.heappop(events)
            if at_us > pot.now_us:
                pot.run_to(at_us)
            action()
        if when_us > pot.now_us:
            pot.run_to(when_us)
        if len(pot.past) > _MOST_BREAKPOINTS:
            cut = len(pot.past) - _KEPT_BREAKPOINTS
            for cell in self.cells.values():
                cell.forget(cut)
            pot.forget(cut)

    def spend(self, device: Device, wait_s: float = 0.0) -> None:
        """Let the bench time of one answer pass: the device's latency and `wait_s` for what it is busy with.

        Raises:
            HungUp: when the device drops the connection.
            Unanswered: when no answer comes within the rig's deadline, which has then passed.
        """
        if device.down:
            raise HungUp
        wait_s += device.latency_s
        if device.mute or wait_s > device.deadline_s:
            self.advance_to(self.now_us + round(device.deadline_s * 1e6))
            raise Unanswered
        if wait_s > 0.0:
            self.advance_to(self.now_us + round(wait_s * 1e6))

    def turn(self, valve: str, opening: float) -> None:
        """Turn a hand valve of a pot without solenoids or controller: "supply" or "vent", 0 shut to 1 open.

        Raises:
            VirtualBenchError: when there is no such hand valve, or no such opening.
        """
        if valve not in ("supply", "vent"):
            raise VirtualBenchError(f"hand valve {valve!r}: there is none; write supply or vent")
        if not 0.0 <= opening <= 1.0:
            raise VirtualBenchError(f"hand valve {valve}: cannot open to {opening:g}; write 0 (shut) to 1")
        for role in MOVING_ROLES:
            if self.by_role(role) is not None:
                raise VirtualBenchError(f"hand valve {valve}: this bench has {role} instead of hand valves")
        pot = self.pot
        if valve == "supply":
            pot.supply_turn = opening
            pot.set_valves(supply_open=opening > 0.0)
        else:
            pot.vent_turn = opening
            pot.set_valves(vent_open=opening > 0.0)

    def move_lid(self, *, off: bool) -> None:
        """Take the lid off, or put it back; the lid switch follows.

        Raises:
            VirtualBenchError: when pressure holds the lid.
        """
        pot = self.pot
        above_bar = pot.pressure_bar - pot.room_pressure_bar
        if off and abs(above_bar) > _LID_MAY_OPEN_BAR:
            raise VirtualBenchError(
                f"lid: pressure holds it ({above_bar:+.2f} bar against the room); vent the pot first"
            )
        pot.lid_off = off
        block = self.by_role("valves")
        if isinstance(block, ValveDevice):
            block.lid_switch_closed = not off

    def take_stall_us(self) -> int:
        """How much longer than asked this wait takes, in microseconds; once."""
        stall_us, self.stall_us = self.stall_us, 0
        return stall_us

    def by_role(self, role: str) -> Device | None:
        """The device of one role, or None."""
        return next((device for device in self.devices.values() if device.role == role), None)

    def truth(self) -> PotTruth:
        """The pot's true state."""
        pot = self.pot
        valves = self.by_role("valves")
        block = valves if isinstance(valves, ValveDevice) else None
        return PotTruth(
            bench_s=pot.now_us * 1e-6,
            pressure_bar=pot.pressure_bar,
            highest_pressure_bar=pot.highest_bar,
            room_pressure_bar=pot.room_pressure_bar,
            gas_temperature_c=pot.gas_k - 273.15,
            oxygen_fraction=pot.oxygen_fraction,
            supply_open=pot.supply_flows,
            vent_open=pot.vent_flows,
            relief_open=pot.relief_open,
            relief_lifts=pot.relief_lifts,
            watchdog_tripped=block.watchdog_tripped if block else False,
            pressure_switch_tripped=pot.switch_tripped,
            lid_closed=not pot.lid_off,
            gas_used_l=pot.used_mol / MOL_PER_LITRE,
        )
