"""Which program drives a valve block: found out before anything is ordered of it, and watched afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

from drivers.errors import DriverError
from drivers.ports import OwnedValveBlock, ValveBlock
from rig.loop.loop import Refused
from rig.loop.schedule import Schedule
from rig.safety.scan import Scan

_WATCHED_S: Final = 1.2
"""Longer than two beats of this program at its usual interval, and than one at half a second."""
_LOOKS: Final = 3
_TRIES: Final = 5
_TRIES_EVERY_S: Final = 0.1
_MOST_TOKENS: Final = 65535

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class OtherProgram:
    """Another program's claim to a valve block.

    Attributes:
        token: what the owner register holds.
        lives: whether the heartbeat moves, so that the program that writes it is at work.
    """

    token: int
    lives: bool

    @property
    def text(self) -> str:
        """What was found, and what to do or what was done: one line."""
        if self.lives:
            return (
                f"another program drives the valve block (token {self.token}, its heartbeat moves); "
                "wait for its end"
            )
        return (
            f"The valve block was still claimed by another program (token {self.token}) whose heartbeat "
            "stands still; it was taken over."
        )


def other_program(
    block: OwnedValveBlock, own_token: int | None, pause: Callable[[float], None]
) -> OtherProgram | None:
    """Return whose token is on a block; None where there is none, or it is this program's own.

    It only reads. A token of a program that is dead stays on the block, so the heartbeat is watched for
    `_WATCHED_S`.

    Args:
        block: to look at.
        own_token: of this program, once it has written it; None before.
        pause: waits for so many seconds.

    Raises:
        DriverError: the block does not answer.
    """
    token = _patiently(block.read_owner, pause)
    if token in (0, own_token):
        return None
    first = _patiently(block.read_state, pause).heartbeat
    for _ in range(_LOOKS):
        pause(_WATCHED_S / _LOOKS)
        if _patiently(block.read_state, pause).heartbeat != first:
            return OtherProgram(token, lives=True)
    return OtherProgram(token, lives=False)


class BlockOwner:
    """This program's claim to a valve block, where the block has a register for it.

    Attributes:
        is_another: another program drives the block, and this one was refused it.
        claimed: this program's token has been written, and read back.
    """

    def __init__(self, valves: ValveBlock, token: int, scan: Callable[[], Scan], schedule: Schedule) -> None:
        """Claim `valves` with `token`, 1 to 65535."""
        self._block = valves if isinstance(valves, OwnedValveBlock) else None
        self._token = token
        self._scan = scan
        self._schedule = schedule
        self.claimed = False
        self.is_another = False

    def claim(self) -> str:
        """Write the token, unless another program drives the block; see `rig.pressure.gate.Gate.claim`."""
        block, pause = self._block, self._schedule.pause
        if block is None:
            return ""
        other = other_program(block, self._token if self.claimed else None, pause)
        if other is not None and other.lives:
            self.is_another = True
            raise Refused("RIG_BUSY", other.text)
        if other is not None and other.token == self._token:
            self._token = self._token % _MOST_TOKENS + 1
        _patiently(lambda: block.write_owner(self._token), pause)
        # A block without such a register takes the token and reads 0.
        self.claimed = _patiently(block.read_owner, pause) != 0
        return "" if other is None else other.text

    def give_back(self) -> None:
        """Clear the register. Raises DriverError."""
        if self._block is not None:
            self._block.write_owner(0)

    def look(self) -> None:
        """Read the register, and put into the scan whether it holds another token. Raises DriverError."""
        if self._block is None:
            return
        token, scan = self._block.read_owner(), self._scan()
        foreign = token != self._token
        scan.foreign_owner = scan.foreign_owner + 1 if foreign else 0
        scan.foreign_token = token if foreign else 0


def _patiently(exchange: Callable[[], T], pause: Callable[[float], None]) -> T:
    """Do an exchange that may be repeated, where no tick waits for it: up to five times.

    Raises:
        DriverError: of the last attempt.
    """
    for tries_left in reversed(range(_TRIES)):
        try:
            return exchange()
        except DriverError as error:
            if not (error.retryable and tries_left):
                raise
            pause(_TRIES_EVERY_S)
    raise AssertionError("the last try returns or raises")
