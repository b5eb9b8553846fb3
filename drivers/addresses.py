"""Reads the `address` of an instrument in a bench file, without opening anything.

Modbus: `tcp://192.0.2.7:502/1` or `rtu:///dev/ttyUSB0/1?baud=19200&parity=E&stop_bits=1&late_s=0.3`; the last
part of the path is the unit number. Text instruments: a VISA resource string such as
`TCPIP::192.0.2.7::5025::SOCKET` or `ASRL/dev/ttyUSB1::INSTR`, or any other that the VISA library can open.
"""

from __future__ import annotations

import ipaddress
import re
import socket
from dataclasses import dataclass
from typing import Literal
from urllib.parse import parse_qsl, urlsplit

Parity = Literal["N", "E", "O"]

SERIAL_LATE_S = 0.15
"""How long after a lost answer a serial instrument may still send it, in seconds, by default."""


@dataclass(frozen=True, slots=True)
class TcpUnit:
    """A Modbus unit behind a TCP port."""

    host: str
    port: int
    unit: int


@dataclass(frozen=True, slots=True)
class RtuUnit:
    """A Modbus unit on a serial line.

    Attributes:
        device: the serial device.
        unit: unit number, 1 to 247.
        baud: bits per second.
        parity: N, E or O.
        stop_bits: 1 or 2.
        late_s: how long after a lost answer the unit may still send it, in seconds; no request
            is sent to it for that long.
        echo: whether the line adapter echoes what it sends.
    """

    device: str
    unit: int
    baud: int = 19200
    parity: Parity = "N"
    stop_bits: int = 1
    late_s: float = SERIAL_LATE_S
    echo: bool = False


def _unit_number(text: str, highest: int) -> int:
    if not text.isdecimal() or int(text) > highest:
        raise ValueError(f"unit {text!r} is not a number from 0 to {highest}")
    return int(text)


def parse_modbus_address(address: str) -> TcpUnit | RtuUnit:
    """Read a Modbus address.

    Raises:
        ValueError: with what is wrong and what would be right.
    """
    example = "tcp://HOST:PORT/UNIT or rtu:///dev/DEVICE/UNIT?baud=19200"
    parts = urlsplit(address)
    if parts.scheme == "tcp":
        try:
            port = parts.port
        except ValueError:
            port = None
        if not parts.hostname or port is None or parts.query:
            raise ValueError(f"{address!r} is not of the form {example}")
        return TcpUnit(parts.hostname, port, _unit_number(parts.path.strip("/") or "1", 255))
    if parts.scheme == "rtu" and not parts.netloc:
        device, _, unit = parts.path.rpartition("/")
        if not device:
            raise ValueError(f"{address!r} names no unit; write {example}")
        return _rtu_unit(
            device, _unit_number(unit, 247), dict(parse_qsl(parts.query, keep_blank_values=True))
        )
    raise ValueError(f"{address!r} is not of the form {example}")


def _rtu_unit(device: str, unit: int, query: dict[str, str]) -> RtuUnit:
    unknown = sorted(set(query) - {"baud", "parity", "stop_bits", "late_s", "echo"})
    if unknown:
        raise ValueError(f"{unknown[0]!r} is not one of baud, parity, stop_bits, late_s, echo")
    try:
        baud = int(query.get("baud", "19200"))
        stop_bits = int(query.get("stop_bits", "1"))
        late_s = float(query.get("late_s", str(SERIAL_LATE_S)))
    except ValueError:
        raise ValueError("baud and stop_bits must be whole numbers, late_s a number of seconds") from None
    parity, echo = query.get("parity", "N"), query.get("echo", "no")
    if baud <= 0 or stop_bits not in (1, 2) or not 0 <= late_s <= 10:
        raise ValueError("baud must be above 0, stop_bits 1 or 2, late_s 0 to 10")
    if parity not in ("N", "E", "O") or echo not in ("yes", "no"):
        raise ValueError("parity must be N, E or O, echo yes or no")
    letter: Parity = "E" if parity == "E" else "O" if parity == "O" else "N"
    return RtuUnit(device, unit, baud, letter, stop_bits, late_s, echo == "yes")


