"""Common part of every instrument of the virtual bench."""

from __future__ import annotations

import struct
from typing import Literal

from drivers.virtual.devices.stand import Stand
from drivers.virtual_spec import VirtualInstrument

Permit = Literal["ok", "not armed", "out of range", "not shut"]
OVERLOAD = 9.9e37
NO_VALUE = 9.91e37

_FLOAT32 = struct.Struct(">f")


class Device:
    """Common part of every instrument.

    Attributes:
        stand, pot: that it stands on and is screwed to.
        name, role, serial: as in the bench file.
        deadline_s: how long the rig waits for an answer, in seconds.
        mute: takes requests and never answers.
        down: drops every connection.
        latency_s: answers that much later, in seconds.
    """

    model = ""

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument, serial: str) -> None:
        self.stand = stand
        self.pot = stand.pot
        self.name = name
        self.role = instrument.role
        self.serial = instrument.serial or serial
        self.deadline_s = instrument.deadline_s
        self.mute = False
        self.down = False
        self.latency_s = 0.0

    def heard(self) -> None:
        """Note that a message has come in."""

    def busy(self, register: int, *, write: bool) -> bool:
        """Whether this request is answered "busy" and not carried out; `register` is the first one."""
        del register, write
        return False


def as_float32(value: float) -> float:
    """The number that survives a 32-bit float register."""
    number: float = _FLOAT32.unpack(_FLOAT32.pack(value))[0]
    return number


def bounded(normal: float) -> float:
    """A drawn error beyond two standard deviations would not have passed its calibration."""
    return min(max(normal, -2.0), 2.0)
