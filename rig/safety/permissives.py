"""The permissives: what must be true before gas is let in. Pure functions from a scan to a refusal."""

from __future__ import annotations

from rig.safety.drive_words import WORDS, Drive
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.states import StateRule

LEAST_FREE_BYTES = 50_000_000


def fill_refusal(
    scan: Scan, rule: StateRule, limits: SafetyLimits, *, rises_to_bar: float, two_gauges: bool
) -> str | None:
    """Return why no gas may be let in now, or None when it may; the same for valves, controller and hands.

    Args:
        scan: the newest scan.
        rule: what the present state may do; no state that a trip leads to may fill.
        limits: of this run.
        rises_to_bar: where the filling is meant to end, absolute bar.
        two_gauges: whether the bench has a second gauge, which must then read too.
    """
    if not rule.may_fill:
        return f"no gas is let in while {rule.state}"
    if scan.free_bytes is not None and (refusal := disk_refusal(scan.free_bytes)) is not None:
        return refusal
    if scan.gauge.newest_bar is None:
        return "the pressure gauge has no valid reading"
    if two_gauges and scan.second_gauge.newest_bar is None:
        return "the second gauge has no valid reading"
    if scan.scans_apart:
        return f"the two gauges disagree by more than {1000 * limits.gauges_apart_bar:.0f} mbar"
    if scan.valve_failures or (scan.drive is Drive.VALVES and scan.valves is None):
        failing = "answers with an error" if scan.valve_answers else "does not answer"
        return f"{WORDS[scan.drive].outputs} {failing}"
    if scan.foreign_owner:
        return "another program has taken over the valve block"
    if scan.valves is not None and scan.valves.lid_closed is False:
        return "the lid is open"
    if scan.valves is not None and (scan.valves.watchdog_tripped or scan.valves.pressure_switch_tripped):
        return "the valves' power has been cut"
    highest_bar = max(rises_to_bar, scan.highest_bar or 0.0)
    if highest_bar > limits.stop_pressure_bar:
        return f"{highest_bar:.3f} bar is above the filling stop at {limits.stop_pressure_bar:.2f} bar"
    return None


def shot_refusal(
    scan: Scan,
    rule: StateRule,
    limits: SafetyLimits,
    *,
    duration_ms: int,
    longest_shot_ms: int,
    expected_rise_bar: float,
    two_gauges: bool,
) -> str | None:
    """Return why a supply shot may not be given now, or None when it may.

    Args:
        scan: the newest scan.
        rule: what the present state may do.
        limits: of this run.
        duration_ms: length of the shot.
        longest_shot_ms: longest device-timed shot of the valve block.
        expected_rise_bar: what the shot is expected to add.
        two_gauges: whether the bench has a second gauge.
    """
    if not 1 <= duration_ms <= longest_shot_ms:
        return f"a shot of {duration_ms} ms is outside 1 to {longest_shot_ms} ms"
    rises_to_bar = (scan.highest_bar or 0.0) + expected_rise_bar
    return fill_refusal(scan, rule, limits, rises_to_bar=rises_to_bar, two_gauges=two_gauges)


def lid_refusal(scan: Scan, limits: SafetyLimits, vented_for_s: float) -> str | None:
    """Return why the lid may not be opened now, or None when it may.

    Two sources within the vented band of the barometer, and the vent open for ten seconds.
    """
    if scan.barometer_bar is None or scan.pressure_bar is None:
        return "the pressure in the pot is not known"
    for reading in (scan.gauge.pressure_bar, scan.second_gauge.pressure_bar):
        if reading is None:
            continue
        over_bar = reading - scan.barometer_bar
        if over_bar > limits.vented_bar:
            return f"LID UNDER PRESSURE: {limits.lid_force_n(over_bar):.0f} N on the lid"
        if over_bar < -limits.vented_bar:
            return f"a gauge reads {-1000 * over_bar:.0f} mbar below the room: the pressure is not known"
    if vented_for_s < 10.0:
        return f"the vent has been open for {int(vented_for_s)} s only; wait for 10 s"
    return None


def disk_refusal(free_bytes: int) -> str | None:
    """Return why no gas may be let in with this much free space, or None when it may."""
    if free_bytes < LEAST_FREE_BYTES:
        return (
            f"only {free_bytes / 1e6:.0f} MB are free where the record goes; "
            f"{LEAST_FREE_BYTES / 1e6:.0f} MB are needed"
        )
    return None
