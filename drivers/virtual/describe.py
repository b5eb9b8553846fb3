"""The virtual bench's manual: the commands and registers of every instrument, as text."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import Device
from drivers.virtual.devices.scanner import ScannerDevice
from drivers.virtual.servers.wire import parser_of, registers_of
from drivers.virtual_spec import VirtualSpec

Rows = Sequence[tuple[str, ...]]

_SCPI_HEAD = (
    "SCPI over a TCP socket, lines ended by a line feed. Capitals are the short form, brackets may be left "
    "out, any case. Errors go to SYSTem:ERRor?."
)
_MODBUS_HEAD = (
    "Modbus TCP, unit 1. Functions 3, 4, 6 and 16; holding and input registers are one table, addresses from "
    "0. A 32-bit float is two registers, high word first. Exceptions: 2 no such register or read only, "
    "3 value out of range, 4 refused in this state, 6 busy."
)
_SCANNER_NOTES = (
    "Channel 100 + n reads socket n, in volts. Channel k of a scan is read at its start + (k + 1/2) NPLC / "
    "50 Hz, twice as slow with autozero. Overload, beyond 1.2 times the range, is +9.9E37; no value 9.91E37."
)
_VALVE_NOTES = (
    "The supply is shut without current, the vent open. Nothing energises before a heartbeat has been seen. "
    "When the heartbeat has not changed for the watchdog time, or the pressure switch opens, every output "
    "drops and stays so until 1 is written to register 16; then a changing heartbeat is needed again. The "
    "pressure switch resets only in an empty pot."
)


def describe(spec: VirtualSpec) -> str:
    """Registers and commands of every instrument of the bench of `spec`; equal ones are grouped."""
    heads: dict[str, list[str]] = {}
    for name, device in Bench(spec).devices.items():
        driver = spec.instruments[name].driver
        head = f"{name}: {device.role}, model {device.model}, serial {device.serial}"
        heads.setdefault(_manual(device, driver), []).append(head)
    return "\n\n".join("\n".join([*named, manual]) for manual, named in heads.items())


def _manual(device: Device, driver: str) -> str:
    """Everything but the device's name and serial number."""
    registers = registers_of(device, driver)
    if registers is not None:
        rows = [
            (
                str(line.address) if line.count == 1 else f"{line.address}-{line.address + line.count - 1}",
                line.access,
                line.text,
            )
            for line in registers.lines
        ]
        text = _wrapped(_MODBUS_HEAD) + "\n" + _table(("register", "access", "holds"), rows)
        return text + "\n" + _wrapped(_VALVE_NOTES) if device.role == "valves" else text
    commands = parser_of(device, driver).commands
    text = _wrapped(_SCPI_HEAD) + "\n" + _table(("command", "does or answers"), commands)
    return text + "\n" + _wrapped(_SCANNER_NOTES) if isinstance(device, ScannerDevice) else text


def _table(titles: tuple[str, ...], rows: Rows) -> str:
    widths = [max(len(row[column]) for row in [titles, *rows]) for column in range(len(titles) - 1)]

    def line(row: tuple[str, ...]) -> str:
        padded = [cell.ljust(width) for cell, width in zip(row, widths, strict=False)]
        return "  " + "  ".join([*padded, row[-1]])

    rule = "  " + "  ".join("-" * width for width in [*widths, len(titles[-1])])
    return "\n".join([line(titles), rule, *(line(row) for row in rows)])


def _wrapped(text: str) -> str:
    lines, current = [], ""
    for word in text.split():
        if len(current) + len(word) > 96:
            lines.append(current)
            current = ""
        current += (" " if current else "") + word
    return "\n".join("  " + line for line in [*lines, current])
