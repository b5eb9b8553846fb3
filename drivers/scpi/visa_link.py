"""Text instruments over VISA: one command a line, one answer a line. The only module that imports pyvisa.

Sockets and serial lines are opened through pyvisa-py and then read by this module itself, because pyvisa-py
0.8 returns a late answer to the wrong question, spins at 100 % CPU on a closed connection, reports a refused
port only at the first write, leaves Nagle's delay on (44 ms per write and query) and opens a serial port
twice. Every other resource string goes through the VISA library's own read and write with our deadlines.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import select
import socket
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

import pyvisa
from pyvisa import constants

from drivers.addresses import SERIAL_LATE_S, Parity, VisaKind, visa_kind
from drivers.errors import BadReply, BadSpec, LinkDown, LinkTimeout
from drivers.link import Deadline, Link, Port, share_port
from drivers.ports import Clock

_LONGEST_ANSWER_BYTES = 1 << 20
_OPEN_ROUNDING_S = 0.005
"""VISA counts the time to open in whole milliseconds, so an open may give up this much early."""

_WIRE_ERRORS = (pyvisa.Error, OSError, TypeError, ValueError)
"""What a VISA library raises for a lost link: pyvisa-py lets OSError, TypeError (a socket closed under a
read) and ValueError (a closed file number) through beside its own errors."""


@dataclass(frozen=True, slots=True)
class TextSettings:
    """Settings of the line.

    Attributes:
        library: VISA library as pyvisa names it, or empty: pyvisa-py for sockets and serial lines, and the
            computer's own for everything else.
        write_end: what ends a command.
        read_end: last byte of an answer; a carriage return before it is dropped.
        baud: serial bits per second.
        data_bits: serial data bits, 7 or 8.
        parity: N, E or O.
        stop_bits: 1 or 2.
        echo: whether the instrument echoes every command before it answers.
        late_s: how long after a lost answer a serial instrument may still send it, in seconds.
    """

    library: str = ""
    write_end: str = "\n"
    read_end: str = "\n"
    baud: int = 9600
    data_bits: int = 8
    parity: Parity = "N"
    stop_bits: int = 1
    echo: bool = False
    late_s: float = SERIAL_LATE_S


class _Wire(Protocol):
    """Bytes to and from one open resource."""

    def drain(self) -> int:
        """Discard unread input and return its number of bytes. Raises EOFError or OSError."""
        ...

    def send(self, data: bytes, deadline: Deadline) -> None:
        """Send all of `data`. Raises TimeoutError, EOFError or OSError."""
        ...

    def receive(self, deadline: Deadline) -> bytes:
        """Return the input so far, at least one byte. Raises TimeoutError, EOFError or OSError."""
        ...


class _FileWire:
    """A socket or serial line that the operating system can wait on."""

    def __init__(self, file: Any, read: Callable[[int], bytes], write: Callable[[bytes], int]) -> None:
        self._file = file
        self._read = read
        self._write = write

    def _ready(self, deadline: Deadline, *, to_write: bool) -> bool:
        watched = [self._file]
        found = (
            select.select([], watched, [], deadline.left_s)
            if to_write
            else select.select(watched, [], [], deadline.left_s)
        )
        return bool(found[0] or found[1])

    def drain(self) -> int:
        count = 0
        while count < _LONGEST_ANSWER_BYTES and select.select([self._file], [], [], 0)[0]:
            data = self._read(65536)
            if not data:
                raise EOFError
            count += len(data)
        return count

    def send(self, data: bytes, deadline: Deadline) -> None:
        while data:
            if not self._ready(deadline, to_write=True):
                raise TimeoutError
            with contextlib.suppress(BlockingIOError):
                data = data[self._write(data) :]

    def receive(self, deadline: Deadline) -> bytes:
        while self._ready(deadline, to_write=False):
            try:
                data = self._read(65536)
            except BlockingIOError:
                continue
            if not data:
                raise EOFError
            return data
        raise TimeoutError


class _LibraryWire:
    """Any other resource, through the VISA library's own read and write."""

    def __init__(self, resource: Any) -> None:
        self._resource = resource

    def _within(self, deadline: Deadline) -> None:
        if deadline.passed:
            raise TimeoutError
        self._resource.timeout = max(1, round(deadline.left_s * 1000))

    def drain(self) -> int:
        return 0

    def send(self, data: bytes, deadline: Deadline) -> None:
        self._within(deadline)
        self._resource.write_raw(data)

    def receive(self, deadline: Deadline) -> bytes:
        self._within(deadline)
        try:
            data = self._resource.read_raw()
        except pyvisa.VisaIOError as error:
            if error.error_code == constants.StatusCode.error_timeout:
                raise TimeoutError from None
            raise
        if not data:
            raise EOFError
        return bytes(data)


