"""Looks who drives a valve block before this program does anything to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, TypeVar

from drivers.errors import DriverError
from drivers.ports import OwnedValveBlock

_WATCHED_S: Final = 1.2
"""Longer than two beats of this program at its usual interval, and than one at half a second."""
_LOOKS: Final = 3
_TRIES: Final = 5
_TRIES_EVERY_S: Final = 0.1

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class BlockOwner:
    """Another program's token on a valve block.

    Attributes:
        token: what the owner register holds.
        lives: whether the heartbeat moves, so that the program that writes it is at work.
    """

    token: int
    lives: bool

    @property
    def refusal(self) -> str:
        """Why this program may not drive the block; empty where it may."""
        if not self.lives:
            return ""
        return (
            f"another program drives the valve block (token {self.token}, its heartbeat moves); end it first"
        )


def other_owner(
    block: OwnedValveBlock, own_token: int | None, pause: Callable[[float], None]
) -> BlockOwner | None:
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
    token = patiently(block.read_owner, pause)
    if token in (0, own_token):
        return None
    first = patiently(block.read_state, pause).heartbeat
    for _ in range(_LOOKS):
        pause(_WATCHED_S / _LOOKS)
        if patiently(block.read_state, pause).heartbeat != first:
            return BlockOwner(token, lives=True)
    return BlockOwner(token, lives=False)


def patiently(exchange: Callable[[], T], pause: Callable[[float], None]) -> T:
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
