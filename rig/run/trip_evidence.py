"""What a trip records besides its text: the readings it was judged on, and from when on they are in doubt.

Readings at full rate, valve commands and the bench file's hash are in the record anyway.
"""

from __future__ import annotations

from typing import Any

from rig.safety.interlocks import INTERLOCKS, Trip
from rig.safety.scan import Scan


def evidence(trip: Trip, scan: Scan) -> dict[str, Any]:
    """Return members of a trip's event; pressures in bar, None where it is not known.

    `invalid_from_s` is the earliest moment at which the fault may have begun: earlier than the trip by the
    time limit of its interlock, or the whole run where a phase found it. Of a voltmeter that repeats itself,
    every scan since the last one that differed is in doubt.
    """
    valves = scan.valves
    return {
        "invalid_from_s": round(invalid_from_s(trip, scan), 3),
        "gauge_bar": scan.pressure_bar,
        "gauge_status": str(scan.gauge.status),
        "gauge_age_s": round(scan.pressure_age_s, 3),
        "second_gauge_bar": scan.second_gauge.pressure_bar,
        "second_gauge_status": str(scan.second_gauge.status),
        "barometer_bar": scan.barometer_bar,
        "temperature_c": scan.temperature_c,
        "room_oxygen_percent": scan.room_oxygen_percent,
        "set_point_bar": None if scan.set_point_bar is None else round(scan.set_point_bar, 5),
        "intent": str(scan.intent),
        "supply_open": None if valves is None else valves.supply_open,
        "vent_open": None if valves is None else valves.vent_open,
        "lid_closed": None if valves is None else valves.lid_closed,
    }


def invalid_from_s(trip: Trip, scan: Scan) -> float:
    """Return from when on readings are in doubt, in seconds of the run, for a trip at the newest scan."""
    slowest_s = max((lock.limit_s for lock in INTERLOCKS if lock.code == trip.code), default=None)
    if slowest_s is None:
        return 0.0 if trip.rows else scan.t_s
    from_s = scan.t_s - slowest_s
    if trip.code == "VOLTMETER_LOST" and scan.scans_alike > 1:
        from_s = min(from_s, scan.scans_differed_s)
    return max(0.0, from_s)
