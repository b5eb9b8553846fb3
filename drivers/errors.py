"""What can go wrong between the rig and an instrument, and whether asking again is sane."""

from __future__ import annotations

from typing import ClassVar


class DriverError(Exception):
    """Base of every error a driver raises.

    Attributes:
        instrument: name of the instrument in the bench file, or the address where no name is known yet.
        retryable: whether the same request may be sent again. A set point or valve command is never sent
            again without a person's or the state machine's decision, whatever this says.
    """

    retryable: ClassVar[bool] = False

    def __init__(self, instrument: str, message: str) -> None:
        super().__init__(f"{instrument}: {message}")
        self.instrument = instrument
        self.message = message


class LinkDown(DriverError):
    """The connection is refused, closed or gone; a reopen is needed before anything else."""

    retryable: ClassVar[bool] = True


class LinkTimeout(DriverError):
    """No complete answer within the deadline. The link has been fenced against a late reply."""

    retryable: ClassVar[bool] = True


class BadReply(DriverError):
    """An answer came, but it is not what this request is answered with; it was discarded."""

    retryable: ClassVar[bool] = True


class Refused(DriverError):
    """The instrument refused the command, or the driver refused it before it reached the wire."""


class NoReading(DriverError):
    """The instrument answers, and says that it has no value: overload, sensor open, not ready."""

    retryable: ClassVar[bool] = True


class WrongInstrument(DriverError):
    """What answers at this address is not the instrument that the bench file describes."""
