"""Serves every instrument of a virtual bench on the wire that its driver speaks, on loopback."""

from __future__ import annotations

import asyncio

from drivers.virtual.bench import Bench
from drivers.virtual.devices.controller import ControllerDevice
from drivers.virtual.devices.device import Device
from drivers.virtual.devices.gauge import GaugeDevice
from drivers.virtual.devices.millivolts import MillivoltDevice
from drivers.virtual.devices.room_oxygen import RoomOxygenDevice
from drivers.virtual.devices.thermometer import ThermometerDevice
from drivers.virtual.devices.valve_block import ValveDevice
from drivers.virtual.servers.modbus_server import SerialServer, TcpServer
from drivers.virtual.servers.registers import (
    ControllerRegisters,
    GaugeRegisters,
    MillivoltRegisters,
    RegisterMap,
    RoomOxygenRegisters,
    ThermometerRegisters,
    ValveRegisters,
)
from drivers.virtual.servers.scpi_parser import ScpiParser
from drivers.virtual.servers.scpi_server import PARSERS, serve_scpi, serve_scpi_line
from drivers.virtual.servers.serial_line import SerialBridge, SerialLine
from drivers.virtual.servers.timing import Timing
from drivers.virtual_spec import VirtualBenchError

RTU_BAUD = 19200


def registers_of(device: Device, driver: str) -> RegisterMap | None:
    """The register map that `driver` expects of `device`, or None when that driver speaks text."""
    if not driver.startswith("modbus_"):
        return None
    if isinstance(device, ControllerDevice):
        return ControllerRegisters(device)
    if isinstance(device, GaugeDevice):
        return GaugeRegisters(device)
    if isinstance(device, ValveDevice):
        return ValveRegisters(device)
    if isinstance(device, ThermometerDevice):
        return ThermometerRegisters(device)
    if isinstance(device, MillivoltDevice):
        return MillivoltRegisters(device)
    if isinstance(device, RoomOxygenDevice):
        return RoomOxygenRegisters(device)
    raise _cannot_play(device, driver)


def parser_of(device: Device, driver: str) -> ScpiParser:
    """The SCPI commands that `driver` expects of `device`.

    Raises:
        VirtualBenchError: when the bench does not play such an instrument.
    """
    make = PARSERS.get(type(device))
    if make is None or not driver.startswith("scpi_"):
        raise _cannot_play(device, driver)
    return make(device)


def _cannot_play(device: Device, driver: str) -> VirtualBenchError:
    return VirtualBenchError(
        f"instrument {device.name}: the virtual bench cannot play a {device.role} for the driver {driver!r}"
    )


class Wires:
    """All servers of one bench.

    Attributes:
        endpoints: address for a bench file by instrument name.
        serial_endpoints: the same over pseudo-terminals, where the spec asks for them.
    """

    def __init__(self) -> None:
        self.endpoints: dict[str, str] = {}
        self.serial_endpoints: dict[str, str] = {}
        self._text: list[asyncio.Server] = []
        self._registers: list[TcpServer | SerialServer] = []
        self._lines: list[SerialLine | SerialBridge] = []

    async def serve(self, bench: Bench, timing: Timing) -> None:
        """Open a port for every instrument."""
        for name, device in bench.devices.items():
            driver = bench.spec.instruments[name].driver
            registers = registers_of(device, driver)
            if registers is not None:
                await self._serve_registers(name, registers, timing, bench.spec.serial_lines)
            else:
                await self._serve_text(name, device, driver, timing, bench.spec.serial_lines)

    async def _serve_registers(
        self, name: str, registers: RegisterMap, timing: Timing, serial_lines: bool
    ) -> None:
        server = TcpServer(registers, timing)
        await server.serve_forever(background=True)
        self._registers.append(server)
        self.endpoints[name] = f"tcp://127.0.0.1:{server.port}/1"
        if serial_lines:
            bridge = SerialBridge()
            self._lines.append(bridge)
            line_server = SerialServer(registers, timing, bridge.server_path, RTU_BAUD)
            await line_server.serve_forever(background=True)
            self._registers.append(line_server)
            self.serial_endpoints[name] = f"rtu://{bridge.client_path}/1?baud={RTU_BAUD}"

    async def _serve_text(
        self, name: str, device: Device, driver: str, timing: Timing, serial_lines: bool
    ) -> None:
        parser = parser_of(device, driver)
        listening = await serve_scpi(device, parser, timing)
        self._text.append(listening)
        port = listening.sockets[0].getsockname()[1]
        self.endpoints[name] = f"TCPIP::127.0.0.1::{port}::SOCKET"
        if serial_lines:
            line = serve_scpi_line(device, parser, timing)
            self._lines.append(line)
            self.serial_endpoints[name] = f"ASRL{line.path}::INSTR"

    async def close(self) -> None:
        """Close every port."""
        for listening in self._text:
            listening.close()
        for server in self._registers:
            await server.shutdown()  # type: ignore[no-untyped-call]
        for line in self._lines:
            line.close()
