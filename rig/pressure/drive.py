"""What a run needs from a pressure drive: the drive itself, and what its kind adds to a run."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import ClassVar, Protocol

from rig.safety.scan import Scan


@dataclass(frozen=True, slots=True)
class LidKeptShut:
    """Why a person must not open the lid.

    Attributes:
        alarm: what is not known and what to do, as sentences.
        contradicted: something contradicts a vented pot; else nobody has confirmed it.
    """

    alarm: str
    contradicted: bool


class PressureDrive(Protocol):
    """What ramps and keeps the pressure: solenoid valves, an electronic controller or a person's hands."""

    def begin_move(self, target_bar: float, scan: Scan) -> None:
        """Start towards a target, from the pressure of this scan; shuts the vent."""
        ...

    def move(self, scan: Scan) -> bool:
        """Do this tick's part of the ramp. Returns whether the target is reached."""
        ...

    def begin_keep(self, scan: Scan, target_bar: float) -> None:
        """Start to keep a target that has been reached."""
        ...

    def keep(self, scan: Scan) -> None:
        """Do this tick's part of keeping the pressure."""
        ...

    def rest(self) -> None:
        """Leave the pressure alone, vent shut, until the next call."""
        ...

    def open_vent(self) -> None:
        """Open the vent and leave it open."""
        ...

    def flow(self, scan: Scan) -> float:
        """Do this tick's part of a flow purge. Returns litres at 1 bar let in by this tick."""
        ...

    @property
    def gas_used_l(self) -> float:
        """Litres at 1 bar let in so far."""
        ...


class DriveHooks:
    """What a kind of drive adds to a run, at the places where a run asks. This one adds nothing.

    Attributes:
        person_first: a person makes the pot safe, so the last run is cleared before that.
    """

    person_first: ClassVar[bool] = False

    def before_gas(self, today: date) -> None:
        """Have everything confirmed that must be true before the rig is made safe.

        Raises:
            Refused: a condition is not met.
        """

    def before_zero(self) -> None:
        """Prepare the vented-zero check.

        Raises:
            Refused: what it compares with is not known.
        """

    def after_zero(self) -> None:
        """Compare the readings that only a person can take on the vented pot.

        Raises:
            Refused: it does not agree.
        """

    def open_supply(self) -> None:
        """Bring oxygen to the supply valve, the vent open.

        Raises:
            Tripped: it cannot be done.
        """

    def after_purge(self) -> str:
        """Return what the purge has shown about this drive, as a sentence, or an empty text."""
        return ""

    def way_out(self) -> None:
        """Show how the pot is made safe: the run is ending early, or the last one never ended."""

    def after_vent(self) -> LidKeptShut | None:
        """Make sure that the lid is opened only on a pot without pressure; return why it stays shut."""
        return None

    def lid_force_n(self, scan: Scan) -> float | None:
        """Return the force on a lid that a person may open, in newtons; None where it is not shown."""
        del scan
        return None
