"""Faults of the two pressure gauges on the pot."""

from __future__ import annotations

import math

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import OVERLOAD, as_float32
from drivers.virtual.devices.gauge import OVER_RANGE_BIT, SENSOR_FAULT_BIT, GaugeDevice
from drivers.virtual.faults.entry import FaultGroup
from drivers.virtual.faults.strike import Undo, change, device_of, undo_all

FAULTS = FaultGroup()

_GAUGES = ("gauge", "second_gauge", "both")
_PSI_PER_BAR = 14.503773773
_ATM_PER_BAR = 1.0 / 1.01325


@FAULTS.enter(1, "a gauge is stuck at its last reading", targets=_GAUGES)
def _gauge_stuck(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _freeze(bench, target)


@FAULTS.enter(2, "the second gauge is stuck at its last reading", role="second_gauge")
def _second_gauge_stuck(bench: Bench, target: str, value: float) -> Undo:
    del target, value
    return _freeze(bench, "second_gauge")


@FAULTS.enter(3, "a gauge reads off by a fixed amount", "bar", -0.120, _GAUGES, within=(-10.0, 10.0))
def _gauge_offset(bench: Bench, target: str, value: float) -> Undo:
    return _set_gauges(bench, target, offset_bar=value)


@FAULTS.enter(4, "a gauge drifts away", "bar/s", 0.002, _GAUGES, within=(-1.0, 1.0))
def _gauge_drift(bench: Bench, target: str, value: float) -> Undo:
    return _set_gauges(bench, target, drift_bar_per_s=value, drift_from_us=bench.now_us)


@FAULTS.enter(5, "a gauge answers not-a-number", targets=_GAUGES)
def _gauge_not_a_number(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, override=math.nan)


@FAULTS.enter(5, "a gauge answers the overload number 9.9E37", targets=_GAUGES)
def _gauge_overload(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, override=OVERLOAD)


@FAULTS.enter(
    5,
    "a gauge answers a pressure that cannot be, and says over range",
    "bar",
    12.0,
    _GAUGES,
    within=(4.0, 1000.0),
)
def _gauge_out_of_range(bench: Bench, target: str, value: float) -> Undo:
    return _set_gauges(bench, target, override=as_float32(value), status=OVER_RANGE_BIT)


@FAULTS.enter(5, "a gauge reports a fault of its sensor", targets=_GAUGES)
def _gauge_sensor_fault(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, status=SENSOR_FAULT_BIT)


@FAULTS.enter(6, "the connection to a gauge is gone", targets=_GAUGES)
def _gauge_link_lost(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, down=True)


@FAULTS.enter(6, "a gauge no longer answers", targets=_GAUGES)
def _gauge_silent(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, mute=True)


@FAULTS.enter(26, "a gauge is set to gauge pressure and does not say so", targets=_GAUGES)
def _gauge_unit_gauge(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, gauge_unit=True)


@FAULTS.enter(26, "a gauge is set to psi and does not say so", targets=_GAUGES)
def _gauge_unit_psi(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, unit_per_bar=_PSI_PER_BAR)


@FAULTS.enter(26, "a gauge is set to kPa and does not say so", targets=_GAUGES)
def _gauge_unit_kpa(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, unit_per_bar=100.0)


@FAULTS.enter(26, "a gauge is set to standard atmospheres and does not say so", targets=_GAUGES)
def _gauge_unit_atm(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, unit_per_bar=_ATM_PER_BAR)


@FAULTS.enter(33, "a gauge sends the words of its numbers in the other order", targets=_GAUGES)
def _gauge_word_order(bench: Bench, target: str, value: float) -> Undo:
    del value
    return _set_gauges(bench, target, swapped_words=True)


def _gauges(bench: Bench, target: str) -> list[GaugeDevice]:
    roles = ("gauge", "second_gauge") if target == "both" else (target,)
    return [gauge for role in roles if isinstance(gauge := device_of(bench, role), GaugeDevice)]


def _set_gauges(bench: Bench, target: str, **changes: object) -> Undo:
    undos = []
    for gauge in _gauges(bench, target):
        undos += [change(gauge, **changes), gauge.forget_conversion]
        gauge.forget_conversion()
    return undo_all(undos)


def _freeze(bench: Bench, target: str) -> Undo:
    undos = []
    for gauge in _gauges(bench, target):
        gauge.freeze()
        undos.append(_thaw(gauge))
    return undo_all(undos)


def _thaw(gauge: GaugeDevice) -> Undo:
    def undo() -> None:
        gauge.held = None

    return undo
