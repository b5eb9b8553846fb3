"""Serves every instrument of a virtual bench on the wire that its driver speaks, on loopback."""

from __future__ import annotations

import asyncio

from drivers.virtual.bench import Bench
from drivers.virtual.devices import Device, GaugeDevice, ScannerDevice, ThermometerDevice, ValveDevice
from drivers.virtual.modbus_server import TcpServer
from drivers.virtual.registers import GaugeRegisters, RegisterMap, ValveRegisters
from drivers.virtual.scpi_server import serve_scpi
from drivers.virtual.timing import Timing


def registers_of(device: Device) -> RegisterMap | None:
    """The register map of a Modbus instrument, or None for a text instrument."""
    if isinstance(device, GaugeDevice):
        return GaugeRegisters(device)
    if isinstance(device, ValveDevice):
        return ValveRegisters(device)
    return None


class Wires:
    """All servers of one bench.

    Attributes:
        endpoints: address for a bench file by instrument name.
    """

    def __init__(self) -> None:
        self.endpoints: dict[str, str] = {}
        self._text: list[asyncio.Server] = []
        self._registers: list[TcpServer] = []

    async def serve(self, bench: Bench, timing: Timing) -> None:
        """Open a port for every instrument."""
        for name, device in bench.devices.items():
            registers = registers_of(device)
            if registers is not None:
                server = TcpServer(registers, timing)
                await server.serve_forever(background=True)
                self._registers.append(server)
                self.endpoints[name] = f"tcp://127.0.0.1:{server.port}/1"
            elif isinstance(device, ScannerDevice | ThermometerDevice):
                listening = await serve_scpi(device, timing)
                self._text.append(listening)
                port = listening.sockets[0].getsockname()[1]
                self.endpoints[name] = f"TCPIP::127.0.0.1::{port}::SOCKET"

    async def close(self) -> None:
        """Close every port."""
        for listening in self._text:
            listening.close()
        for server in self._registers:
            await server.shutdown()  # type: ignore[no-untyped-call]
