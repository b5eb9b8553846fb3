"""Faults of the two pressure gauges on the pot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import OVERLOAD, as_float32
from drivers.virtual.devices.gauge import OVER_RANGE_BIT, SENSOR_FAULT_BIT, GaugeDevice
from drivers.virtual.faults.entry import BOTH_GAUGES, GAUGE_ROLES, Part, Size, instrument
from drivers.virtual.faults.strike import Undo, change, sets, sets_size, undo_all

_PSI_PER_BAR = 14.503773773
_ATM_PER_BAR = 1.0 / 1.01325


def _find(bench: Bench, target: str) -> Sequence[Any]:
    roles = GAUGE_ROLES if target == BOTH_GAUGES else (target,)
    return [gauge for role in roles if (gauge := bench.by_role(role)) is not None]


_GAUGES = Part(_find, targets=(*GAUGE_ROLES, BOTH_GAUGES), refresh=GaugeDevice.forget_conversion)
_SECOND_GAUGE = instrument("second_gauge")
_MANIFOLD = Part(
    lambda bench, _target: _find(bench, BOTH_GAUGES), role="gauge", refresh=GaugeDevice.forget_conversion
)


def _drift(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    return sets(drift_bar_per_s=value, drift_from_us=bench.now_us)(bench, struck, value)


def _shut_off(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    """Keep the gas that is in front of the gauges now; they go on converting it."""
    del value
    return undo_all([change(gauge, trapped_bar=gauge.true_bar(bench.now_us)) for gauge in struck])


def _clog(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del struck
    bench.pot.clog_tee(value)
    return bench.pot.free_tee


def _freeze(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
    del bench, value
    for gauge in struck:
        gauge.freeze()

    def thaw() -> None:
        for gauge in struck:
            gauge.held = None

    return thaw


FAULTS = (
    _GAUGES.fault(1, "gauge_stuck", "a gauge is stuck at its last reading", _freeze),
    _SECOND_GAUGE.fault(2, "second_gauge_stuck", "the second gauge is stuck at its last reading", _freeze),
    _MANIFOLD.fault(
        1,
        "gauge_manifold_shut",
        "both gauges are shut off from the pot and keep the gas that they have",
        _shut_off,
    ),
    _GAUGES.fault(
        3,
        "gauge_offset",
        "a gauge reads off by a fixed amount",
        sets_size("offset_bar"),
        Size("bar", -0.12, -10.0, 10.0),
    ),
    _GAUGES.fault(
        3,
        "gauge_gain",
        "a gauge reads off by a part of the pressure",
        sets_size("gain_error"),
        Size("part", -0.03, -0.5, 0.5),
    ),
    _GAUGES.fault(4, "gauge_drift", "a gauge drifts away", _drift, Size("bar/s", 0.002, -1.0, 1.0)),
    _GAUGES.fault(5, "gauge_not_a_number", "a gauge answers not-a-number", sets(override=math.nan)),
    _GAUGES.fault(5, "gauge_overload", "a gauge answers the overload number 9.9E37", sets(override=OVERLOAD)),
    _GAUGES.fault(
        5,
        "gauge_out_of_range",
        "a gauge answers an impossible pressure, and reports over range",
        sets_size("override", as_float32, status=OVER_RANGE_BIT),
        Size("bar", 12.0, 4.0, 1000.0),
    ),
    _GAUGES.fault(
        5, "gauge_sensor_fault", "a gauge reports a fault of its sensor", sets(status=SENSOR_FAULT_BIT)
    ),
    _GAUGES.fault(6, "gauge_link_lost", "the connection to a gauge is gone", sets(down=True)),
    _GAUGES.fault(6, "gauge_silent", "a gauge no longer answers", sets(mute=True)),
    _MANIFOLD.fault(
        13,
        "tee_clogged",
        "a clogged tee parts gauges and vent from the pot; its side empties with this time constant",
        _clog,
        Size("s", 0.04, 0.01, 600.0),
    ),
    _GAUGES.fault(
        26,
        "gauge_unit_gauge",
        "a gauge is set to gauge pressure and does not report it",
        sets(gauge_unit=True),
    ),
    _GAUGES.fault(
        26, "gauge_unit_psi", "a gauge is set to psi and does not report it", sets(unit_per_bar=_PSI_PER_BAR)
    ),
    _GAUGES.fault(
        26, "gauge_unit_kpa", "a gauge is set to kPa and does not report it", sets(unit_per_bar=100.0)
    ),
    _GAUGES.fault(
        26,
        "gauge_unit_atm",
        "a gauge is set to standard atmospheres and does not report it",
        sets(unit_per_bar=_ATM_PER_BAR),
    ),
    _GAUGES.fault(
        33,
        "gauge_word_order",
        "a gauge sends the words of its numbers in the other order",
        sets(swapped_words=True),
    ),
)
