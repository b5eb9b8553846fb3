"""The Modbus instruments of the virtual bench on TCP, with pymodbus's own server.

pymodbus calls `action` at every request with the live list of registers: reading fills it from the device as
it is at that instant, writing goes to the device, whose refusal becomes a Modbus exception.
"""

from __future__ import annotations

import asyncio
from typing import cast

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from drivers.virtual.bench import HungUp, Unanswered
from drivers.virtual.servers.registers import DEVICE_BUSY, RegisterMap
from drivers.virtual.servers.timing import Timing

_WRITES = (6, 16)


class _Instrument:
    """One register map behind pymodbus's callbacks."""

    def __init__(self, registers: RegisterMap, timing: Timing) -> None:
        self._registers = registers
        self._timing = timing
        self._silent = False
        self.handlers: list[ServerRequestHandler] = []

    def device(self, unit: int) -> SimDevice:
        """The simulated device for pymodbus; holding and input registers are one table."""
        table = SimData(0, values=[0] * self._registers.size, datatype=DataType.REGISTERS)
        return SimDevice(id=unit, simdata=[table], action=self.action)

    async def action(
        self,
        function: int,
        start: int,
        address: int,
        count: int,
        registers: list[int],
        values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        """Answer one request; see the module's head."""
        del count
        if values is None and function in _WRITES:
            return None  # pymodbus reads its own list back for the echo of a write
        try:
            await self._timing.settle(self._registers.device)
        except Unanswered:
            self._silent = True
            return None
        except HungUp:
            for handler in self.handlers:
                handler.close()
            self.handlers.clear()
            return None
        device = self._registers.device
        if device.busy(address, write=function in _WRITES):
            return ExcCodes(DEVICE_BUSY)
        if values is not None and function in _WRITES:
            code = self._registers.write(address, [int(value) for value in values])
            return ExcCodes(code) if code else None
        words = self._registers.read()
        registers[:] = words[start : start + len(registers)]
        return None

    def packet(self, sending: bool, data: bytes) -> bytes:
        """Suppress the answer to a request that gets none."""
        if sending and self._silent:
            self._silent = False
            return b""
        return data


class TcpServer(ModbusTcpServer):
    """One instrument on loopback TCP."""

    def __init__(self, registers: RegisterMap, timing: Timing, port: int = 0) -> None:
        """Port 0 lets the system choose; needs a running event loop."""
        self._instrument = _Instrument(registers, timing)
        super().__init__(
            self._instrument.device(1),
            address=("127.0.0.1", port),
            trace_packet=self._instrument.packet,
        )

    def callback_new_connection(self) -> ServerRequestHandler:
        """Keep the connection, to be able to drop it."""
        handler: ServerRequestHandler = super().callback_new_connection()  # type: ignore[no-untyped-call]
        live = [kept for kept in self._instrument.handlers if kept.transport]
        self._instrument.handlers[:] = [*live, handler]
        return handler

    @property
    def port(self) -> int:
        """The port it listens on."""
        listening = cast("asyncio.Server", self.transport)
        return int(listening.sockets[0].getsockname()[1])


class SerialServer(ModbusSerialServer):
    """One instrument on a serial line, RTU."""

    def __init__(self, registers: RegisterMap, timing: Timing, device_path: str, baud: int = 19200) -> None:
        """`device_path` is a serial device or the far end of a pty; needs a running event loop."""
        self._instrument = _Instrument(registers, timing)
        super().__init__(
            self._instrument.device(1),
            framer=FramerType.RTU,
            port=device_path,
            baudrate=baud,
            trace_packet=self._instrument.packet,
        )
