"""Trips of a pressure drive itself that are the same for every kind of drive."""

from __future__ import annotations

from typing import Final

from rig.loop.loop import Tripped, procedure_trip
from rig.safety.drive_words import Drive
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT, Response

WHY_NO_FLOW: Final = {
    Drive.CONTROLLER: "a pressure controller keeps a pressure and cannot be made to let a known flow through",
    Drive.HANDS: "what flows through a hand valve depends on how far it is open, which no gauge can measure",
}
"""Why a flow purge cannot be proved with these drives; valves with timed shots can prove it."""
TAKE_SWINGS: Final = "Take a procedure that purges by swings."


def not_permitted(refusal: str) -> Tripped:
    """Return what to raise when a permissive refuses to start a filling."""
    return Tripped(procedure_trip("NOT_PERMITTED", Response.STOP, f"Filling is refused: {refusal}.", ""))


def no_flow_purge(drive: Drive) -> Tripped:
    """Return what to raise when a drive is asked for a flow that it cannot measure."""
    text = f"No flow purge here: {WHY_NO_FLOW[drive]}."
    return Tripped(procedure_trip("NO_FLOW_PURGE", Response.STOP, text, TAKE_SWINGS))


def supply_stays_open(pressure_bar: float, ambient_bar: float) -> Tripped:
    """Return what to raise when the back pressure of a flow purge stays up although no shot is given."""
    return Tripped(
        procedure_trip(
            "PRESSURE_RISES",
            Response.ABORT,
            f"The pot stays {1000 * (pressure_bar - ambient_bar):.0f} mbar above ambient with its vent open "
            "and no gas commanded: the supply valve does not shut, or the vent is nearly blocked.",
            f"{CLOSE_BOTTLE} {KEEP_LID_SHUT}",
            rows=(10, 13),
        )
    )
