"""Checks that the instrument that answers is the one in the bench file."""

from __future__ import annotations

from drivers.errors import WrongInstrument
from drivers.ports import Identity, InstrumentSpec


def check_serial(spec: InstrumentSpec, identity: Identity) -> None:
    """Compare the identity of an instrument with the bench file.

    Raises:
        WrongInstrument: when the serial number differs.
    """
    if spec.serial and identity.serial != spec.serial:
        found = identity.serial or "no serial number"
        raise WrongInstrument(
            spec.name,
            f"the bench file says serial {spec.serial}, the instrument at {spec.address} reports {found}",
        )
