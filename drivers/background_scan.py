"""A scan that the computer must step through, in a separate thread so that the pressure loop never waits."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from drivers.errors import BadReply, DriverError, LinkTimeout, Refused
from drivers.ports import ChannelReading

Readings = tuple[ChannelReading, ...]


class BackgroundScan:
    """Runs one scan at a time in a separate thread.

    Args:
        instrument: name in the bench file.
        scan: does the whole scan; called with the monotonic time at which it was started, in seconds, and an
            event that is set when the instrument is being closed.
        wait_s: longest time that `collect` waits, in seconds.
    """

    def __init__(
        self, instrument: str, scan: Callable[[float, threading.Event], Readings], wait_s: float
    ) -> None:
        self._instrument = instrument
        self._scan = scan
        self._wait_s = wait_s
        self._thread: threading.Thread | None = None
        self._result: Readings | DriverError | None = None
        self._closing = threading.Event()

    def begin(self) -> None:
        """Start a scan and return at once.

        Raises:
            Refused: while the previous one is still running.
        """
        if self._thread is not None and self._thread.is_alive():
            raise Refused(self._instrument, "is still busy with the previous scan")
        self._result = None
        self._thread = threading.Thread(
            target=self._run, args=(time.monotonic(),), name=f"scan {self._instrument}", daemon=True
        )
        self._thread.start()

    def _run(self, began_s: float) -> None:
        try:
            self._result = self._scan(began_s, self._closing)
        except DriverError as error:
            self._result = error

    def collect(self) -> Readings:
        """Return the latest scan.

        Raises:
            BadReply: when none was started.
            LinkTimeout: when it is not ready yet; it continues.
            DriverError: the error that ended the scan.
        """
        if self._thread is None:
            raise BadReply(self._instrument, "no scan is in progress; start one first")
        self._thread.join(self._wait_s)
        if self._thread.is_alive():
            raise LinkTimeout(self._instrument, f"the scan was not ready within {self._wait_s:g} s")
        self._thread = None
        if isinstance(self._result, DriverError):
            raise self._result
        if self._result is None:
            raise BadReply(self._instrument, "the scan ended without a result")
        return self._result

    def close(self) -> None:
        """End a running scan and wait for it."""
        self._closing.set()
        if self._thread is not None:
            self._thread.join()
            self._thread = None


class ScansInBackground:
    """Scans of a voltmeter in a separate thread."""

    _background: BackgroundScan

    def begin_scan(self) -> None:
        """Start one scan and return at once; a scan still running is refused."""
        self._background.begin()

    def collect_scan(self) -> Readings:
        """Return the latest scan: millivolts and offsets in seconds, one reading a socket.

        Raises:
            LinkTimeout: when it is not ready yet; the scan continues.
        """
        return self._background.collect()
