"""What can be dropped to the safe state: solenoid valves, an electronic controller or a person's hands."""

from __future__ import annotations

from typing import Protocol


class Outputs(Protocol):
    """How the loop and the endings reach the safe state with any kind of drive."""

    def claim(self) -> None:
        """Take the outputs over for this program.

        Raises:
            DriverError: they cannot be taken.
        """
        ...

    def serve(self) -> None:
        """Do what has to be done once a tick to keep the outputs alive and known."""
        ...

    def de_energise(self) -> bool:
        """Go to the safe state: supply shut, vent open. Returns whether the command was taken."""
        ...

    def release(self) -> None:
        """Give the outputs back; never raises."""
        ...
