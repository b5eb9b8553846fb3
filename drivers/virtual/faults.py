"""What can be made to break on the virtual bench, and how.

Every fault strikes where it would strike on a real bench: in the gas, in a valve, in a cell's contact, in an
instrument or on its wire. Nothing tells the rig but what its instruments show it. A few faults take away a
layer of protection (relief valve, pressure switch, watchdog); alone they change nothing, and they are there
to be combined with others.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import NO_VALUE, OVERLOAD, Device, as_float32
from drivers.virtual.devices.gauge import OVER_RANGE_BIT, SENSOR_FAULT_BIT, GaugeDevice
from drivers.virtual.devices.scanner import ScannerDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.devices.valve_block import ValveDevice
from drivers.virtual_spec import FaultKind, FaultSpec, VirtualBenchError

Undo = Callable[[], None]
Begin = Callable[[Bench, str, float], Undo]

_GAUGES = ("gauge", "second_gauge", "both")
_ROLES = ("voltmeter", "gauge", "second_gauge", "valves", "thermometer", "barometer", "controller")
_SOCKET = ("socket",)
_PSI_PER_BAR = 14.503773773
_ATM_PER_BAR = 1.0 / 1.01325
_LID_MAY_OPEN_BAR = 0.02
_LATEST_S = 1e6


@dataclass(frozen=True, slots=True)
class _Fault:
    """One entry: what it is, how it begins, and the one role that it cannot do without, if any."""

    kind: FaultKind
    begin: Begin
    role: str


_FAULTS: dict[str, _Fault] = {}


def fault_kinds() -> tuple[FaultKind, ...]:
    """All faults, in the order of the fault table."""
    return tuple(fault.kind for fault in sorted(_FAULTS.values(), key=lambda fault: fault.kind.row))


def inject(bench: Bench, fault: FaultSpec) -> None:
    """Book one fault on `bench`; a time that has passed means now.

    Raises:
        VirtualBenchError: when the catalogue has no such fault, target or value, or the bench no such part.
    """
    found = _FAULTS.get(fault.name)
    if found is None:
        raise VirtualBenchError(f"fault {fault.name!r}: there is no such fault; see 'leadline bench faults'")
    kind = found.kind
    value = kind.default_value if fault.value is None else fault.value
    if fault.value is not None:
        kind.refuse_value(fault.value)
    if not 0.0 <= fault.at_s <= _LATEST_S:
        raise VirtualBenchError(
            f"fault {fault.name}: begins at {fault.at_s:g} s; give seconds from 0 to {_LATEST_S:.0f}"
        )
    if fault.duration_s is not None and not 0.0 < fault.duration_s <= _LATEST_S:
        raise VirtualBenchError(
            f"fault {fault.name}: lasts {fault.duration_s:g} s; give seconds above 0, up to {_LATEST_S:.0f}"
        )
    target = _target(bench, kind, fault.target)
    if found.role and bench.by_role(found.role) is None:
        raise VirtualBenchError(f"fault {kind.name}: this bench has no {found.role}")
    if kind.name == "rig_suspended" and bench.spec.mode == "real_time":
        raise VirtualBenchError("fault rig_suspended: a bench in real time cannot suspend the rig")
    if kind.name == "voltmeter_refuses" and not isinstance(bench.by_role("voltmeter"), ScannerDevice):
        raise VirtualBenchError("fault voltmeter_refuses: this bench's voltmeter is not told to start a scan")

    def begin() -> None:
        undo = found.begin(bench, target, 0.0 if value is None else value)
        if fault.duration_s is not None:
            bench.at(bench.now_us + round(fault.duration_s * 1e6), undo)

    at_us = round(fault.at_s * 1e6)
    if at_us <= bench.now_us:
        begin()
    else:
        bench.at(at_us, begin)


def _target(bench: Bench, kind: FaultKind, wanted: str) -> str:
    """The target that is meant; checked against the catalogue and the bench."""
    if not kind.targets:
        if wanted:
            raise VirtualBenchError(f"fault {kind.name}: there is nothing to choose, but {wanted!r} is given")
        return ""
    if kind.targets == _SOCKET:
        sockets = [str(socket) for socket in bench.cells]
        target = wanted or (sockets[0] if sockets else "")
        if target not in sockets:
            raise VirtualBenchError(
                f"fault {kind.name}: no cell in socket {target or '1'}; "
                f"occupied: {', '.join(sockets) or 'none'}"
            )
        return target
    target = wanted or kind.targets[0]
    if target not in kind.targets:
        raise VirtualBenchError(
            f"fault {kind.name}: cannot strike {target!r}; it strikes {', '.join(kind.targets)}"
        )
    for role in ("gauge", "second_gauge") if target == "both" else (target,):
        if bench.by_role(role) is None:
            raise VirtualBenchError(f"fault {kind.name}: this bench has no {role}")
    return target


def _fault(
    row: int,
    text: str,
    value_unit: str = "",
    default: float | None = None,
    targets: tuple[str, ...] = (),
    role: str = "",
    within: tuple[float, float] = (0.0, 0.0),
    whole: bool = False,
) -> Callable[[Begin], Begin]:
    """Enter a function into the catalogue under its own name, less its leading underscore.

    `within` is where its value makes sense: what a part can do, and what the bench can still work out.
    """

    def enter(begin: Begin) -> Begin:
        name = begin.__name__.removeprefix("_")
        kind = FaultKind(name, row, text, value_unit, default, targets, *within, whole=whole)
        _FAULTS[name] = _Fault(kind, begin, role)
        return begin

    return enter


def _set(thing: object, **changes: object) -> Undo:
    """Set attributes of `thing`; the undo puts the old ones back."""
    before = {name: getattr(thing, name) for name in changes}
    for name, value in changes.items():
        setattr(thing, name, value)

    def undo() -> None:
        for name, value in before.items():
            setattr(thing, name, value)

    return undo


def _all(undos: Iterable[Undo]) -> Undo:
    """One undo for several."""
    kept = tuple(undos)

    def undo() -> None:
        for one in kept:
            one()

    return undo


def _device(bench: Bench, role: str) -> Device:
    device = bench.by_role(role)
    if device is None:
        raise VirtualBenchError(f"this bench has no {role}")
    return device


def _gauges(bench: Bench, target: str) -> list[GaugeDevice]:
    roles = ("gauge", "second_gauge") if target == "both" else (target,)
    return [gauge for role in roles if isinstance(gauge := _device(bench, role), GaugeDevice)]


def _set_gauges(bench: Bench, target: str, **changes: object) -> Undo:
    undos = []
    for gauge in _gauges(bench, target):
        undos += [_set(gauge, **changes), gauge.forget_conversion]
        gauge.forget_conversion()
    return _all(undos)


def _valves(bench: Bench) -> ValveDevice:
    valves = _device(bench, "valves")
    assert isinstance(valves, ValveDevice)
    return valves


def _scanner(bench: Bench) -> ScannerDevice:
    scanner = _device(bench, "voltmeter")
    assert isinstance(scanner, ScannerDevice)
    return scanner


def _thermometer(bench: Bench) -> ThermometerDevice:
    thermometer = _device(bench, "thermometer")
    assert isinstance(thermometer, ThermometerDevice)
    return thermometer


def _freeze(bench: Bench, target: str) -> Undo:
    undos = []
    for gauge in _gauges(bench, target):
        gauge.freeze()
        undos.append(_thaw(gauge))
    return _all(undos)


def _thaw(gauge: GaugeDevice) -> Undo:
    def undo() -> None:
        gauge.held = None

    return undo


@_fault(1, "a gauge is stuck at its last reading", targets=_GAUGES)
def _gauge_stuck(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _freeze(bench, target)


@_fault(2, "the second gauge is stuck at its last reading", role="second_gauge")
def _second_gauge_stuck(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _freeze(bench, "second_gauge")


@_fault(3, "a gauge reads off by a fixed amount", "bar", -0.120, _GAUGES, within=(-10.0, 10.0))
def _gauge_offset(bench: Bench, target: str, value: float) -> Undo:
    return _set_gauges(bench, target, offset_bar=value)


@_fault(4, "a gauge drifts away", "bar/s", 0.002, _GAUGES, within=(-1.0, 1.0))
def _gauge_drift(bench: Bench, target: str, value: float) -> Undo:
    return _set_gauges(bench, target, drift_bar_per_s=value, drift_from_us=bench.now_us)


@_fault(5, "a gauge answers not-a-number", targets=_GAUGES)
def _gauge_not_a_number(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, override=math.nan)


@_fault(5, "a gauge answers the overload number 9.9E37", targets=_GAUGES)
def _gauge_overload(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, override=OVERLOAD)


@_fault(
    5,
    "a gauge answers a pressure that cannot be, and says over range",
    "bar",
    12.0,
    _GAUGES,
    within=(4.0, 1000.0),
)
def _gauge_out_of_range(bench: Bench, target: str, value: float) -> Undo:
    return _set_gauges(bench, target, override=as_float32(value), status=OVER_RANGE_BIT)


@_fault(5, "a gauge reports a fault of its sensor", targets=_GAUGES)
def _gauge_sensor_fault(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, status=SENSOR_FAULT_BIT)


@_fault(6, "the connection to a gauge is gone", targets=_GAUGES)
def _gauge_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, down=True)


@_fault(6, "a gauge no longer answers", targets=_GAUGES)
def _gauge_silent(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, mute=True)


@_fault(7, "an instrument answers late", "s", 3.0, _ROLES, within=(0.0, 3600.0))
def _slow_replies(bench: Bench, target: str, value: float) -> Undo:
    return _set(_device(bench, target), latency_s=value)


@_fault(8, "gas enters the pot past every valve", "bar/s", 0.05, within=(0.0, 10.0))
def _over_pressure(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench.pot, extra_inflow_bar_per_s=value)


@_fault(8, "the independent pressure switch is dead (layer removed)")
def _pressure_switch_dead(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(bench.pot, switch_bar=None)


@_fault(9, "shots of the valves last too long", "times", 3.0, role="valves", within=(1.0, 100.0))
def _shots_too_long(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(_valves(bench), stretch=value)


@_fault(10, "the supply valve is stuck open")
def _supply_stuck_open(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(bench.pot, supply_stuck=True)


@_fault(11, "the supply valve is stuck shut, or its plug is off")
def _supply_stuck_shut(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(bench.pot, supply_stuck=False)


@_fault(11, "the cylinder runs empty", "bar", 1.2, within=(0.0, 10.0))
def _cylinder_empty(bench: Bench, target: str, value: float) -> Undo:
    del target
    before_bar = bench.pot.bottle_bar()
    bench.pot.set_bottle(value)
    return lambda: bench.pot.set_bottle(before_bar)


@_fault(12, "the regulator creeps upwards, to three times what it is set to", "bar/s", 0.1, within=(0.0, 1.0))
def _regulator_creep(bench: Bench, target: str, value: float) -> Undo:
    del target
    pot = bench.pot
    # There at the latest the regulator's own relief valve opens.
    most_bar = 3.0 * pot.regulator_bar
    return _set(
        pot,
        regulator_creep_bar_per_s=value,
        regulator_most_bar=most_bar,
        regulator_bar=pot.regulator_bar,
    )


@_fault(13, "the vent valve is stuck shut")
def _vent_stuck_shut(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(bench.pot, vent_stuck=False)


@_fault(13, "the vent line is blocked down to a part of its flow", "share", 0.15, within=(0.0, 1.0))
def _vent_blocked(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench.pot, vent_passage=value)


@_fault(14, "the vent valve is stuck open, or its coil is dead")
def _vent_stuck_open(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(bench.pot, vent_stuck=True)


@_fault(15, "the lid seal leaks badly", "mL/s per bar", 5.0, within=(0.0, 1000.0))
def _leak_large(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench.pot, leak_l_per_s_bar=value * 1e-3)


@_fault(15, "the lid seal leaks a little", "mL/s per bar", 0.2, within=(0.0, 1000.0))
def _leak_small(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench.pot, leak_l_per_s_bar=value * 1e-3)


@_fault(
    16, "a large dead space keeps its air through the purge", "share of the volume", 0.3, within=(0.01, 0.9)
)
def _purge_dead_space(bench: Bench, target: str, value: float) -> Undo:
    del target
    pot = bench.pot
    before = pot.pocket, pot.pocket_lag_s
    pot.set_pocket(value, 600.0)
    return lambda: pot.set_pocket(*before)


@_fault(16, "the bottle holds another gas than oxygen", "oxygen fraction", 0.2095, within=(0.0, 1.0))
def _wrong_gas(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench.pot, bottle_oxygen_fraction=value)


@_fault(17, "the relief valve lifts early", "bar", 1.6, within=(1.0, 10.0))
def _relief_early(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench.pot, relief_bar=value)


@_fault(17, "the relief valve does not lift (layer removed)")
def _relief_stuck(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(bench.pot, relief_stuck=True)


@_fault(18, "the connection to the voltmeter is gone", role="voltmeter")
def _voltmeter_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_device(bench, "voltmeter"), down=True)


@_fault(18, "the voltmeter no longer answers", role="voltmeter")
def _voltmeter_silent(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_device(bench, "voltmeter"), mute=True)


@_fault(18, "the voltmeter shows overload on every channel", role="voltmeter")
def _voltmeter_overload(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_device(bench, "voltmeter"), override=OVERLOAD)


@_fault(18, "the voltmeter refuses to start a scan (hardware error)", role="voltmeter")
def _voltmeter_refuses(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_scanner(bench), refuses=-240)


@_fault(19, "a cell is unplugged", targets=_SOCKET)
def _cell_unplugged(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set(bench.cells[int(target)], contact="open")


@_fault(19, "a cell's contact is bad", targets=_SOCKET)
def _cell_noisy(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set(bench.cells[int(target)], contact="noisy")


@_fault(20, "a cell is dead or shorted", targets=_SOCKET)
def _cell_shorted(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set(bench.cells[int(target)], contact="short")


@_fault(22, "the valve block loses its power: outputs drop, nothing answers", role="valves")
def _power_loss(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    valves = _valves(bench)
    valves.lose_power()
    return _set(valves, down=True)


@_fault(22, "the heartbeat no longer reaches the watchdog", role="valves")
def _heartbeat_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_valves(bench), beat_deaf=True)


@_fault(22, "the watchdog is dead (layer removed)", role="valves")
def _watchdog_dead(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_valves(bench), watchdog_dead=True)


@_fault(24, "the computer is suspended", "s", 60.0, within=(0.0, 3600.0))
def _rig_suspended(bench: Bench, target: str, value: float) -> Undo:
    del target
    bench.stall_us += round(value * 1e6)
    return lambda: None


@_fault(25, "the computer's time of day jumps", "s", 3600.0, within=(-1e8, 1e8))
def _clock_jump(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(bench, utc_offset_s=bench.utc_offset_s + value)


@_fault(26, "a gauge is set to gauge pressure and does not say so", targets=_GAUGES)
def _gauge_unit_gauge(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, gauge_unit=True)


@_fault(26, "a gauge is set to psi and does not say so", targets=_GAUGES)
def _gauge_unit_psi(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, unit_per_bar=_PSI_PER_BAR)


@_fault(26, "a gauge is set to kPa and does not say so", targets=_GAUGES)
def _gauge_unit_kpa(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, unit_per_bar=100.0)


@_fault(26, "a gauge is set to standard atmospheres and does not say so", targets=_GAUGES)
def _gauge_unit_atm(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, unit_per_bar=_ATM_PER_BAR)


@_fault(27, "the barometer is wrong", "bar", 0.55, role="barometer", within=(0.0, 10.0))
def _barometer_wrong(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(_device(bench, "barometer"), override=as_float32(value))


@_fault(27, "the connection to the barometer is gone", role="barometer")
def _barometer_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_device(bench, "barometer"), down=True)


@_fault(28, "the thermometer reads too high", "K", 25.0, role="thermometer", within=(-100.0, 200.0))
def _temperature_high(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(_thermometer(bench), error_k=value)


@_fault(28, "the thermometer's probe is open", role="thermometer")
def _thermometer_open(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_thermometer(bench), override=NO_VALUE)


@_fault(28, "the connection to the thermometer is gone", role="thermometer")
def _thermometer_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_thermometer(bench), down=True)


@_fault(29, "the lid switch opens; without pressure the lid comes off", role="valves")
def _lid_opened(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    pot = bench.pot
    loose = abs(pot.pressure_bar - pot.room_pressure_bar) < _LID_MAY_OPEN_BAR
    return _all((_set(_valves(bench), lid_switch_closed=False), _set(pot, lid_off=loose)))


@_fault(
    30,
    "another program takes over the valve block",
    "its token",
    47_011,
    role="valves",
    within=(1, 65535),
    whole=True,
)
def _second_controller(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(_valves(bench), owner=int(value) & 0xFFFF)


@_fault(31, "the connection to the valve block is gone", role="valves")
def _valves_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_valves(bench), down=True)


@_fault(31, "the valve block no longer answers", role="valves")
def _valves_silent(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_valves(bench), mute=True)


@_fault(32, "the valve block takes commands and does nothing", role="valves")
def _valves_ignore_writes(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_valves(bench), deaf=True)


@_fault(33, "another instrument answers at an address", targets=_ROLES)
def _wrong_instrument(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set(_device(bench, target), serial="TW-X-666")


@_fault(33, "a gauge sends the words of its numbers in the other order", targets=_GAUGES)
def _gauge_word_order(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, swapped_words=True)


@_fault(
    36, "the room's oxygen monitor shows so much", "percent", 24.0, role="room_oxygen", within=(0.0, 100.0)
)
def _room_oxygen(bench: Bench, target: str, value: float) -> Undo:
    del target
    return _set(_device(bench, "room_oxygen"), override=value)


@_fault(36, "the connection to the room's oxygen monitor is gone", role="room_oxygen")
def _room_oxygen_lost(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _set(_device(bench, "room_oxygen"), down=True)
