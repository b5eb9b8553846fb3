"""Modbus units over TCP or a serial line; with the virtual bench's server the only importer of pymodbus.

pymodbus frames and parses; opening, waiting and checking are done here, because pymodbus 3.16 accepts an
answer with fewer registers than asked or to another function code, gives a late answer on a serial line to
the next request, repeats requests and reconnects by itself, and polls a serial port in steps of a millisecond
and more. No request is ever repeated here: a set point is sent once, and a lost answer raises an
error.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import select
import socket
import time
from collections.abc import Callable, Sequence
from typing import Any, Literal

import serial
from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ModbusException

from drivers.addresses import RtuUnit, TcpUnit, parse_modbus_address
from drivers.errors import BadReply, BadSpec, Busy, LinkDown, LinkTimeout, Refused
from drivers.link import Deadline, Link, Port, share_port
from drivers.ports import Clock

Table = Literal["holding", "input"]

# Without its own handler pymodbus would print every lost answer on the operator's terminal.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

MOST_REGISTERS = 125
"""Most registers that one Modbus request can read."""

EXCEPTIONS = {
    1: "function not known",
    2: "no such register",
    3: "value not accepted",
    4: "device failure",
    5: "accepted, still working",
    6: "busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "the unit behind the gateway does not answer",
}
"""Modbus exception codes in our words. Devices use 3 and 4 alike for a set point out of range."""

_BUSY = (5, 6)
_UNREACHED = (10, 11)


class _TcpClient(ModbusTcpClient):
    """A TCP client that waits no longer than our deadline and sees the end of file at once."""

    def __init__(self, unit: TcpUnit) -> None:
        super().__init__(unit.host, port=unit.port, retries=0)
        self.deadline = Deadline(0.0)

    def open(self) -> None:
        """Connect within the deadline. Raises OSError."""
        address = (self.comm_params.host, self.comm_params.port)
        connection = socket.create_connection(address, timeout=max(0.001, self.deadline.left_s))
        connection.setblocking(False)
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket = connection

    def connect(self) -> bool:
        """Return whether the connection exists; pymodbus asks before every request, and must not reopen."""
        return self.socket is not None

    def flush(self) -> None:
        """Discard unread input. Raises OSError when the peer has closed the connection."""
        while self.socket is not None and select.select([self.socket], [], [], 0)[0]:
            if not self.socket.recv(4096):
                raise ConnectionError("the connection was closed")

    def send(self, request: bytes, addr: Any = None) -> int:
        """Send one frame within the deadline. Raises OSError."""
        left = request
        while left:
            if self.socket is None or not select.select([], [self.socket], [], self.deadline.left_s)[1]:
                raise TimeoutError
            left = left[self.socket.send(left) :]
        return len(request)

    def recv(self, size: int | None) -> bytes:
        """Return the input so far; nothing when the deadline has passed. Raises OSError."""
        if self.socket is None or not select.select([self.socket], [], [], self.deadline.left_s)[0]:
            return b""
        data = self.socket.recv(4096)
        if not data:
            raise ConnectionError("the connection was closed")
        return data


class _SerialClient(ModbusSerialClient):
    """A serial client that wakes when a byte comes, where the operating system can wait on the port."""

    def __init__(self, unit: RtuUnit) -> None:
        super().__init__(unit.device, baudrate=unit.baud, retries=0, handle_local_echo=unit.echo)
        self.unit = unit
        self.deadline = Deadline(0.0)
        # Silence that ends a frame: 3.5 characters of 11 bits, and never under 1.75 ms (serial line guide).
        self._gap_s = max(0.00175, 3.5 * 11 / unit.baud)
        self._last_byte_s = 0.0

    def open(self) -> None:
        """Open the port for this program alone. Raises OSError."""
        unit = self.unit
        self.socket = serial.Serial(
            unit.device,
            baudrate=unit.baud,
            parity=unit.parity,
            stopbits=unit.stop_bits,
            timeout=0,
            write_timeout=max(0.001, self.deadline.left_s),
            exclusive=True,
        )

    def connect(self) -> bool:
        """Return whether the port is open; pymodbus asks before every request, and must not reopen."""
        return self.socket is not None

    def flush(self) -> None:
        """Discard unread input. Raises OSError when the port is gone."""
        if self.socket is not None:
            self.socket.reset_input_buffer()

    def send(self, request: bytes, addr: Any = None) -> int:
        """Send one frame after the silence that the last one needs. Raises OSError."""
        assert self.socket is not None
        time.sleep(max(0.0, self._last_byte_s + self._gap_s - time.monotonic()))
        self.socket.write(request)
        return len(request)

    def recv(self, size: int | None) -> bytes:
        """Return the input so far; nothing when the deadline has passed. Raises OSError."""
        assert self.socket is not None
        if os.name == "posix":
            fd = self.socket.fileno()
            if not select.select([fd], [], [], self.deadline.left_s)[0]:
                return b""
            data = os.read(fd, 4096)
            if not data:
                raise ConnectionError("the port is gone")
        else:
            self.socket.timeout = self.deadline.left_s
            data = self.socket.read(max(1, self.socket.in_waiting))
        self._last_byte_s = time.monotonic()
        return data


class ModbusPort(Port):
    """One TCP connection or one serial line, with all the units on it."""

    def __init__(self, key: str, unit: TcpUnit | RtuUnit, settings: object) -> None:
        super().__init__(key, settings)
        self._client = _TcpClient(unit) if isinstance(unit, TcpUnit) else _SerialClient(unit)
        self._late_s = unit.late_s if isinstance(unit, RtuUnit) else None
        self._quiet_until_s: dict[int, float] = {}

    @property
    def is_open(self) -> bool:
        """Whether there is a connection."""
        return self._client.connect()

    def open(self, instrument: str, deadline: Deadline) -> None:
        """Open the port. Raises LinkDown naming `instrument`."""
        self._client.deadline = deadline
        try:
            self._client.open()
        except TimeoutError:
            raise LinkDown(instrument, f"{self.key} did not answer in {deadline.seconds:g} s") from None
        except (OSError, ValueError) as error:
            raise LinkDown(instrument, f"cannot open {self.key}: {_reason(error)}") from None

    def shut(self) -> None:
        """Close the connection; never raises."""
        with contextlib.suppress(OSError):
            connection, self._client.socket = self._client.socket, None
            if connection is not None:
                connection.close()

    def fence(self, unit: int) -> None:
        """Close a TCP connection; send nothing to a serial unit until a late answer is no longer possible.

        Other units may continue: a late answer carries its own unit number and is skipped.
        """
        if self._late_s is None:
            self.shut()
        else:
            self._quiet_until_s[unit] = time.monotonic() + self._late_s

    def quiet_left_s(self, unit: int) -> float:
        """Remaining quiet time of a unit on a serial line, in seconds."""
        return max(0.0, self._quiet_until_s.get(unit, 0.0) - time.monotonic())

    def request(self, instrument: str, deadline: Deadline, send: Callable[[Any], Any]) -> Any:
        """Send one request and return pymodbus's answer to it, unchecked.

        Raises:
            LinkDown, LinkTimeout, BadReply: naming `instrument`.
        """
        self._client.deadline = deadline
        try:
            self._client.flush()
            return send(self._client)
        except TimeoutError:
            raise LinkTimeout(instrument, f"{self.key} took no request in {deadline.seconds:g} s") from None
        except OSError as error:
            raise LinkDown(instrument, f"{self.key}: {_reason(error)}") from None
        except ModbusException as error:
            if deadline.passed:
                raise LinkTimeout(instrument, f"no answer in {deadline.seconds:g} s") from None
            raise BadReply(instrument, f"answer not understood: {error}") from None


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno is not None:
        return (
            "another program is using it" if error.errno == errno.EAGAIN else os.strerror(error.errno).lower()
        )
    return " ".join(str(error).split()) or type(error).__name__


class ModbusLink(Link[ModbusPort]):
    """One Modbus unit.

    Args:
        instrument: name in the bench file.
        address: see `drivers.addresses`.
        deadline_s: longest wait for one answer, in seconds.
        patience_s: as of `InstrumentSpec`.
        clock: the rig's clock, for the pause between reconnects.

    Raises:
        BadSpec: when the address cannot be read, or its port is in use with other line settings.
    """

    def __init__(
        self,
        instrument: str,
        address: str,
        *,
        deadline_s: float,
        patience_s: float = 0.0,
        clock: Clock | None = None,
    ) -> None:
        try:
            unit = parse_modbus_address(address)
        except ValueError as error:
            raise BadSpec(instrument, "address", str(error)) from None
        settings: object
        if isinstance(unit, TcpUnit):
            key, settings = f"tcp://{unit.host}:{unit.port}", "tcp"
        else:
            key = f"rtu://{unit.device}"
            settings = (unit.baud, unit.parity, unit.stop_bits, unit.late_s, unit.echo)
        port = share_port(instrument, key, settings, lambda: ModbusPort(key, unit, settings))
        super().__init__(instrument, port, unit.unit, deadline_s, clock, patience_s)

    def read_registers(self, address: int, count: int, table: Table = "holding") -> tuple[int, ...]:
        """Read `count` registers from the 0-based `address`, as unsigned 16-bit numbers.

        Raises:
            LinkDown, LinkTimeout: no answer, or a gateway answers that it got none; the port is fenced.
            BadReply: not an answer to this request; it was discarded.
            Busy: the unit answered exception 5 or 6: it is there, and may be asked again.
            Refused: the unit answered with another Modbus exception.
        """
        function = 3 if table == "holding" else 4

        def send(client: Any) -> Any:
            ask = client.read_holding_registers if table == "holding" else client.read_input_registers
            return ask(address, count=count, device_id=self._unit)

        with self.exchange() as deadline:
            answer = self._ask(deadline, function, f"register {address}", send)
            registers = tuple(int(word) for word in answer.registers)
            if len(registers) != count:
                raise BadReply(
                    self.instrument, f"sent {len(registers)} registers when asked for {count} from {address}"
                )
            return registers

    def write_register(self, address: int, value: int, *, urgent: bool = False) -> None:
        """Write one register once; `urgent` as in `Link.exchange`. Raises as `read_registers` does."""

        def send(client: Any) -> Any:
            return client.write_register(address, value, device_id=self._unit)

        with self.exchange(urgent=urgent) as deadline:
            answer = self._ask(deadline, 6, f"register {address}", send)
            if (answer.address, list(answer.registers)) != (address, [value]):
                raise BadReply(self.instrument, f"confirmed another write than {value} to register {address}")

    def write_registers(self, address: int, values: Sequence[int], *, urgent: bool = False) -> None:
        """Write several registers in one request, once. Raises as `read_registers` does."""

        def send(client: Any) -> Any:
            return client.write_registers(address, list(values), device_id=self._unit)

        with self.exchange(urgent=urgent) as deadline:
            answer = self._ask(deadline, 16, f"registers from {address}", send)
            if (answer.address, answer.count) != (address, len(values)):
                raise BadReply(
                    self.instrument, f"confirmed another write than {len(values)} registers from {address}"
                )

    def _ask(self, deadline: Deadline, function: int, what: str, send: Callable[[Any], Any]) -> Any:
        answer = self._port.request(self.instrument, deadline, send)
        if answer.function_code & 0x7F != function or answer.dev_id != self._unit:
            raise BadReply(
                self.instrument,
                f"answered function {answer.function_code} of unit {answer.dev_id} "
                f"to function {function} of unit {self._unit}",
            )
        if answer.isError():
            code = int(answer.exception_code)
            meaning = EXCEPTIONS.get(code, "unknown exception")
            if code in _UNREACHED:
                raise LinkTimeout(self.instrument, f"Modbus exception {code}, {meaning}")
            if code in _BUSY:
                raise Busy(self.instrument, f"answered {what} with Modbus exception {code}, {meaning}")
            raise Refused(self.instrument, f"refused {what}: Modbus exception {code}, {meaning}")
        return answer
