"""What the virtual bench is asked for and what it returns; plain data, no physics and no sockets.

The bench itself lives in `drivers.virtual` and is reached through `drivers.catalogue` alone.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from drivers.ports import Clock, Instrument
from rig_configs.roles import DEADLINE_S

VirtualMode = Literal["lockstep", "real_time", "direct"]


class VirtualBenchError(Exception):
    """A virtual bench that cannot be started or a fault that does not exist: one line for the user."""


@dataclass(frozen=True, slots=True)
class VirtualInstrument:
    """One instrument that the virtual bench simulates.

    Attributes:
        role: one of `rig_configs.roles.ROLES`.
        driver: catalogue name of the driver that will talk to it; decides the wire that is served.
        serial: serial number that it reports.
        deadline_s: how long the rig waits for an answer, in seconds; a request that a fault swallows
            costs this much bench time when bench time does not run by itself.
        options: the driver's options of the bench file; the direct bench takes `channels` and `nplc`.
        link_timeout_s: that the driver sets on a pressure controller, in seconds.
    """

    role: str
    driver: str
    serial: str = ""
    deadline_s: float = DEADLINE_S
    options: Mapping[str, Any] = field(default_factory=dict)
    link_timeout_s: float | None = None


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """One fault to inject.

    Attributes:
        name: a name of the fault catalogue.
        at_s: bench time from the start at which it begins, in seconds.
        duration_s: how long it lasts, in seconds; None for the rest of the run.
        value: its size in the fault's own unit; None for the catalogue's default.
        target: what it affects where there is a choice: an instrument's role, or a socket number.
    """

    name: str
    at_s: float
    duration_s: float | None = None
    value: float | None = None
    target: str = ""


@dataclass(frozen=True, slots=True)
class FaultKind:
    """One entry of the fault catalogue.

    Attributes:
        name: stable name for `FaultSpec.name`.
        row: row of the fault table that it exercises.
        text: what breaks, in plain words.
        value_unit: unit of `FaultSpec.value`; empty when it takes none.
        default_value: value used when the spec gives none.
        lowest, highest: smallest and largest possible value, in `value_unit`.
        whole: whether the value must be a whole number.
        targets: allowed `FaultSpec.target`s, the first one being the default; empty when there is no choice.
            "socket" stands for any occupied socket number.
    """

    name: str
    row: int
    text: str
    value_unit: str = ""
    default_value: float | None = None
    targets: tuple[str, ...] = ()
    lowest: float = 0.0
    highest: float = 0.0
    whole: bool = False

    def refuse_value(self, value: float) -> None:
        """Raise VirtualBenchError when `value` is not possible for this fault, as NaN."""
        if not self.value_unit:
            raise VirtualBenchError(f"fault {self.name}: takes no value")
        if self.lowest <= value <= self.highest and (not self.whole or value == int(value)):
            return
        number = "a whole number" if self.whole else "a value"
        raise VirtualBenchError(
            f"fault {self.name}: {self.text}: {value:g} ({self.value_unit}) is not possible; "
            f"give {number} from {self.lowest:.10g} to {self.highest:.10g}"
        )


@dataclass(frozen=True, slots=True)
class CellTruth:
    """The true figures of an invented cell, calculated from its mechanism at the room's temperature.

    Permeation rises by some 3 % per kelvin while a ceiling in current stays the same, so a current-limited
    cell is linear up to a lower PO2 in a warmer room.

    Attributes:
        serial: serial number.
        kind: plain words for its health.
        temperature_c: temperature of the cell, in degrees Celsius.
        output_at_1_bar_mv: settled output at PO2 1.0 bar, in mV.
        linear_to_bar: highest PO2 up to which the indication error after calibration at PO2 1.0 stays
            within 5 %; None when that is above 6 bar.
        t90_s: time to 90 % of an ideal small step about PO2 1.0 bar, in seconds.
        fade_percent_per_min: mean fall of the output over the first minute at PO2 2.0 bar, in percent per
            minute.
        indication_error_percent: settled indication error after calibration at PO2 1.0, in percent, by
            nominal PO2 in bar.
    """

    serial: str
    kind: str
    temperature_c: float
    output_at_1_bar_mv: float
    linear_to_bar: float | None
    t90_s: float
    fade_percent_per_min: float
    indication_error_percent: Mapping[float, float]


@dataclass(frozen=True, slots=True)
class PotTruth:
    """The true state of the virtual pot, which no instrument of the rig can see. Pressures absolute."""

    bench_s: float
    pressure_bar: float
    highest_pressure_bar: float
    room_pressure_bar: float
    gas_temperature_c: float
    oxygen_fraction: float
    supply_open: bool
    vent_open: bool
    relief_open: bool
    relief_lifts: int
    watchdog_tripped: bool
    pressure_switch_tripped: bool
    lid_closed: bool
    gas_used_l: float


@dataclass(frozen=True, slots=True)
class VirtualSpec:
    """A virtual bench to start.

    Attributes:
        drawer: set of invented cells: "six_cells", or "population:N" for N cells drawn by the seed. A
            serial that is not in the drawer becomes another healthy cell, drawn by the serial.
        seed: every noise stream and every drawn constant depends on it.
        mode: "lockstep" (wire; bench time moves with the clock handed back), "real_time" (wire; bench time
            runs by itself, times `speed`) or "direct" (plain ports, no wire).
        speed: bench seconds per real second, real time only.
        volume_l: gas volume of the pot, in litres.
        supply_pressure_bar: regulator outlet, absolute, in bar.
        oxygen_fraction: of the bottle.
        bottle_l, bottle_bar: water volume and pressure of the bottle, in litres and bar.
        relative_humidity: of the room, 0 to 1.
        room_pressure_bar: mean ambient pressure in bar; None draws 0.985 to 1.030 by the seed.
        room_temperature_c: None draws 19 to 22 by the seed.
        relief_pressure_bar: opening pressure of the relief valve, absolute; None for a pot without one.
        pressure_switch_bar: independent latching switch, absolute; None for none.
        watchdog_s: the valve block drops its outputs when the heartbeat has not changed for this long;
            None for a block without one.
        leak_ml_per_s_bar: the pot's own leak, in mL (at 1 bar) per second and bar of gauge pressure.
        supply_restrictor_mm, vent_restrictor_mm: bore; None scales it to the volume (0.30 and 0.60 mm for
            one litre), so that pots of all sizes ramp alike.
        cells: serial by socket number.
        instruments: by name in the bench file.
        serial_lines: serve every instrument on a pseudo-terminal too.
        faults: injected from the start.
    """

    drawer: str = "six_cells"
    seed: int = 417
    mode: VirtualMode = "lockstep"
    speed: float = 1.0
    volume_l: float = 1.0
    supply_pressure_bar: float = 4.0
    oxygen_fraction: float = 0.995
    bottle_l: float = 10.0
    bottle_bar: float = 180.0
    relative_humidity: float = 0.5
    room_pressure_bar: float | None = None
    room_temperature_c: float | None = None
    relief_pressure_bar: float | None = 3.0
    pressure_switch_bar: float | None = 2.7
    watchdog_s: float | None = 2.0
    leak_ml_per_s_bar: float = 0.0002
    supply_restrictor_mm: float | None = None
    vent_restrictor_mm: float | None = None
    cells: Mapping[int, str] = field(default_factory=dict)
    instruments: Mapping[str, VirtualInstrument] = field(default_factory=dict)
    serial_lines: bool = False
    faults: tuple[FaultSpec, ...] = ()


@dataclass(frozen=True)
class VirtualSession:
    """A running virtual bench.

    Attributes:
        endpoints: address for `InstrumentSpec.address` by instrument name; empty on the direct bench.
        clock: the rig's clock; in lockstep and direct it moves the bench.
        instruments: port objects by instrument name; direct bench only.
        truth: by serial, for every cell in a socket.
        inject_fault: adds one fault to those of the spec.
        read_truth: reads the pot's true state.
        turn_valve: turns a hand valve.
        move_lid: takes the lid off (True) or puts it back.
        stop_bench: ends the bench and its processes; may be called twice.
    """

    endpoints: Mapping[str, str]
    clock: Clock
    instruments: Mapping[str, Instrument]
    truth: Mapping[str, CellTruth]
    inject_fault: Callable[[FaultSpec], None]
    read_truth: Callable[[], PotTruth]
    turn_valve: Callable[[str, float], None]
    move_lid: Callable[[bool], None]
    stop_bench: Callable[[], None]

    def inject(self, fault: FaultSpec) -> None:
        """Add `fault`. Raises VirtualBenchError for a name, target or value the catalogue does not have."""
        self.inject_fault(fault)

    def pot(self) -> PotTruth:
        """Read the pot's true state."""
        return self.read_truth()

    def turn(self, valve: str, opening: float) -> None:
        """Turn the hand valve "supply" or "vent" of a bench without solenoids, from 0 (shut) to 1 (open).

        Raises VirtualBenchError for another valve or opening, or where there are no hand valves.
        """
        self.turn_valve(valve, opening)

    def lid(self, *, off: bool) -> None:
        """Take the lid off, or put it back; the pot then fills with room air, and the lid switch follows.

        Raises VirtualBenchError while more than 20 mbar hold it.
        """
        self.move_lid(off)

    def stop(self) -> None:
        """End the bench and its processes."""
        self.stop_bench()


