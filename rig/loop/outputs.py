"""What can be dropped to the safe state: solenoid valves, an electronic controller or a person's hands."""

from __future__ import annotations

from typing import Protocol

from rig.safety.drive_words import Drop


class Outputs(Protocol):
    """How the loop and the endings reach the safe state with any kind of drive."""

    def claim(self) -> str:
        """Take the outputs over for this program. Returns a caution for the operator, or an empty text.

        Raises:
            rig.loop.loop.Refused: another program drives them.
            DriverError: they cannot be taken.
        """
        ...

    def serve(self) -> None:
        """Do what has to be done once a tick to keep the outputs alive and known."""
        ...

    def de_energise(self) -> bool:
        """Order the safe state: supply shut, vent open. Returns whether the order was taken."""
        ...

    @property
    def drop(self) -> Drop:
        """What is known of the newest order to de-energise."""
        ...

    def release(self) -> None:
        """Give the outputs back; never raises."""
        ...
