"""What can go wrong between the rig and an instrument, and whether the request may be repeated."""

from __future__ import annotations

from typing import ClassVar

from drivers.ports import ReadingStatus


class DriverError(Exception):
    """Base of every error a driver raises.

    Attributes:
        instrument: name of the instrument in the bench file, or the address where no name is known yet.
        retryable: whether the same request may be sent again. A set point or valve command is never sent
            again without a person's or the state machine's decision, whatever its value.
        status: the status in the record of the reading lost to this error.
    """

    retryable: ClassVar[bool] = False
    status: ReadingStatus = ReadingStatus.NO_VALUE

    def __init__(self, instrument: str, message: str) -> None:
        super().__init__(f"{instrument}: {message}")
        self.instrument = instrument
        self.message = message


class LinkDown(DriverError):
    """The connection is refused, closed or gone; a reopen is needed before anything else."""

    retryable: ClassVar[bool] = True
    status = ReadingStatus.LINK_DOWN


class LinkTimeout(DriverError):
    """No complete answer within the deadline. The link has been fenced against a late reply."""

    retryable: ClassVar[bool] = True
    status = ReadingStatus.TIMEOUT


class BadReply(DriverError):
    """An answer came, but not one to this request; it was discarded."""

    retryable: ClassVar[bool] = True
    status = ReadingStatus.BAD_REPLY


class Refused(DriverError):
    """The instrument refused the command, or the driver refused it before it reached the wire."""


class Busy(DriverError):
    """The instrument answers that it is busy, or still at work on what it has accepted.

    It is there and its link works, so this is neither a lost instrument nor a refusal.
    """

    retryable: ClassVar[bool] = True


class NoReading(DriverError):
    """The instrument answers that it has no value: overload, sensor open, not ready."""

    retryable: ClassVar[bool] = True

    def __init__(self, instrument: str, message: str, status: ReadingStatus = ReadingStatus.NO_VALUE) -> None:
        super().__init__(instrument, message)
        self.status = status


class WrongInstrument(DriverError):
    """The instrument at this address is not the one that the bench file describes."""


class BadSpec(DriverError):
    """The bench file's entry for this instrument cannot be used as it stands.

    Attributes:
        key: dotted path of the key within the instrument's table, such as `options.channels`.
        reason: what is wrong with it and what would be right, without the key.
    """

    def __init__(self, instrument: str, key: str, reason: str) -> None:
        super().__init__(instrument, f"{key}: {reason}")
        self.key = key
        self.reason = reason