_FAULT_TEXT = re.compile(
    r"(?P<name>[a-z0-9_]+)(?::(?P<target>[a-z0-9_]+))?(?:=(?P<value>[-+0-9.eE]+))?"
    r"@(?P<at>[0-9.]+)(?:\+(?P<duration>[0-9.]+))?"
)


def parse_fault(text: str) -> FaultSpec:
    """Parse a fault as typed on a command line: `NAME[:TARGET][=VALUE]@SECONDS[+DURATION]`.

    Examples: `supply_stuck_open@120`, `gauge_offset:second_gauge=-0.12@300+60`, `cell_unplugged:3@400`.

    Raises:
        VirtualBenchError: when the text has another form.
    """
    match = _FAULT_TEXT.fullmatch(text.strip())
    try:
        if match is None:
            raise ValueError
        value, duration = match["value"], match["duration"]
        return FaultSpec(
            name=match["name"],
            at_s=float(match["at"]),
            duration_s=None if duration is None else float(duration),
            value=None if value is None else float(value),
            target=match["target"] or "",
        )
    except ValueError:
        raise VirtualBenchError(
            f"fault {text!r}: write NAME[:TARGET][=VALUE]@SECONDS[+DURATION], VALUE a number without its "
            "unit, for example supply_stuck_open@120, cell_unplugged:3@400+60 or gauge_offset=-0.12@300"
        ) from None