@lru_cache(maxsize=8)
def _resource_manager(library: str) -> Any:
    return pyvisa.ResourceManager(library)


class TextPort(Port):
    """One VISA resource."""

    def __init__(self, key: str, settings: TextSettings) -> None:
        super().__init__(key, settings)
        self.text = settings
        self.wire: _Wire | None = None
        self.stale_bytes = 0
        self.pending = b""
        self._kind: VisaKind = visa_kind(key)
        self._resource: Any = None
        self._exclusive_fd: int | None = None
        self._quiet_until_s = 0.0

    @property
    def is_open(self) -> bool:
        """Whether a resource is open."""
        return self.wire is not None

    def open(self, instrument: str, deadline: Deadline) -> None:
        """Open the resource. Raises LinkDown naming `instrument`."""
        library = self.text.library or ("@py" if self._kind != "other" else "")
        milliseconds = max(1, round(deadline.left_s * 1000))
        parameters: dict[str, Any] = {"timeout": milliseconds, "open_timeout": milliseconds}
        if self._kind == "serial":
            parameters |= _serial_parameters(self.text)
        try:
            self._resource = _resource_manager(library).open_resource(
                self.key, read_termination=self.text.read_end, write_termination="", **parameters
            )
            self.wire = self._take_wire()
        except Exception as error:
            # pyvisa-py raises bare Exception, ValueError and OSError alike when it cannot open.
            self.shut()
            if deadline.left_s < _OPEN_ROUNDING_S:
                raise LinkDown(instrument, f"{self.key} did not answer in {deadline.seconds:g} s") from None
            raise LinkDown(instrument, f"cannot open {self.key}: {_reason(error)}") from None
        self.pending = b""

    def _take_wire(self) -> _Wire:
        sessions = getattr(getattr(self._resource, "visalib", None), "sessions", None)
        session = sessions.get(self._resource.session) if isinstance(sessions, dict) else None
        interface = getattr(session, "interface", None)
        if isinstance(interface, socket.socket):
            code = interface.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
            if code:
                raise OSError(code, os.strerror(code))
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            interface.setblocking(False)
            return _FileWire(interface, interface.recv, interface.send)
        if self._kind == "serial" and interface is not None and hasattr(interface, "exclusive"):
            interface.exclusive = True
            if os.name == "posix":
                return self._serial_wire(interface.fileno())
        return _LibraryWire(self._resource)

    def _serial_wire(self, fd: int) -> _Wire:
        # flock (pyserial's `exclusive`) keeps out programs that ask for it too, TIOCEXCL all the others.
        _set_exclusive(fd, on=True)
        self._exclusive_fd = fd
        return _FileWire(fd, lambda size: os.read(fd, size), lambda data: os.write(fd, data))

    def shut(self) -> None:
        """Close the resource; never raises."""
        resource, self._resource, self.wire = self._resource, None, None
        if self._exclusive_fd is not None:
            with contextlib.suppress(OSError):
                _set_exclusive(self._exclusive_fd, on=False)
            self._exclusive_fd = None
        if resource is not None:
            with contextlib.suppress(Exception):  # closing a broken resource may raise anything
                resource.close()

    def fence(self, unit: int) -> None:
        """Close a socket; keep a serial line quiet until no late answer can come."""
        self.pending = b""
        if self._kind == "serial" and self.is_open:
            # Closing a serial port stops no bytes and resets many microcontrollers: keep quiet instead.
            self._quiet_until_s = time.monotonic() + self.text.late_s
        else:
            self.shut()

    def quiet_left_s(self, unit: int) -> float:
        """What is left of the quiet time of a serial line, in seconds."""
        return max(0.0, self._quiet_until_s - time.monotonic())


def _set_exclusive(fd: int, *, on: bool) -> None:
    if sys.platform != "win32":
        import fcntl
        import termios

        fcntl.ioctl(fd, termios.TIOCEXCL if on else termios.TIOCNXCL)


def _serial_parameters(settings: TextSettings) -> dict[str, Any]:
    parity = {"N": constants.Parity.none, "E": constants.Parity.even, "O": constants.Parity.odd}
    return {
        "baud_rate": settings.baud,
        "data_bits": settings.data_bits,
        "parity": parity[settings.parity],
        "stop_bits": constants.StopBits.two if settings.stop_bits == 2 else constants.StopBits.one,
    }


