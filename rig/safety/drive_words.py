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
class Drop:
    """What is known of an order to drop the outputs.

    Attributes:
        shown: a later read-back shows that no output is energised.
        taken: the order was confirmed.
        answered: it was answered, be it with "busy" or a refusal.
        error: what was wrong, where it was not confirmed.
    """

    shown: bool = False
    taken: bool = True
    answered: bool = True
    error: str = ""


DROP_ORDERED: Final = Drop()
"""The order was taken, and nothing more is known."""


@dataclass(frozen=True, slots=True)
class DriveWords:
    """Words for one kind of drive; clauses without a full stop unless said otherwise.

    Attributes:
        outputs: what the program commands.
        lost: sentence after a comma, what the operator has to know when nothing answers.
        despite: after "although", what was ordered when the pressure rises nevertheless.
        rises: why the pressure may be above where it should be.
        falls: why it may fall fast.
        sinks: why it may fall slowly.
        supply: what may keep gas from coming in, beside the bottle.
        vent: what may keep gas from going out.
        dropped: whole sentence: a read-back shows that the outputs are off.
        ordered: whole sentence: the order to drop them was taken, and nothing shows yet that it was done.
        refused: whole sentence with `{error}`: the order was answered, but not taken.
        not_dropped: whole sentence: the order got no answer.
        ramped, held: whole sentences: what has been ordered at a trip that stops or holds.
        stop_once, stop_twice: for the foot of the screen: what Ctrl-C does, once and twice.
    """

    outputs: str
    lost: str
    despite: str
    rises: str
    falls: str
    sinks: str
    supply: str
    vent: str
    dropped: str
    ordered: str
    refused: str
    not_dropped: str
    ramped: str
    held: str
    stop_once: str
    stop_twice: str

    def done(self, drop: Drop) -> str:
        """What is known of an order to drop the outputs, as a whole sentence; never where a valve stands."""
        if drop.shown:
            return self.dropped
        if drop.taken:
            return self.ordered
        return self.refused.format(error=drop.error) if drop.answered else self.not_dropped

    @property
    def stop_keys(self) -> str:
        """What Ctrl-C does, in whole sentences."""
        return f"Ctrl-C: {self.stop_once}. Twice: {self.stop_twice}."


WORDS: Final[Mapping[Drive, DriveWords]] = {
    Drive.VALVES: DriveWords(
        outputs="the valve block",
        lost="this program can no longer move a valve; the watchdog relay has to do it.",
        despite="the order was to drop everything",
        rises="the supply valve may be stuck open",
        falls="the vent is stuck open or without power, its shots last too long, or lid or hose are loose",
        sinks="there is a large leak, or the supply gives no gas to top up with",
        supply="the supply valve does not open",
        vent="the vent is stuck or blocked",
        dropped="De-energised: no valve has power.",
        ordered="The order to de-energise was taken; the valve block does not show it yet.",
        refused="The valve block did not take the order to de-energise ({error}); each valve was ordered to "
        "drop by itself, and the valve block does not show it yet.",
        not_dropped="The order to de-energise got no answer: the valves may not have moved.",
        ramped="No more supply shots; venting on the ramp.",
        held="No more supply shots, vent kept energised; hold clock stopped.",
        stop_once="vent on the ramp and stop",
        stop_twice="drop every valve now",
    ),
    Drive.CONTROLLER: DriveWords(
        outputs="the pressure controller",
        lost="it may continue to hold its pressure.",
        despite="the order was to vent",
        rises="the controller may not shut its supply, or its own gauge disagrees with this one",
        falls="the controller lets gas out, or the lid or a hose is loose",
        sinks="there is a large leak, or the controller's supply gives nothing to top up with",
        supply="the controller does not let gas in",
        vent="the controller's exhaust or the line behind it is blocked, or its supply does not shut",
        dropped="The controller took the order to vent.",
        ordered="The controller took the order to vent.",
        refused="The controller did not take the order to vent ({error}): it may keep the pressure.",
        not_dropped="The order to vent got no answer: the controller may keep the pressure.",
        ramped="The controller is ordered to vent on the ramp.",
        held="The controller is ordered to keep the pressure; hold clock stopped.",
        stop_once="vent on the ramp and stop",
        stop_twice="the controller vents at once",
    ),
    Drive.HANDS: DriveWords(
        outputs="the person at the valves",
        lost="nobody moves a valve.",
        despite="you were asked to shut the supply and to open the vent",
        rises="the supply valve or the cylinder is still open, or not shut tight",
        falls="the vent is open, or the lid or a hose is loose",
        sinks="there is a leak, or a valve is not shut tight",
        supply="the supply valve is not open",
        vent="the vent is shut or blocked",
        dropped="Asked for: supply and cylinder shut, vent open all the way.",
        ordered="Asked for: supply and cylinder shut, vent open all the way.",
        refused="Asked for: supply and cylinder shut, vent open all the way.",
        not_dropped="Asked for: supply and cylinder shut, vent open all the way.",
        ramped="Asked for: supply shut, pressure let out as the screen says.",
        held="Asked for: both valves shut, hands off; hold clock stopped.",
        stop_once="let the pressure out slowly and stop",
        stop_twice="open the vent at once",
    ),
}
