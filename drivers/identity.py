"""Is what answers the instrument that the bench file means?"""

from __future__ import annotations

from drivers.errors import WrongInstrument
from drivers.ports import Identity, InstrumentSpec


def check_serial(spec: InstrumentSpec, identity: Identity) -> None:
    """Compare what an instrument says of itself with the bench file.

    Raises:
        WrongInstrument: when the serial number is another one.
    """
    if spec.serial and identity.serial != spec.serial:
        found = identity.serial or "no serial number"
        raise WrongInstrument(
            spec.name,
            f"the bench file says serial {spec.serial}, what answers at {spec.address} says {found}",
        )
