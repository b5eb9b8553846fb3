"""What a person is asked, and what their answer counts, where a pot is not shown to be vented.

A word typed by habit must end no alarm. Where a believed gauge shows pressure it has to show none as well;
where the gauges show nothing, are not believed, or the cells contradict them, the dial is read as a pressure.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.vented import surviving_gauges, surviving_gauges_bar
from rig.view import Prompt, Wanted

GaugeReader = Callable[[str, float], float]
"""Typed text and ambient pressure in bar to bar gauge. Raises ValueError with one line, what is wrong."""
VENTED: Final = "VENTED"
_TIMEOUT_S: Final = 600.0
_BELOW_BAR: Final = 0.05


def asks_dial(scan: Scan, limits: SafetyLimits) -> bool:
    """Whether the dial has to be read as a pressure: no believed gauge shows the pressure that is left."""
    ambient_bar = scan.barometer_bar
    return ambient_bar is None or not any(
        not gauge.doubt
        and gauge.pressure_bar is not None
        and gauge.pressure_bar - ambient_bar > limits.vented_bar
        for gauge in surviving_gauges(scan)
    )


def question(scan: Scan, limits: SafetyLimits, alarm: str) -> Prompt:
    """Return what to ask now, with the standing alarm beside it."""
    if asks_dial(scan, limits):
        return Prompt(
            "not_vented_dial",
            "The gauges cannot show whether the pot is vented. Bleed the pot by hand, wait until the needle "
            "on it is still, and read it: what does the dial read? With its unit, for example 0.05 barg.",
            timeout_s=_TIMEOUT_S,
            wanted=Wanted.DIAL,
            alarm=alarm,
        )
    return Prompt(
        "not_vented",
        f"Type {VENTED} once the dial on the pot shows no pressure.",
        (VENTED,),
        timeout_s=_TIMEOUT_S,
        alarm=alarm,
    )


def misread(answer: str, scan: Scan, limits: SafetyLimits, read: GaugeReader) -> str:
    """Return why a reading of the dial shows no vented pot, as sentences; empty where it does."""
    try:
        over_bar = read(answer, scan.barometer_bar or 1.013)
    except ValueError as wrong:
        return f"{wrong}."
    if over_bar > limits.vented_bar:
        return (
            f"NOT VENTED: the dial reads {over_bar:.2f} bar gauge, {limits.lid_force_n(over_bar):.0f} N on "
            "the lid. Bleed on, then read it again."
        )
    if over_bar < -_BELOW_BAR:
        return f"{1000.0 * over_bar:.0f} mbar is below the room's pressure: check the unit, then the dial."
    return ""


def objection(scan: Scan, limits: SafetyLimits) -> str:
    """Return what contradicts a person who has seen no pressure on the dial, as sentences; empty: nothing.

    A gauge that agrees is enough, and so is none that works; the cells may contradict both.
    """
    alive, ambient_bar = surviving_gauges_bar(scan), scan.barometer_bar
    over_bar = 0.0
    if alive and ambient_bar is not None:
        over_bar = min((reading - ambient_bar for reading in alive), key=abs)
    if abs(over_bar) <= limits.vented_bar:
        return _objection_of_cells(scan)
    shut_off = any(gauge.doubt for gauge in surviving_gauges(scan))
    do_now = (
        "It may be shut off from the pot: open it to the pot." if shut_off else "Bleed on until it falls."
    )
    return (
        f"NOT VENTED: this answer does not count, because the gauge still reads {1000.0 * over_bar:+.0f} "
        f"mbar against ambient, {limits.lid_force_n(over_bar):.0f} N on the lid. {do_now}"
    )


def _objection_of_cells(scan: Scan) -> str:
    if scan.cells_over_bar is None:
        return ""
    return (
        "NOT CONFIRMED: this answer does not count, because the cells still show pressure in the pot, "
        f"about {1000.0 * scan.cells_over_bar:+.0f} mbar against ambient. The dial may be stuck, or "
        "shut off from the pot as the gauges are. Leave vent and bleed open until the cells have fallen."
    )
