"""Words for the three ways of moving the pressure, wherever they differ.

A text for the operator must name the equipment in front of them. A pot with hand valves has no valves that
the program could de-energise, and an electronic controller gives no shots.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Drive(StrEnum):
    """What moves the pressure."""

    VALVES = "valves"
    CONTROLLER = "controller"
    HANDS = "hands"


@dataclass(frozen=True, slots=True)
class DriveWords:
    """Words for one kind of drive; clauses without a full stop unless said otherwise.

    Attributes:
        outputs: what the program commands.
        lost: whole sentence after "... does not answer; ": what the operator has to know then.
        rises: why the pressure may be above where it should be.
        falls: why it may fall fast.
        sinks: why it may fall slowly.
        supply: what may keep gas from coming in, beside the bottle.
        vent: what may keep gas from going out.
        dropped, ramped, held: whole sentences: what has been done at a trip that aborts, stops or holds.
        not_dropped: whole sentence: what has been tried at a trip that aborts, when nothing took the order.
        stop_once, stop_twice: for the foot of the screen: what Ctrl-C does, once and twice.
    """

    outputs: str
    lost: str
    rises: str
    falls: str
    sinks: str
    supply: str
    vent: str
    dropped: str
    not_dropped: str
    ramped: str
    held: str
    stop_once: str
    stop_twice: str

    @property
    def stop_keys(self) -> str:
        """What Ctrl-C does, in whole sentences."""
        return f"Ctrl-C: {self.stop_once}. Twice: {self.stop_twice}."


WORDS: Final[Mapping[Drive, DriveWords]] = {
    Drive.VALVES: DriveWords(
        outputs="the valve block",
        lost="this program can no longer move a valve; the watchdog relay has to do it.",
        rises="the supply valve may be stuck open",
        falls="the vent is stuck open or its shots last too long, or the lid or a hose is loose",
        sinks="there is a large leak, or the supply gives no gas to top up with",
        supply="the supply valve does not open",
        vent="the vent is stuck or blocked",
        dropped="De-energised: supply shut, vent open.",
        not_dropped="The command to de-energise got no answer: the valves may not have moved.",
        ramped="Supply shut; venting on the ramp.",
        held="Supply shut; pressure kept, hold clock stopped.",
        stop_once="vent on the ramp and stop",
        stop_twice="drop every valve now",
    ),
    Drive.CONTROLLER: DriveWords(
        outputs="the pressure controller",
        lost="it may continue to hold its pressure.",
        rises="the controller may not shut its supply, or its own gauge disagrees with this one",
        falls="the controller lets gas out, or the lid or a hose is loose",
        sinks="there is a large leak, or the controller's supply gives nothing to top up with",
        supply="the controller does not let gas in",
        vent="the controller's exhaust or the line behind it is blocked, or its supply does not shut",
        dropped="Vent command sent to the controller.",
        not_dropped="The command to vent got no answer: the controller may keep the pressure.",
        ramped="The controller vents on the ramp.",
        held="The controller keeps the pressure; hold clock stopped.",
        stop_once="vent on the ramp and stop",
        stop_twice="the controller vents at once",
    ),
    Drive.HANDS: DriveWords(
        outputs="the person at the valves",
        lost="nobody moves a valve.",
        rises="the supply valve is not shut tight",
        falls="the vent is open, or the lid or a hose is loose",
        sinks="there is a leak, or a valve is not shut tight",
        supply="the supply valve is not open",
        vent="the vent is shut or blocked",
        dropped="Asked for: supply and cylinder shut, vent open all the way.",
        not_dropped="Asked for: supply and cylinder shut, vent open all the way.",
        ramped="Asked for: supply shut, pressure let out as the screen says.",
        held="Asked for: both valves shut, hands off; hold clock stopped.",
        stop_once="let the pressure out slowly and stop",
        stop_twice="open the vent at once",
    ),
}
