"""Names that identify a rig on a computer, in spite of different spellings in bench files."""

from __future__ import annotations

import os
from pathlib import Path

from drivers.addresses import normal_address, serial_device
from drivers.catalogue import driver_by_hand
from rig.setup.bench_file import BenchFile


def rig_names(bench: BenchFile) -> tuple[str, ...]:
    """Return every name by which a bench file could mean this rig, the most reliable first.

    They are the serial number of the valve block or controller, that of the pot, and the address of what
    moves the pressure, or reads it on a hand pot. A rig without any of them has its bench file's name.
    """
    drive = bench.by_role("valves") or bench.by_role("controller")
    names = []
    if drive is not None and drive[1].serial:
        names.append(f"serial {_plain(drive[1].serial)}")
    if bench.pot.serial:
        names.append(f"pot {_plain(bench.pot.serial)}")
    reached = drive or bench.by_role("gauge")
    if reached is not None and not driver_by_hand(reached[1].driver):
        address = reached[1].address
        names.append(f"address {normal_address(address)}")
        names.append(f"address {normal_address(_without_links(address))}")
    if not names:
        names.append(f"bench {bench.name}")
    return tuple(dict.fromkeys(names))


def _plain(serial: str) -> str:
    return "".join(serial.split()).casefold()


def _without_links(address: str) -> str:
    """The address with the device itself in place of a link to it, such as those in /dev/serial/by-id."""
    device = serial_device(address)
    if device is None or not Path(device).is_symlink():
        return address
    return address.replace(device, os.path.realpath(device))
