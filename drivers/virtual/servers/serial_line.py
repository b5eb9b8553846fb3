"""Serial lines without hardware: pseudo-terminals. They do not pace bytes by the baud rate."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Callable

from drivers.virtual_spec import VirtualBenchError

if sys.platform != "win32":
    import tty


def open_pair() -> tuple[int, int, str]:
    """Open a pseudo-terminal in raw mode: this end, the far end, and the far end's path.

    Raises:
        VirtualBenchError: on a system without pseudo-terminals.
    """
    if sys.platform == "win32":
        raise VirtualBenchError("virtual bench: serial lines need pseudo-terminals, which this system lacks")
    near, far = os.openpty()
    tty.setraw(far)
    os.set_blocking(near, False)
    return near, far, os.ttyname(far)


class SerialLine:
    """One end of a pseudo-terminal in the event loop, for a text instrument."""

    def __init__(self, received: Callable[[bytes], None]) -> None:
        """`received` gets the bytes of the program that opens `path`."""
        self._near, self._far, self.path = open_pair()
        self._received = received
        asyncio.get_running_loop().add_reader(self._near, self._read)

    def write(self, data: bytes) -> None:
        """Send bytes; what the far end does not take is lost, as on a line without a listener."""
        try:
            os.write(self._near, data)
        except BlockingIOError:
            return

    def close(self) -> None:
        """Close the line."""
        asyncio.get_running_loop().remove_reader(self._near)
        os.close(self._near)
        os.close(self._far)

    def _read(self) -> None:
        data = os.read(self._near, 4096)
        if data:
            self._received(data)


class SerialBridge:
    """Two pseudo-terminals joined back to back, for a server that wants to open a serial device itself.

    Attributes:
        server_path: for the server. client_path: for its client.
    """

    def __init__(self) -> None:
        self._server = SerialLine(lambda data: self._client.write(data))
        self._client = SerialLine(lambda data: self._server.write(data))
        self.server_path = self._server.path
        self.client_path = self._client.path

    def close(self) -> None:
        """Close both lines."""
        self._server.close()
        self._client.close()
