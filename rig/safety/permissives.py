"""The permissives: what must be true before gas is let in. Pure functions from a scan to a refusal."""

from __future__ import annotations

from rig.safety.drive_words import WORDS, Drive
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.states import StateRule
from rig.safety.vented import judge_vented

LID_VENTED_FOR_S = 10.0
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

    The gauges that work must show a vented pot and be believed, no cell may contradict, and that for ten
    seconds. A person has to confirm it by the dial besides: that is asked where the lid is allowed.
    """
    judged = judge_vented(scan, limits)
    if not judged.vented:
        return judged.reason
    if vented_for_s < LID_VENTED_FOR_S:
        return f"the pot has read vented for {int(vented_for_s)} s only; wait for {LID_VENTED_FOR_S:.0f} s"
    return None


def disk_refusal(free_bytes: int) -> str | None:
    """Return why no gas may be let in with this much free space, or None when it may."""
    if free_bytes < LEAST_FREE_BYTES:
        return (
            f"only {free_bytes / 1e6:.0f} MB are free where the record goes; "
            f"{LEAST_FREE_BYTES / 1e6:.0f} MB are needed"
        )
    return None
