"""Common part of the text link and the Modbus link: one owner per port, deadlines, back-off and reopening.

A `Port` is the physical thing (a TCP connection, a serial line) and may carry several instruments; there is
one per address in a process, with one lock. A `Link` is one instrument's connection through its port. The
rules for every driver are here:

- every exchange has a deadline, within which a lost link is also reopened and its settings sent again;
- after a lost or foreign answer the port is fenced, so that a late answer can never answer the next request:
  a connection is closed, a serial line kept quiet towards that instrument;
- a second failure in a row starts a pause (0.15 s, doubling to 2 s) in which requests fail at once;
- settings are sent again through the driver's own `configure`; nothing here ever repeats a request, so an
  output is never switched by a reconnect.
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import ClassVar, Generic, TypeVar

from drivers.errors import BadReply, BadSpec, DriverError, LinkDown, LinkTimeout
from drivers.ports import Clock
from drivers.system_clock import SystemClock

FIRST_PAUSE_S = 0.15
"""Shorter than a tick of the rig, so that a link that is back is asked again in the very next one."""
LONGEST_PAUSE_S = 2.0
_CLOCK_ROUNDING_S = 1e-6


class Deadline:
    """A moment in real time by which an exchange must be over."""

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self._end_s = time.monotonic() + seconds

    @property
    def left_s(self) -> float:
        """Seconds left, never below 0."""
        return max(0.0, self._end_s - time.monotonic())

    @property
    def passed(self) -> bool:
        """Whether the moment has passed."""
        return time.monotonic() >= self._end_s


class Port(ABC):
    """One physical port. Only the holder of `lock` may touch it.

    Attributes:
        key: what makes two addresses the same port.
        settings: line settings; all instruments on a port must ask for the same ones.
        generation: counts openings, so that a link knows that its settings may be lost.
    """

    _open_ports: ClassVar[dict[str, tuple[Port, int]]] = {}
    _registry_lock: ClassVar[threading.Lock] = threading.Lock()

    def __init__(self, key: str, settings: object) -> None:
        self.key = key
        self.settings = settings
        self.lock = threading.RLock()
        self.generation = 0

    @property
    @abstractmethod
    def is_open(self) -> bool:
        """Whether a connection exists as far as this side knows."""

    @abstractmethod
    def open(self, instrument: str, deadline: Deadline) -> None:
        """Open the port. Raises LinkDown or LinkTimeout naming `instrument`."""

    @abstractmethod
    def shut(self) -> None:
        """Close the connection; never raises."""

    @abstractmethod
    def fence(self, unit: int) -> None:
        """Make sure that an answer of `unit` still on its way cannot answer a later request to it."""

    def quiet_left_s(self, unit: int) -> float:
        """How long a late answer of `unit` can still come, in seconds; 0 where `fence` closes the port."""
        return 0.0

    def release(self) -> None:
        """Give up one use; the last one closes the connection."""
        with Port._registry_lock:
            port, uses = Port._open_ports.get(self.key, (self, 1))
            if port is not self or uses > 1:
                if port is self:
                    Port._open_ports[self.key] = (self, uses - 1)
                return
            Port._open_ports.pop(self.key, None)
        with self.lock:
            self.shut()


PortT = TypeVar("PortT", bound=Port)


def share_port(instrument: str, key: str, settings: object, make: Callable[[], PortT]) -> PortT:
    """Return the one port of this process for `key`, made by `make` when there is none yet.

    Raises:
        BadSpec: when the port is in use with other line settings or by another kind of link.
    """
    with Port._registry_lock:
        found, uses = Port._open_ports.get(key, (None, 0))
        if found is None:
            fresh = make()
            Port._open_ports[key] = (fresh, 1)
            return fresh
        if found.settings != settings:
            raise BadSpec(
                instrument,
                "address",
                f"{key} is shared with another instrument that asks for other line settings",
            )
        Port._open_ports[key] = (found, uses + 1)
        return found  # type: ignore[return-value]  # equal settings are of the same class, hence the same kind


class Link(Generic[PortT]):
    """One instrument's connection through its port.

    Args:
        instrument: name in the bench file.
        port: the port, shared or not.
        unit: which of the instruments on the port this is, where the wire distinguishes them; else 0.
        deadline_s: longest time for one exchange, in seconds.
        clock: the rig's clock, which the pauses run on; the computer's own when None.
        patience_s: as of `InstrumentSpec`. The bench then closes a connection instead of keeping the rig
            waiting: one closed when the deadline has passed on the rig's clock is a lost answer only.
    """

    def __init__(
        self,
        instrument: str,
        port: PortT,
        unit: int,
        deadline_s: float,
        clock: Clock | None = None,
        patience_s: float = 0.0,
    ) -> None:
        self.instrument = instrument
        self.deadline_s = deadline_s
        self._port = port
        self._unit = unit
        self._patience_s = patience_s
        self._clock: Clock = clock or SystemClock()
        self._send_settings: Callable[[], None] | None = None
        self._settled_generation = -1
        self._configuring = False
        self._shared_deadline: Deadline | None = None
        self._shared_since_s = 0.0
        self._failures = 0
        self._retry_at_s = float("-inf")
        self._closed = False

    def configure(self, send_settings: Callable[[], None]) -> None:
        """Run `send_settings` now and again after every reopening of the port.

        Here each exchange has its own deadline; after a reopening in mid-run all of them share one.
        """
        with self._hold(self._deadline()):
            self._send_settings = send_settings
            self._settled_generation = -1
            self._retry_at_s = float("-inf")
            self._configuring = True
            try:
                send_settings()
                self._settled_generation = self._port.generation
            finally:
                self._configuring = False

    @property
    def generation(self) -> int:
        """How often the port has been opened so far."""
        return self._port.generation

    def close(self) -> None:
        """Release the port; never raises. The link cannot be used again."""
        if not self._closed:
            self._closed = True
            self._port.release()

    @contextmanager
    def _hold(self, deadline: Deadline) -> Iterator[None]:
        if self._closed:
            raise LinkDown(self.instrument, "the link has been closed")
        if not self._port.lock.acquire(timeout=deadline.left_s):
            raise LinkTimeout(self.instrument, f"{self._port.key} was busy for {deadline.seconds:g} s")
        try:
            yield
        finally:
            self._port.lock.release()

    @contextmanager
    def exchange(self, *, deadline_s: float | None = None, urgent: bool = False) -> Iterator[Deadline]:
        """Hold the port, open and with settings in place, for one request and its answer.

        Args:
            deadline_s: longest time for everything, in seconds; the link's own when None.
            urgent: for the safe state: do not wait for a pause or fence, and send no settings before it.
        """
        own_deadline = self._deadline(deadline_s)
        begun_s = self._clock.monotonic_s()
        with self._hold(own_deadline):
            deadline = self._shared_deadline or own_deadline
            self._respect_shared_time()
            if not urgent:
                self._respect_pause()
                deadline = self._respect_fence(deadline)
            try:
                self._make_ready(deadline, with_settings=not urgent)
                yield deadline
            except LinkDown as error:
                self._port.shut()
                self._count_failure()
                allowed_s = deadline_s or self.deadline_s
                if self._patience_s and self._clock.monotonic_s() - begun_s > allowed_s - _CLOCK_ROUNDING_S:
                    raise LinkTimeout(self.instrument, f"no answer within {allowed_s:g} s") from error
                raise
            except LinkTimeout:
                self._port.fence(self._unit)
                self._count_failure()
                raise
            except DriverError as error:
                if isinstance(error, BadReply):
                    self._port.fence(self._unit)
                raise
            except BaseException:
                # Interrupted between question and answer: the answer is still to come.
                self._port.fence(self._unit)
                raise
            if self._shared_deadline is None:
                self._failures = 0
                self._retry_at_s = float("-inf")

    def _deadline(self, deadline_s: float | None = None) -> Deadline:
        """A deadline that begins now, in real time."""
        return Deadline(max(deadline_s or self.deadline_s, self._patience_s))

    def _make_ready(self, deadline: Deadline, *, with_settings: bool) -> None:
        if not self._port.is_open:
            self._port.open(self.instrument, deadline)
            self._port.generation += 1
        settings_lost = self._settled_generation != self._port.generation
        if self._send_settings is None or self._configuring or not (settings_lost and with_settings):
            return
        self._configuring, self._shared_deadline = True, deadline
        self._shared_since_s = self._clock.monotonic_s()
        try:
            self._send_settings()
            self._settled_generation = self._port.generation
        finally:
            self._configuring, self._shared_deadline = False, None

    def _respect_shared_time(self) -> None:
        """End the sending of settings where the deadline passes on the rig's clock, and not in real time."""
        if self._shared_deadline is None or not self._patience_s:
            return
        if self._clock.monotonic_s() - self._shared_since_s > self.deadline_s - _CLOCK_ROUNDING_S:
            raise LinkTimeout(self.instrument, f"settings not taken within {self.deadline_s:g} s")

    def _respect_pause(self) -> None:
        wait_s = self._retry_at_s - self._clock.monotonic_s()
        if wait_s > _CLOCK_ROUNDING_S:
            raise LinkDown(self.instrument, f"no answer from {self._port.key}; next try in {wait_s:.1f} s")

    def _respect_fence(self, deadline: Deadline) -> Deadline:
        quiet_s = self._port.quiet_left_s(self._unit)
        if quiet_s <= 0:
            return deadline
        if self._configuring and self._shared_deadline is None:
            time.sleep(quiet_s)
            return Deadline(deadline.seconds)
        if quiet_s > deadline.left_s / 2:
            # Waiting would leave too little time for the answer, or delay the rig for too long.
            raise LinkTimeout(self.instrument, f"keeps quiet for {quiet_s:.2f} s more after a lost answer")
        time.sleep(quiet_s)
        return deadline

    def _count_failure(self) -> None:
        if self._shared_deadline is not None:
            return  # the exchange that asked for the reopening counts it
        self._failures += 1
        if self._failures > 1:
            pause_s = min(LONGEST_PAUSE_S, FIRST_PAUSE_S * 2 ** (self._failures - 2))
            self._retry_at_s = self._clock.monotonic_s() + pause_s
