"""The adaptive hold: keeps the pressure until every cell has settled, or the cap is reached."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from grading.record.format import Reading
from grading.settling.settled import HoldRule, HoldVerdict, hold_verdict
from rig.loop.loop import Loop
from rig.safety.scan import Scan

JUDGE_EVERY_S = 4.0
_MEAN_S = 10.0


@dataclass(slots=True)
class HoldResult:
    """How a hold ended.

    Attributes:
        stop_reason: "settled" or "cap".
        settled: by socket.
        output_mv: mean over the last ten seconds by socket; sockets without a reading are left out.
        pressure_bar: mean over the last ten seconds.
        first_mv: mean over the first ten seconds by socket.
        moved_part: by which part that of the last ten seconds differs from that of the ten seconds before, by
            socket; sockets without both are left out.
    """

    stop_reason: str
    settled: dict[int, bool]
    output_mv: dict[int, float]
    pressure_bar: float
    first_mv: dict[int, float] = field(default_factory=dict)
    moved_part: dict[int, float] = field(default_factory=dict)


@dataclass(slots=True)
class _Series:
    t_s: list[float] = field(default_factory=list)
    output_mv: list[float] = field(default_factory=list)

    def mean_mv(self, from_s: float, to_s: float) -> float | None:
        values = [v for t, v in zip(self.t_s, self.output_mv, strict=True) if from_s <= t <= to_s]
        return sum(values) / len(values) if values else None


class HoldTrace:
    """Gathers the readings of one hold and judges them."""

    def __init__(self, sockets: Iterable[int], rule: HoldRule) -> None:
        self._rule = rule
        self._cells = {socket: _Series() for socket in sockets}
        self._t_s: list[float] = []
        self._pressure_bar: list[float] = []
        self.verdicts: dict[int, HoldVerdict] = {}

    def add(self, scan: Scan, output_mv: dict[int, Reading] | None) -> None:
        """Add one tick."""
        pressure_bar = scan.gauge.newest_bar
        if pressure_bar is not None:
            self._t_s.append(scan.t_s)
            self._pressure_bar.append(pressure_bar)
        if output_mv is None:
            return
        for socket, series in self._cells.items():
            reading = output_mv.get(socket)
            if reading is not None and reading.value is not None:
                series.t_s.append(scan.t_s + reading.offset_s)
                series.output_mv.append(reading.value)

    def judge(self, skip: frozenset[int]) -> bool:
        """Judge every cell but those in `skip`. Returns whether all of them have settled."""
        t_s = np.asarray(self._t_s)
        pressure_bar = np.asarray(self._pressure_bar)
        done = True
        for socket, series in self._cells.items():
            if socket in skip:
                continue
            stamps = np.asarray(series.t_s)
            verdict = hold_verdict(
                stamps,
                np.asarray(series.output_mv),
                self._rule,
                np.interp(stamps, t_s, pressure_bar) if len(t_s) and len(stamps) else None,
            )
            self.verdicts[socket] = verdict
            done = done and verdict.settled
        return done

    def result(self, stop_reason: str, skip: frozenset[int]) -> HoldResult:
        """Return the result of the hold."""
        begin_s, end_s = (self._t_s[0], self._t_s[-1]) if self._t_s else (0.0, 0.0)
        late = [p for t, p in zip(self._t_s, self._pressure_bar, strict=True) if t >= end_s - _MEAN_S]
        output_mv, first_mv, moved_part = {}, {}, {}
        for socket, series in self._cells.items():
            if socket in skip:
                continue
            first = series.mean_mv(begin_s, begin_s + _MEAN_S)
            before = series.mean_mv(max(begin_s, end_s - 2.0 * _MEAN_S), end_s - _MEAN_S)
            last = series.mean_mv(end_s - _MEAN_S, math.inf)
            if first is not None:
                first_mv[socket] = first
            if last is not None:
                output_mv[socket] = last
                if before and end_s - begin_s >= 2.0 * _MEAN_S:
                    moved_part[socket] = last / before - 1.0
        return HoldResult(
            stop_reason=stop_reason,
            settled={
                socket: socket not in skip and socket in self.verdicts and self.verdicts[socket].settled
                for socket in self._cells
            },
            output_mv=output_mv,
            pressure_bar=sum(late) / len(late) if late else 0.0,
            first_mv=first_mv,
            moved_part=moved_part,
        )


def hold(
    loop: Loop,
    sockets: Iterable[int],
    rule: HoldRule,
    keep: Callable[[Scan], None],
    at_least_s: float = 0.0,
    on_trace: Callable[[HoldTrace], None] | None = None,
) -> HoldResult:
    """Hold until all cells have settled, at most to the rule's cap.

    Args:
        loop: ticks; an exception from it ends the hold.
        sockets: that are judged; those with a finding are left out.
        rule: when a cell has settled.
        keep: called each tick to keep the pressure.
        at_least_s: hold no shorter than this, even if all cells have settled.
        on_trace: called after every judgement, for the screen.
    """
    trace = HoldTrace(sockets, rule)
    begun_s = loop.scan.t_s
    judged_s = begun_s
    while True:
        scan = loop.tick()
        keep(scan)
        trace.add(scan, loop.acquisition.row.output_mv)
        held_s = scan.t_s - begun_s
        if scan.t_s - judged_s < JUDGE_EVERY_S or held_s < rule.least_s:
            continue
        judged_s = scan.t_s
        done = trace.judge(loop.cells.gone)
        if on_trace is not None:
            on_trace(trace)
        # Where the newest scan may be an old one, the hold waits for the next one, or for the trip.
        if scan.voltmeter_repeats:
            continue
        if held_s >= at_least_s and (done or held_s >= rule.cap_s):
            return trace.result("settled" if done else "cap", loop.cells.gone)
