"""Watches every socket for what makes a channel meaningless in a run: unplugged, shorted, no cell, swapped.

A finding concerns one socket alone; the others continue. Grading judges the *cell*.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from grading.record.format import Reading
from rig.loop.swapped_channels import Pair, SwappedChannels

_JUMP_PART = 0.20
_JUMP_MV = 0.5
_CONFIRM_READINGS = 4
_BLANK_READINGS = 8
_SHORT_MV = 1.0
_SHORT_READINGS = 20
_PRESSURE_MOVES = 0.03
_FORGET_S = 1.5


@dataclass(slots=True)
class _Channel:
    output_mv: float | None = None
    pressure_bar: float = 0.0
    t_s: float = 0.0
    before_mv: float = 0.0
    off: int = 0
    off_since_s: float = 0.0
    blank: int = 0
    dead: int = 0
    gone: bool = False
    swapped: bool = False


@dataclass(frozen=True, slots=True)
class CellFinding:
    """What happened to one socket.

    Attributes:
        finding: "unplugged", "shorted", "no_cell" or "swapped".
        text: a sentence for screen and record.
    """

    socket: int
    finding: str
    text: str


class CellWatch:
    """Follows the outputs of all sockets from scan to scan."""

    def __init__(self, sockets: Iterable[int]) -> None:
        self._channels = {socket: _Channel() for socket in sockets}
        self._swapped = SwappedChannels()

    @property
    def gone(self) -> frozenset[int]:
        """Sockets with a finding; they are left out of the rest of the run."""
        return frozenset(socket for socket, channel in self._channels.items() if channel.gone)

    @property
    def swapped(self) -> frozenset[int]:
        """Those of them that have been exchanged with another."""
        return frozenset(socket for socket, channel in self._channels.items() if channel.swapped)

    def look(
        self, t_s: float, output_mv: Mapping[int, Reading], pressure_bar: float, in_oxygen: bool
    ) -> list[CellFinding]:
        """Look at one scan of the voltmeter and return what is new.

        Args:
            t_s: of the tick, in seconds.
            output_mv: readings by socket.
            pressure_bar: absolute, at about the same time.
            in_oxygen: whether the pot holds oxygen at 1 bar or more, where a dead cell shows.
        """
        good_mv = {s: r.value for s, r in output_mv.items() if r.value is not None and s not in self.gone}
        any_good = any(reading.value is not None for reading in output_mv.values())
        found = self._exchanged(self._swapped.take(good_mv))
        for socket, reading in output_mv.items():
            channel = self._channels.get(socket)
            if channel is None or channel.gone:
                continue
            finding = (
                self._blank(socket, channel, reading, any_good)
                if reading.value is None
                else self._judge(socket, channel, reading.value, t_s, pressure_bar, in_oxygen)
            )
            if finding is not None:
                channel.gone = True
                found.append(finding)
        return found

    def hold_ended(self, output_mv: Mapping[int, float], po2_bar: float) -> list[CellFinding]:
        """Compare the outputs of a settled hold, in mV by socket, with those of the hold before."""
        good_mv = {socket: mv for socket, mv in output_mv.items() if socket not in self.gone}
        return self._exchanged(self._swapped.take_hold(good_mv, po2_bar))

    def _exchanged(self, pairs: Iterable[Pair]) -> list[CellFinding]:
        found: list[CellFinding] = []
        for pair in pairs:
            for socket, other in (pair, pair[::-1]):
                channel = self._channels.get(socket)
                if channel is not None and not channel.gone:
                    channel.gone = channel.swapped = True
                    text = (
                        f"Socket {socket} shows what socket {other} showed before, and the other way round: "
                        "their leads or channels have been exchanged."
                    )
                    found.append(CellFinding(socket, "swapped", text))
        return found

    def _blank(self, socket: int, channel: _Channel, reading: Reading, any_good: bool) -> CellFinding | None:
        """A channel without a value counts only while the meter reads others: else the meter is at fault."""
        if not any_good:
            return None
        channel.blank += 1
        if channel.blank < _BLANK_READINGS:
            return None
        word = "no_cell" if channel.output_mv is None else "unplugged"
        return CellFinding(
            socket, word, f"Socket {socket} gives no reading ({reading.status}): open contact or no cell."
        )

    def _judge(
        self, socket: int, channel: _Channel, mv: float, t_s: float, pressure_bar: float, in_oxygen: bool
    ) -> CellFinding | None:
        channel.blank = 0
        finding = self._jump(socket, channel, mv, t_s, pressure_bar)
        channel.dead = channel.dead + 1 if in_oxygen and abs(mv) < _SHORT_MV else 0
        if finding is None and channel.dead >= _SHORT_READINGS:
            finding = CellFinding(
                socket, "shorted", f"Socket {socket} reads {mv:.2f} mV in oxygen: shorted or dead cell."
            )
        channel.output_mv, channel.pressure_bar, channel.t_s = mv, pressure_bar, t_s
        return finding

    def _jump(
        self, socket: int, channel: _Channel, mv: float, t_s: float, pressure_bar: float
    ) -> CellFinding | None:
        """A change by a fifth between two scans, without the pressure, that stays: the plug came off."""
        last_mv = channel.output_mv
        if last_mv is None:
            return None
        if channel.off:
            back = abs(mv - channel.before_mv) <= _JUMP_PART * abs(channel.before_mv) + _JUMP_MV
            if back or t_s - channel.off_since_s > 4 * _FORGET_S:
                channel.off = 0
                return None
            channel.off += 1
            if channel.off <= _CONFIRM_READINGS:
                return None
            return CellFinding(
                socket,
                "unplugged",
                f"Socket {socket} jumped from {channel.before_mv:.1f} to {mv:.1f} mV without a change of "
                "pressure: it has come unplugged.",
            )
        still = abs(pressure_bar - channel.pressure_bar) <= _PRESSURE_MOVES * pressure_bar
        recent = t_s - channel.t_s <= 2 * _FORGET_S
        if still and recent and abs(mv - last_mv) > _JUMP_PART * abs(last_mv) + _JUMP_MV:
            channel.off, channel.off_since_s, channel.before_mv = 1, t_s, last_mv
        return None