def _reason(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno is not None:
        if error.errno == errno.EAGAIN:
            return "another program is using it"
        return os.strerror(error.errno).lower()
    return " ".join(str(error).split()) or type(error).__name__


class VisaLink(Link[TextPort]):
    """One text instrument.

    Args:
        instrument: name in the bench file.
        address: VISA resource string.
        deadline_s: longest wait for one answer, in seconds.
        patience_s: as of `InstrumentSpec`.
        settings: of the line.
        clock: the rig's clock, for the pause between reconnects.

    Raises:
        BadSpec: when the address is not a VISA resource string, or its port is in use with other settings.
    """

    def __init__(
        self,
        instrument: str,
        address: str,
        *,
        deadline_s: float,
        patience_s: float = 0.0,
        settings: TextSettings | None = None,
        clock: Clock | None = None,
    ) -> None:
        try:
            visa_kind(address)
        except ValueError as error:
            raise BadSpec(instrument, "address", str(error)) from None
        chosen = settings or TextSettings()
        port = share_port(instrument, address, chosen, lambda: TextPort(address, chosen))
        super().__init__(instrument, port, 0, deadline_s, clock, patience_s)

    @property
    def stale_bytes(self) -> int:
        """Number of unrequested bytes discarded so far."""
        return self._port.stale_bytes

    def connect(self) -> None:
        """Open the resource, unless it is open."""
        with self.exchange():
            pass

    def write(self, command: str, *, urgent: bool = False) -> None:
        """Send one command that has no answer; `urgent` as in `Link.exchange`."""
        with self.exchange(urgent=urgent) as deadline:
            self._send(command, deadline)

    def query(
        self, command: str, answer: re.Pattern[str], *, deadline_s: float | None = None
    ) -> re.Match[str]:
        """Send one command and return its answer, which must match `answer` from end to end.

        Raises:
            LinkDown, LinkTimeout: no answer; the link is fenced.
            BadReply: something else came; it was discarded and the link fenced.
        """
        with self.exchange(deadline_s=deadline_s) as deadline:
            self._send(command, deadline)
            line = self._read_line(command, deadline)
            found = answer.fullmatch(line)
            if found is None:
                raise BadReply(self.instrument, f"answered {_shown(line)} to {command!r}")
            return found

    def read_line(self, answer: re.Pattern[str], *, deadline_s: float | None = None) -> re.Match[str]:
        """Return the next line of an answer of several lines; see `query`."""
        with self.exchange(deadline_s=deadline_s) as deadline:
            line = self._read_line("the line before", deadline)
            found = answer.fullmatch(line)
            if found is None:
                raise BadReply(self.instrument, f"sent {_shown(line)}, which is not part of this answer")
            return found

    def _send(self, command: str, deadline: Deadline) -> None:
        port = self._port
        assert port.wire is not None
        with self._naming_lost_links(f"would not take {command!r} in {deadline.seconds:g} s"):
            port.stale_bytes += len(port.pending) + port.wire.drain()
            port.pending = b""
            port.wire.send((command + port.text.write_end).encode("ascii"), deadline)
            if port.text.echo:
                echo = self._receive_line(command, deadline)
                if echo != command:
                    raise BadReply(self.instrument, f"echoed {_shown(echo)} instead of {command!r}")

    def _read_line(self, command: str, deadline: Deadline) -> str:
        with self._naming_lost_links(f"no complete answer to {command!r} in {deadline.seconds:g} s"):
            return self._receive_line(command, deadline)

    @contextlib.contextmanager
    def _naming_lost_links(self, too_late: str) -> Iterator[None]:
        """Raise the link's own errors for those of the VISA library; `too_late` says what took too long."""
        key = self._port.key
        try:
            yield
        except TimeoutError:
            raise LinkTimeout(self.instrument, too_late) from None
        except EOFError:
            raise LinkDown(self.instrument, f"{key} closed the connection") from None
        except _WIRE_ERRORS as error:
            raise LinkDown(self.instrument, f"{key}: {_reason(error)}") from None

    def _receive_line(self, command: str, deadline: Deadline) -> str:
        port = self._port
        assert port.wire is not None
        end = port.text.read_end.encode("ascii")
        while end not in port.pending:
            if len(port.pending) > _LONGEST_ANSWER_BYTES:
                raise BadReply(self.instrument, f"answers {command!r} without end")
            if deadline.passed:
                raise TimeoutError
            port.pending += port.wire.receive(deadline)
        line, _, port.pending = port.pending.partition(end)
        try:
            return line.decode("ascii").rstrip("\r")
        except UnicodeDecodeError:
            raise BadReply(self.instrument, f"answered {_shown(line)} to {command!r}") from None


def _shown(text: str | bytes) -> str:
    return repr(text) if len(text) <= 60 else f"{text[:60]!r}..."
