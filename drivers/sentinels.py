"""Numbers that stand for a missing reading: 9.9E37 and -9.9E37 out of range, 9.91E37 no value.

They are SCPI's (volume 1, 7.2.1), and other instruments use them too.
"""

from __future__ import annotations

from collections.abc import Mapping

from drivers.errors import NoReading
from drivers.ports import ReadingStatus

# A little below 9.9E37 and 9.91E37, since some instruments send them rounded to single precision.
_LEAST_SENTINEL = 9.89e37
_NO_VALUE = 9.905e37


def status_of(value: float) -> ReadingStatus:
    """Return the status that a number stands for: OK, or that of a missing reading."""
    if value != value or abs(value) >= _NO_VALUE:
        return ReadingStatus.NO_VALUE
    if value >= _LEAST_SENTINEL:
        return ReadingStatus.OVER
    if value <= -_LEAST_SENTINEL:
        return ReadingStatus.UNDER
    return ReadingStatus.OK


_SENTINEL_TEXT: Mapping[ReadingStatus, str] = {
    ReadingStatus.OVER: "reads above its range",
    ReadingStatus.UNDER: "reads below its range",
    ReadingStatus.NO_VALUE: "has no value",
}


def number_or_no_reading(instrument: str, value: float) -> float:
    """Return `value`, or raise NoReading when it is a sentinel."""
    status = status_of(value)
    if status is not ReadingStatus.OK:
        raise NoReading(instrument, _SENTINEL_TEXT[status], status)
    return value
