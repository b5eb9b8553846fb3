"""How an answer takes its time on the wire: in bench time alone, or in real time."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Protocol

from drivers.virtual.bench import Bench, HungUp, Unanswered
from drivers.virtual.devices.device import Device


@dataclass(frozen=True, slots=True)
class Message:
    """One message to a text instrument.

    Attributes:
        work: yields the seconds that it has to wait, and returns the answer without its terminator.
        asked: whether an answer is expected.
        answer: takes the answer, or None when nothing was asked.
        hang_up: drops the connection.
    """

    device: Device
    work: Generator[float, None, str | None]
    asked: bool
    answer: Callable[[str | None], None]
    hang_up: Callable[[], None]


class Timing(Protocol):
    """Runs one request of a text instrument; and lets a register instrument take its time."""

    def run(self, message: Message) -> None:
        """Work through one message and hand over its answer, in the order of the messages."""
        ...

    async def settle(self, device: Device) -> None:
        """Take the time of one register request. Raises HungUp or Unanswered."""
        ...


class SteppedTiming:
    """Real time does not pass: what would take time moves the bench instead.

    Where no answer comes, the connection is dropped once the rig's deadline has passed in bench time: the
    rig is spared the same wait in real time, and sees a lost link instead of a lost answer.
    """

    def __init__(self, bench: Bench, note_time: Callable[[], None]) -> None:
        """`note_time` updates the rig's clock, after bench time has passed and before the answer goes out."""
        self._bench = bench
        self._note_time = note_time

    def run(self, message: Message) -> None:
        """Work through one message at once."""
        device = message.device
        if device.down:
            message.hang_up()
            return
        if not device.mute:
            device.heard()
        elif not message.asked:
            return
        try:
            if message.asked and (device.mute or device.latency_s):
                self._spend(device)
            while True:
                busy_s = next(message.work)
                if busy_s > 0.0:
                    self._spend(device, busy_s)
        except StopIteration as done:
            message.answer(done.value)
        except Unanswered:
            message.hang_up()

    async def settle(self, device: Device) -> None:
        """Take the time of one register request."""
        if not (device.down or device.mute):
            device.heard()
        if device.down or device.mute or device.latency_s:
            try:
                self._spend(device)
            except Unanswered:
                raise HungUp from None

    def _spend(self, device: Device, busy_s: float = 0.0) -> None:
        try:
            self._bench.spend(device, busy_s)
        finally:
            self._note_time()


class RunningTiming:
    """Bench time runs with real time, `speed` times as fast."""

    def __init__(self, bench: Bench, speed: float) -> None:
        self._bench = bench
        self._speed = speed
        self._started_s = time.monotonic()
        self._tasks: set[asyncio.Task[None]] = set()
        self._last: dict[str, asyncio.Task[None]] = {}

    def catch_up(self) -> None:
        """Move the bench to now."""
        self._bench.advance_to(round((time.monotonic() - self._started_s) * self._speed * 1e6))

    def run(self, message: Message) -> None:
        """Work through one message after those before it, in a task."""
        name = message.device.name
        task = asyncio.get_running_loop().create_task(self._run(message, self._last.get(name)))
        self._last[name] = task
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def settle(self, device: Device) -> None:
        """Take the time of one register request."""
        self.catch_up()
        if device.down:
            raise HungUp
        if device.mute:
            raise Unanswered
        device.heard()
        if device.latency_s:
            await self._wait(device.latency_s)

    async def _run(self, message: Message, before: asyncio.Task[None] | None) -> None:
        device = message.device
        if before is not None and not before.done():
            await asyncio.wait([before])
        self.catch_up()
        if device.down:
            message.hang_up()
            return
        if device.mute:
            return
        device.heard()
        if message.asked and device.latency_s:
            await self._wait(device.latency_s)
        try:
            while True:
                busy_s = next(message.work)
                if busy_s > 0.0:
                    await self._wait(busy_s)
        except StopIteration as done:
            message.answer(done.value)

    async def _wait(self, bench_s: float) -> None:
        """Wait until that much bench time has passed, and move the bench there."""
        until_us = self._bench.now_us + round(bench_s * 1e6)
        while self._bench.now_us < until_us:
            await asyncio.sleep(max((until_us - self._bench.now_us) * 1e-6 / self._speed, 0.0005))
            self.catch_up()
