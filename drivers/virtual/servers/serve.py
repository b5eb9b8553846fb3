"""Serves a virtual bench: in a separate process for `start`, or in the foreground for a person.

The process is `python -m drivers.virtual.servers.serve`. It reads one line of JSON from standard input (spec
and the path of the shared time), answers one line with the endpoints, and then executes lines on a loopback
port: the bench's own control, which only `start` uses. It ends when standard input ends, that is,
when its parent ends for any reason.
"""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path

from drivers.virtual.bench import Bench
from drivers.virtual.faults.inject import inject
from drivers.virtual.servers.hands import Hands, typed_lines
from drivers.virtual.servers.timing import RunningTiming, SteppedTiming
from drivers.virtual.servers.wire import Wires
from drivers.virtual.shared_time import SharedTime
from drivers.virtual.spec_text import spec_from_text
from drivers.virtual_spec import FaultSpec, VirtualBenchError, VirtualSpec

CATCH_UP_S = 0.05

Ready = Callable[[Mapping[str, str]], None]
"""Called with the address of every instrument by its name, once all are served."""


def serve_forever(spec: VirtualSpec, say: Callable[[str], None], ready: Ready | None = None) -> None:
    """Serve `spec` in real time until Ctrl-C; `say` and `ready` get the addresses.

    Lines that are typed move the lid and, at a pot without solenoids or controller, the hand valves.

    Raises:
        VirtualBenchError: when the spec names something unknown.
    """
    _quiet_pymodbus()
    bench = _bench_of(spec)
    hands = Hands(bench)
    # A program that a script started in the background ignores Ctrl-C by default.
    if threading.current_thread() is threading.main_thread():
        signal.signal(signal.SIGINT, signal.default_int_handler)
    with suppress(KeyboardInterrupt):
        asyncio.run(_serve_people(bench, hands, say, ready))


async def _serve_people(bench: Bench, hands: Hands, say: Callable[[str], None], ready: Ready | None) -> None:
    timing = RunningTiming(bench, bench.spec.speed)
    wires = Wires()
    await wires.serve(bench, timing)
    try:
        for name, endpoint in wires.endpoints.items():
            say(f"{name}: {endpoint}")
            if name in wires.serial_endpoints:
                say(f"{name}: {wires.serial_endpoints[name]}")
        if ready is not None:
            ready(wires.endpoints)
        say(f"bench time runs {bench.spec.speed:g} times as fast as real time; Ctrl-C ends")
        typed = typed_lines()
        say(f"type and press Enter: {hands.words}")
        while True:
            while not typed.empty():
                timing.catch_up()
                say(hands.obey(typed.get_nowait()))
            timing.catch_up()
            await asyncio.sleep(CATCH_UP_S)
    finally:
        await wires.close()


class _Control(asyncio.Protocol):
    """Lines of the bench's own control.

    `advance US` moves the bench; `truth` answers the pot's state; `inject JSON` adds a fault; `turn VALVE
    OPENING` turns a hand valve; `lid off` and `lid on` move the lid; `stop` ends the process. Every line is
    answered with one line.
    """

    def __init__(self, served: _Served) -> None:
        self._served = served
        self._pending = b""
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Keep the transport."""
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport

    def data_received(self, data: bytes) -> None:
        """Execute every complete line."""
        *lines, self._pending = (self._pending + data).split(b"\n")
        for line in lines:
            if self._transport is not None:
                self._transport.write(self._served.obey(line.decode("ascii")).encode("ascii") + b"\n")


class _Served:
    """A bench with its servers, for `start`."""

    def __init__(self, request: dict[str, str]) -> None:
        self.shared = SharedTime(Path(request["time"]))
        self.bench = _bench_of(spec_from_text(request["spec"]))
        self.stopped = asyncio.Event()
        self.running: RunningTiming | None = None

    def note_time(self) -> None:
        """Publish the bench's time to the rig's clock."""
        self.shared.write(self.bench.now_us, self.bench.utc_offset_s)

    def obey(self, line: str) -> str:
        """Execute one control line; return the answer's line."""
        word, _, rest = line.partition(" ")
        if word == "advance":
            self.bench.advance_to(int(rest) + self.bench.take_stall_us())
            self.note_time()
            return "ok"
        if self.running is not None:
            self.running.catch_up()
        if word == "truth":
            return json.dumps(asdict(self.bench.truth()))
        if word == "inject":
            try:
                inject(self.bench, FaultSpec(**json.loads(rest)))
            except VirtualBenchError as error:
                return f"refused {error}"
            self.note_time()
            return "ok"
        if word == "turn":
            valve, _, opening = rest.partition(" ")
            try:
                self.bench.turn(valve, float(opening))
            except VirtualBenchError as error:
                return f"refused {error}"
            return "ok"
        if word == "lid":
            try:
                self.bench.move_lid(off=rest == "off")
            except VirtualBenchError as error:
                return f"refused {error}"
            return "ok"
        if word == "stop":
            self.stopped.set()
            return "ok"
        return "refused unknown word"


async def _serve_parent(request: dict[str, str], say: Callable[[str], None]) -> None:
    served = _Served(request)
    spec = served.bench.spec
    timing: SteppedTiming | RunningTiming
    if spec.mode == "real_time":
        timing = served.running = RunningTiming(served.bench, spec.speed)
    else:
        timing = SteppedTiming(served.bench, served.note_time)
    wires = Wires()
    await wires.serve(served.bench, timing)
    control = await asyncio.get_running_loop().create_server(lambda: _Control(served), "127.0.0.1", 0)
    served.note_time()
    say(json.dumps({"endpoints": wires.endpoints, "control": control.sockets[0].getsockname()[1]}))
    try:
        while not served.stopped.is_set():
            if served.running is None:
                await served.stopped.wait()
            else:
                served.running.catch_up()
                served.note_time()
                await asyncio.sleep(CATCH_UP_S)
    finally:
        control.close()
        await wires.close()


def _bench_of(spec: VirtualSpec) -> Bench:
    bench = Bench(spec)
    for fault in spec.faults:
        inject(bench, fault)
    return bench


def _quiet_pymodbus() -> None:
    """Its server logs every refused request with a trace; a refusal is an answer like any other."""
    logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


def _end_with_parent() -> None:
    """Wait for the end of standard input, then end at once: no client is left."""
    # Not through sys.stdin: its lock, held by this thread, would stop the interpreter from ending.
    while os.read(sys.stdin.fileno(), 4096):
        continue
    os._exit(0)


def _first_line() -> bytes:
    """The first line of standard input, and nothing after it."""
    line = b""
    while not line.endswith(b"\n"):
        piece = os.read(sys.stdin.fileno(), 65536)
        if not piece:
            raise SystemExit("drivers.virtual.servers.serve: started by drivers.virtual.start, not by hand")
        line += piece
    return line


def main() -> None:
    """Serve one bench until a stop command or until the parent is gone."""
    _quiet_pymodbus()
    request = json.loads(_first_line())
    threading.Thread(target=_end_with_parent, daemon=True).start()

    def say(line: str) -> None:
        print(line, flush=True)

    try:
        asyncio.run(_serve_parent(request, say))
    except VirtualBenchError as error:
        say(json.dumps({"error": str(error)}))


if __name__ == "__main__":
    main()