_SOCKET = re.compile(r"TCPIP\d*::(?P<host>[^:]+)::(?P<port>\d+)::SOCKET", re.IGNORECASE)
_SERIAL = re.compile(r"ASRL(?P<device>.+?)(::INSTR)?", re.IGNORECASE)
_ANY_VISA = re.compile(r"(ASRL|GPIB|PXI|TCPIP|USB|VICP|VXI)[^\s]*::[^\s]+", re.IGNORECASE)

VisaKind = Literal["socket", "serial", "other"]


def visa_kind(address: str) -> VisaKind:
    """Return which kind of VISA resource `address` names.

    Raises:
        ValueError: when it is not a VISA resource string.
    """
    if _SOCKET.fullmatch(address):
        return "socket"
    if _SERIAL.fullmatch(address):
        return "serial"
    if _ANY_VISA.fullmatch(address):
        return "other"
    raise ValueError(
        f"{address!r} is not a VISA resource string; write TCPIP::HOST::PORT::SOCKET or "
        "ASRL/dev/DEVICE::INSTR"
    )


_BOARD = re.compile(r"(?P<bus>[A-Z]+)0*(?P<board>[0-9]*)")
_WINDOWS_PORT = re.compile(r"(?:\\\\\.\\)?(COM[0-9]+)", re.IGNORECASE)


def normal_address(address: str) -> str:
    """Return one spelling for every way of writing the same address; opens and looks up nothing.

    Host names in lower case, the computer itself as `localhost`, serial devices without their settings, VISA
    resources in upper case without the board 0 and the class INSTR, which are the defaults.
    """
    try:
        unit = parse_modbus_address(address.strip())
    except ValueError:
        return _normal_resource(address.strip())
    if isinstance(unit, TcpUnit):
        return f"tcp://{_normal_host(unit.host)}:{unit.port}/{unit.unit}"
    return f"rtu:{_normal_device(unit.device)}/{unit.unit}"


def serial_device(address: str) -> str | None:
    """Return the serial device that an address names, or None when it names none."""
    try:
        unit = parse_modbus_address(address.strip())
    except ValueError:
        found = _SERIAL.fullmatch(address.strip())
        return None if found is None else found["device"]
    return unit.device if isinstance(unit, RtuUnit) else None


def _normal_host(host: str) -> str:
    name = host.strip("[]").rstrip(".").lower()
    try:
        number = ipaddress.ip_address(name)
    except ValueError:
        own = socket.gethostname().rstrip(".").lower()
        here = {"localhost", "localhost.localdomain", "ip6-localhost", own, own.partition(".")[0]}
        return "localhost" if name in here or name.removesuffix(".local") in here else name
    mapped = number.ipv4_mapped if isinstance(number, ipaddress.IPv6Address) else None
    number = mapped or number
    return "localhost" if number.is_loopback else str(number)


def _normal_device(device: str) -> str:
    """The name of a serial device: a path unchanged, a Windows port in upper case."""
    port = _WINDOWS_PORT.fullmatch(device.lstrip("/"))
    return port.group(1).upper() if port else re.sub(r"/+", "/", device)


def _normal_resource(address: str) -> str:
    socket, serial = _SOCKET.fullmatch(address), _SERIAL.fullmatch(address)
    if socket is not None:
        return f"TCPIP::{_normal_host(socket['host'])}::{int(socket['port'])}::SOCKET"
    if serial is not None:
        return f"ASRL{_normal_device(serial['device'])}"
    bus, *parts = address.upper().split("::")
    board = _BOARD.fullmatch(bus)
    if board is None or not parts:
        return address
    if parts[-1] == "INSTR":
        parts.pop()
    if board["bus"] in ("TCPIP", "VICP") and parts:
        parts[0] = _normal_host(parts[0])
        parts = parts[:1] if parts[1:] == ["INST0"] else parts
    return "::".join([board["bus"] + board["board"], *parts])
