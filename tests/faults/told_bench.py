"""Runs on a virtual solenoid bench that keep every message beside what was true in the pot at that moment."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

from fault_bench import CELLS, LIMITS, SeedSink, When, seed_bench, seed_procedure

from drivers.virtual_spec import FaultSpec, PotTruth
from grading.results import CellInfo
from rig.loop.stop import StopLevel, StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import open_bench
from rig.setup.bench_file import BenchFile
from rig.setup.procedure import ProcedureFile
from rig.view import Prompt, Severity, Snapshot

VENTED_WORDS = ("reads vented", "is vented", "read vented", "may open the lid", "no pressure now")
NOT_SAID = ("NOT VENTED", "NOT CONFIRMED", "not known")


@dataclass
class ToldView:
    """Keeps what was said with the true pot; answers prompts by code."""

    answers: dict[str, str] = field(default_factory=dict)
    read_pot: Callable[[], PotTruth] | None = None
    now_s: Callable[[], float] = float
    said: list[tuple[float, str, Severity, float]] = field(default_factory=list)
    snapshots: list[Snapshot] = field(default_factory=list)
    show_every_s: ClassVar[float] = math.inf

    def update(self, snapshot: Snapshot) -> None:
        self.snapshots.append(snapshot)

    def say(self, text: str, severity: Severity = "info") -> None:
        over_bar = 0.0
        if self.read_pot is not None:
            pot = self.read_pot()
            over_bar = pot.pressure_bar - pot.room_pressure_bar
        self.said.append((self.now_s(), text, severity, over_bar))

    def ask(self, prompt: Prompt) -> str | None:
        return self.answers.get(prompt.code)

    def withdraw(self) -> None:
        pass


@dataclass
class Told:
    """One run: its outcome, what was said, and what was true at the end and 3 minutes later."""

    outcome: RunOutcome
    view: ToldView
    sink: SeedSink
    truth: PotTruth
    later: PotTruth
    ended_s: float

    def said(self, words: str) -> list[tuple[float, str, Severity, float]]:
        return [one for one in self.view.said if words in one[1]]

    @property
    def called_vented_at_bar(self) -> float:
        """The highest true pressure above the room's at which the pot was said to be vented."""
        return max(
            (
                over
                for _, text, _, over in self.view.said
                if any(words in text for words in VENTED_WORDS)
                and not any(words in text for words in NOT_SAID)
            ),
            default=0.0,
        )

    @property
    def alarmed(self) -> bool:
        return "NOT VENTED" in self.outcome.why or "NOT CONFIRMED" in self.outcome.why

    @property
    def alarms(self) -> list[tuple[str, float]]:
        return [(str(data["code"]), t_s) for kind, t_s, data in self.sink.events if kind in ("trip", "alarm")]


def told(
    *faults: tuple[FaultSpec, When],
    seed: int = 7,
    volume_l: float = 1.0,
    file: BenchFile | None = None,
    procedure: ProcedureFile | None = None,
    cells: tuple[CellInfo, ...] = CELLS,
    stop_when: When | None = None,
    level: StopLevel = StopLevel.NOW,
    again_when: When | None = None,
    answers: dict[str, str] | None = None,
    from_start: tuple[FaultSpec, ...] = (),
) -> Told:
    """Run with each fault at its moment of the run; `from_start` are there before."""
    stop, view = StopRequest(), ToldView(answers or {})
    with open_bench(
        file or seed_bench(volume_l), cells=cells, seed=seed, mode="direct", faults=from_start
    ) as bench:
        virtual = bench.virtual
        assert virtual is not None
        view.now_s, view.read_pot = bench.clock.monotonic_s, virtual.pot
        sink = SeedSink(stop, {})
        waiting = list(faults)

        def on_phase(phase: str, step: int | None, t_s: float) -> None:
            for fault, when in list(waiting):
                if (phase, step) == (when.phase, when.step):
                    waiting.remove((fault, when))
                    virtual.inject(replace(fault, at_s=t_s + when.after_s))
            if stop_when is not None and (phase, step) == (stop_when.phase, stop_when.step):
                name = "sigterm" if level is StopLevel.NOW else "ctrl_c"
                sink.strike_at(name, t_s + stop_when.after_s)
            if again_when is not None and (phase, step) == (again_when.phase, again_when.step):
                sink.strike_at("ctrl_c", t_s + again_when.after_s)

        def make_sink(_header: Any) -> SeedSink:
            sink.read_truth, sink.on_phase = virtual.pot, on_phase
            return sink

        request = RunRequest(
            procedure or seed_procedure("swings"), cells, LIMITS, Path(tempfile.gettempdir()), "told"
        )
        outcome = run_session(bench, request, view, stop, sink=make_sink)
        truth, ended_s = virtual.pot(), bench.clock.monotonic_s()
        bench.clock.sleep_until(ended_s + 180.0)
        return Told(outcome, view, sink, truth, virtual.pot(), ended_s)
