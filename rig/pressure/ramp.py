"""Ramps to a target and gives up when it takes far too long."""

from __future__ import annotations

from rig.loop.loop import Loop, Tripped, procedure_trip
from rig.pressure.drive import PressureDrive
from rig.safety.interlocks import CLOSE_BOTTLE, Response
from rig.safety.scan import Scan

_TIMES_AS_LONG = 3.0
_LEAST_S = 90.0
_LOST_READINGS = 4
"""Ticks that a filling waits for the gauges: one lost reading refuses none, and lasting loss is a trip."""


def ramp_to(loop: Loop, drive: PressureDrive, target_bar: float) -> Scan:
    """Ramp to a target, absolute bar, and return the last scan.

    Raises:
        Tripped: RAMP_SLOW after more than three times the time it should take, and as a tick does.
    """
    scan = loop.scan
    for _ in range(_LOST_READINGS):
        fills = scan.pressure_bar is not None and target_bar > scan.pressure_bar
        lost = scan.gauge.failed_readings or scan.second_gauge.failed_readings
        if not fills or not (lost or scan.scans_apart):
            break
        scan = loop.tick()
    start_bar = scan.pressure_bar if scan.pressure_bar is not None else target_bar
    usual_s = 60.0 * abs(target_bar - start_bar) / loop.limits.ramp_bar_per_min
    allowed_s = _TIMES_AS_LONG * usual_s + _LEAST_S
    until_s = loop.now_s + allowed_s
    drive.begin_move(target_bar, scan)
    reached = False
    while not reached:
        scan = loop.tick()
        reached = drive.move(scan)
        if not reached and scan.t_s > until_s:
            raise Tripped(
                procedure_trip(
                    "RAMP_SLOW",
                    Response.STOP if target_bar > start_bar else Response.ABORT,
                    f"After {allowed_s:.0f} s the pressure is at {scan.pressure_bar or 0.0:.3f} bar, "
                    f"not at {target_bar:.3f} bar.",
                    f"{CLOSE_BOTTLE} Check bottle, vent and leaks.",
                    rows=(11, 13, 15, 17),
                )
            )
    return scan
