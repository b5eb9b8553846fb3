"""Starts a virtual bench in the mode of its spec."""

from __future__ import annotations

import atexit
import json
import os
import socket
import subprocess
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.cells import Truths, drawer_of, model_of
from drivers.virtual.clocks import RunningClock, SteppedClock, clock_of
from drivers.virtual.direct import direct_instruments
from drivers.virtual.faults.inject import inject
from drivers.virtual.pot import room_of
from drivers.virtual.shared_time import SharedTime
from drivers.virtual.spec_text import spec_to_text
from drivers.virtual_spec import FaultSpec, PotTruth, VirtualBenchError, VirtualSession, VirtualSpec

_START_S = 20.0
_ROOT = Path(__file__).resolve().parents[2]


def start(spec: VirtualSpec) -> VirtualSession:
    """Start the bench that `spec` describes.

    Raises:
        VirtualBenchError: when the spec names something unknown, or the bench does not start.
    """
    drawer = drawer_of(spec.drawer, spec.seed)
    models = {serial: model_of(serial, drawer) for serial in spec.cells.values()}
    _, room_c = room_of(spec)
    truths = Truths(models, room_c)
    if spec.mode == "direct":
        return _direct(spec, truths)
    served = _ServedBench(spec)
    clock = (
        SteppedClock(served.shared, served.advance_to, served.shared.utc_offset_s)
        if spec.mode == "lockstep"
        else RunningClock(spec.speed, served.shared.utc_offset_s)
    )
    return VirtualSession(
        endpoints=served.endpoints,
        clock=clock,
        instruments={},
        truth=truths,
        inject_fault=served.inject,
        read_truth=served.truth,
        turn_valve=served.turn,
        move_lid=served.move_lid,
        stop_bench=served.stop,
    )


def _direct(spec: VirtualSpec, truths: Truths) -> VirtualSession:
    bench = Bench(spec)
    for fault in spec.faults:
        inject(bench, fault)
    clock = clock_of(bench)
    return VirtualSession(
        endpoints={},
        clock=clock,
        instruments=direct_instruments(bench),
        truth=truths,
        inject_fault=lambda fault: inject(bench, fault),
        read_truth=bench.truth,
        turn_valve=bench.turn,
        move_lid=lambda off: bench.move_lid(off=off),
        stop_bench=lambda: None,
    )


class _ServedBench:
    """The parent's side of a bench in a separate process."""

    def __init__(self, spec: VirtualSpec) -> None:
        self.shared = SharedTime.create()
        environment = dict(os.environ)
        paths = [str(_ROOT), environment.get("PYTHONPATH", "")]
        environment["PYTHONPATH"] = os.pathsep.join(path for path in paths if path)
        self._process = subprocess.Popen(
            [sys.executable, "-m", "drivers.virtual.servers.serve"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment,
            # Ctrl-C at the terminal is for the rig, which still needs its instruments to make things safe.
            start_new_session=True,
        )
        self._control: socket.socket | None = None
        atexit.register(self.stop)
        try:
            hello = self._greet(spec)
        except VirtualBenchError:
            self.stop()
            raise
        self.shared.unlink()
        self.endpoints: dict[str, str] = hello["endpoints"]
        self._control = socket.create_connection(("127.0.0.1", hello["control"]), timeout=_START_S)
        self._control.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._lines = self._control.makefile("rb")

    def _greet(self, spec: VirtualSpec) -> dict[str, Any]:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        request = {"spec": spec_to_text(spec), "time": str(self.shared.path)}
        try:
            self._process.stdin.write(json.dumps(request).encode() + b"\n")
            self._process.stdin.flush()
            hello: dict[str, Any] = json.loads(self._process.stdout.readline())
        except (OSError, ValueError):
            raise VirtualBenchError("virtual bench: its process ended before it served anything") from None
        if "error" in hello:
            raise VirtualBenchError(hello["error"])
        return hello

    def advance_to(self, when_us: int) -> None:
        """Move the bench to `when_us`."""
        self._ask(f"advance {when_us}")

    def inject(self, fault: FaultSpec) -> None:
        """Book one fault."""
        self._command("inject " + json.dumps(asdict(fault)))

    def turn(self, valve: str, opening: float) -> None:
        """Turn a hand valve."""
        self._command(f"turn {valve} {opening!r}")

    def move_lid(self, off: bool) -> None:
        """Take the lid off, or put it back."""
        self._command(f"lid {'off' if off else 'on'}")

    def truth(self) -> PotTruth:
        """The pot's true state."""
        return PotTruth(**json.loads(self._ask("truth")))

    def stop(self) -> None:
        """End the process and wait for it."""
        atexit.unregister(self.stop)
        control, self._control = self._control, None
        if control is not None:
            with suppress(OSError):
                control.sendall(b"stop\n")
            self._lines.close()
            control.close()
        process = self._process
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                with suppress(OSError):
                    pipe.close()
        try:
            process.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        self.shared.close()

    def _command(self, line: str) -> None:
        answer = self._ask(line)
        if answer.startswith("refused "):
            raise VirtualBenchError(answer.removeprefix("refused "))

    def _ask(self, line: str) -> str:
        if self._control is None:
            raise VirtualBenchError("virtual bench: it has been stopped")
        try:
            self._control.sendall(line.encode("ascii") + b"\n")
            answer = self._lines.readline()
        except OSError:
            answer = b""
        if not answer:
            raise VirtualBenchError("virtual bench: its process has ended")
        return answer.decode("ascii").rstrip("\n")
