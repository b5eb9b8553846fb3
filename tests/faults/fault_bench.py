"""One seed of the virtual bench: a short whole run with faults, judged on the bench's truth.

A seed fixes everything: pot, room, valves, noise, procedure, faults and their times. The same seed gives the
same history, without a wire (which is fast) and over the wire in lockstep.
"""

from __future__ import annotations

import contextlib
import copy
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache, partial
from pathlib import Path
from typing import Any

from invariants import MARGIN_BAR, VENTED_BAR, broken_invariants, left_to_hands
from seed_benches import (
    BY_HAND,
    CELLS,
    LIMITS,
    OBEDIENT,
    SOLENOID,
    VOLUMES_L,
    WORKING_PRESSURE_BAR,
    bench_of_kind,
    cells_of,
    hand_procedure,
    operator_at,
    seed_bench,
    seed_procedure,
)
from seed_plans import LAYERS_REMOVED, SeedPlan, seed_plan
from seed_sink import Killed, SeedSink, SilentView
from told_text import ToldText

from drivers.virtual_spec import FaultSpec, PotTruth, VirtualMode, VirtualSession
from grading.judgement.grade import grade
from grading.judgement.limits import Limits, load_limits
from grading.measurement import SourceError
from grading.record.format import RunHeader
from grading.record.reader import check_record
from grading.record.writer import RecordWriter
from grading.sources.any_source import load_source
from rig.loop.stop import StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.safety_documents.faults import PROGRAM_FAULTS
from rig.setup.bench import BenchNotReady, open_bench
from rig.setup.procedure import ProcedureFile
from rig.view import View

__all__ = [
    "BY_HAND",
    "CELLS",
    "LAYERS_REMOVED",
    "LIMITS",
    "MARGIN_BAR",
    "VENTED_BAR",
    "VOLUMES_L",
    "WORKING_PRESSURE_BAR",
    "Killed",
    "SeedRun",
    "SeedSink",
    "SilentView",
    "When",
    "broken_invariants",
    "left_to_hands",
    "run_faults",
    "run_plan",
    "run_seed",
    "seed_bench",
    "seed_plan",
    "seed_procedure",
]

_STANDS_S = 180.0
_LOOK_EVERY_S = 10.0


@dataclass(frozen=True, slots=True)
class When:
    """A moment of a run: so long after a phase of a step begins."""

    phase: str
    step: int | None
    after_s: float


@dataclass
class SeedRun:
    """Result of one run.

    Attributes:
        outcome: None when the program was killed.
        refused: why the bench could not be opened.
        bench: kind of bench. working_pressure_bar: on the plate of its pot.
        told: what was said and was not so.
        standing_bar: most above the room's pressure in the three minutes after the program's end.
        again: runs it again with a record in a folder.
    """

    faults: tuple[FaultSpec, ...]
    outcome: RunOutcome | None
    refused: str
    truth: PotTruth
    truth_later: PotTruth
    sink: SeedSink
    said: list[str]
    said_at: list[tuple[float, str]]
    bench_s: float
    record_problems: list[str]
    bench: str = SOLENOID
    working_pressure_bar: float = WORKING_PRESSURE_BAR
    told: list[str] = field(default_factory=list)
    standing_bar: float = 0.0
    again: Callable[[Path], object] | None = None
    _grades: dict[int, str] | None = None

    @property
    def highest_bar(self) -> float:
        """Highest true pressure, in bar."""
        return max(self.truth.highest_pressure_bar, self.truth_later.highest_pressure_bar)

    def grades(self) -> dict[int, str]:
        """Grade by socket, from the record of the same run done again; empty when it cannot be read.

        Few runs are graded, and those that are not need no record.
        """
        if self._grades is None:
            self._grades = {} if self.again is None else _graded(self.again)
        return self._grades

    def grades_text(self) -> str:
        """The grades in one line."""
        return ", ".join(f"{socket} {word}" for socket, word in sorted(self.grades().items()))

    @property
    def how(self) -> str:
        if self.outcome is None:
            return "refused" if self.refused else "killed"
        return self.outcome.how

    @property
    def code(self) -> str:
        return self.outcome.code if self.outcome is not None else self.how

    def digest(self) -> str:
        """A digest of all that was done; sentences do not count."""
        digest = self.sink.digest
        digest.add(self.how, self.code, self.sink.ended and self.sink.ended[0], self.bench_s)
        digest.add(self.truth, self.truth_later, self.faults)
        return digest.hex()

    def trips(self) -> list[tuple[str, float]]:
        """Codes of trips and alarms with their times."""
        return [(str(data["code"]), t_s) for kind, t_s, data in self.sink.events if kind in ("trip", "alarm")]

    def findings(self) -> list[tuple[str, float]]:
        """Findings about single sockets with their times."""
        return [(str(data["finding"]), t_s) for kind, t_s, data in self.sink.events if kind == "cell"]

    @property
    def alarmed(self) -> bool:
        """Whether an alarm stands that the pot is not vented or not known to be."""
        return any(
            "NOT VENTED" in text or "NOT CONFIRMED" in text or "NOT_VENTED" in text for text in self.said
        )


@cache
def _limits() -> Limits:
    return load_limits("general")


def _graded(run_into: Callable[[Path], object]) -> dict[int, str]:
    with tempfile.TemporaryDirectory() as folder:
        run_into(Path(folder))
        try:
            (record,) = Path(folder).iterdir()
            cells = grade(load_source(record), _limits(), with_curves=False).cells
        except SourceError:
            return {}
    return {cell.info.socket: cell.grade for cell in cells if cell.info.socket is not None}


def _true_outputs(virtual: VirtualSession) -> dict[int, float]:
    """What an ideal meter with good contacts would read now, in mV by socket; nothing over the wire."""
    if not virtual.instruments:
        return {}
    bench = next(iter(virtual.instruments.values()))._bench  # type: ignore[attr-defined]
    outputs = {}
    for socket, cell in bench.cells.items():
        # A copy, since a reading brings a cell up to its instant.
        sound = copy.copy(cell)
        sound.contact = "good"
        outputs[socket] = sound.output_mv(bench.now_us)
    return outputs


def run_faults(
    faults: tuple[FaultSpec, ...],
    *,
    seed: int,
    when: When | None = None,
    volume_l: float = 1.0,
    method: str = "swings",
    bench: str = SOLENOID,
    operator: str = OBEDIENT,
    leaves_s: float = 0.0,
    response: FaultSpec | None = None,
    record: Path | None = None,
    procedure: ProcedureFile | None = None,
    mode: VirtualMode = "direct",
    keep_rows: bool = False,
) -> SeedRun:
    """Run the short procedure with faults; `when` puts all of them at that moment of the run.

    `bench` is the kind of bench, and `operator` the person at a hand pot, who may leave at `leaves_s`.
    `response` is a fault that begins so long (its `at_s`) after the rig first answers to another one.
    `mode` is "direct" or "lockstep"; with `keep_rows` the sink keeps every row.
    """
    again = partial(
        run_faults,
        faults,
        seed=seed,
        when=when,
        volume_l=volume_l,
        method=method,
        bench=bench,
        operator=operator,
        leaves_s=leaves_s,
        response=response,
        procedure=procedure,
    )
    waiting = list(faults) if when is not None else []
    booked = () if when is not None else faults
    struck: list[FaultSpec] = []
    rig_faults = {fault.name: fault.at_s for fault in booked if fault.name in PROGRAM_FAULTS}
    bench_faults = tuple(fault for fault in booked if fault.name not in PROGRAM_FAULTS)
    stop, screen = StopRequest(), SilentView()
    sinks: list[SeedSink] = []
    cells = cells_of(bench)
    file = seed_bench(volume_l) if bench == SOLENOID else bench_of_kind(bench, volume_l)
    plate_bar = file.limits.working_pressure_bar
    try:
        opened = open_bench(
            file, cells=cells, seed=seed, mode=mode, faults=bench_faults, ask=lambda _text: None
        )
    except BenchNotReady as error:
        sink = SeedSink(stop, {})
        nothing = PotTruth(0, 1, 1, 1, 20, 0.2, False, True, False, 0, False, False, True, 0)
        return SeedRun(
            faults, None, str(error), nothing, nothing, sink, screen.said, [], 0.0, [], bench, plate_bar
        )
    with opened as rig:
        assert rig.virtual is not None
        virtual = rig.virtual
        told = ToldText(virtual.pot, rig.clock.monotonic_s)
        screen.now_s, screen.hear = rig.clock.monotonic_s, told.hear
        view: View = screen
        if bench in BY_HAND:
            view = operator_at(operator, virtual, screen, file, leaves_s)
        paths: list[Path] = []

        def strike_when_due(phase: str, step: int | None, t_s: float) -> None:
            if when is None or (phase, step) != (when.phase, when.step):
                return
            while waiting:
                fault = replace(waiting.pop(), at_s=t_s + when.after_s)
                struck.append(fault)
                if fault.name in PROGRAM_FAULTS:
                    sinks[0].strike_at(fault.name, fault.at_s)
                else:
                    virtual.inject(fault)

        def strike_at_response(t_s: float) -> None:
            nonlocal response
            if response is not None and (not faults or t_s >= faults[0].at_s):
                fault, response = replace(response, at_s=t_s + response.at_s), None
                struck.append(fault)
                virtual.inject(fault)

        def make_sink(header: RunHeader) -> SeedSink:
            writer = None
            if record is not None:
                writer = RecordWriter.create(record, header, rig.clock.utc(), sync=False)
                paths.append(writer.path)
            sink = SeedSink(stop, rig_faults, writer, keep_rows)
            sink.read_truth = virtual.pot
            sink.read_outputs = lambda: _true_outputs(virtual)
            sink.told = told
            sink.on_phase = strike_when_due
            sink.on_response = strike_at_response
            sinks.append(sink)
            return sink

        outcome: RunOutcome | None = None
        with contextlib.suppress(Killed):
            outcome = run_session(
                rig,
                RunRequest(
                    procedure or (hand_procedure() if bench in BY_HAND else seed_procedure(method)),
                    cells,
                    LIMITS,
                    Path(tempfile.gettempdir()),
                    "seeds",
                ),
                view,
                stop,
                sink=make_sink,
            )
        truth = virtual.pot()
        if outcome is not None:
            told.hear(outcome.why)
        ended_s = rig.clock.monotonic_s()
        # The program has ended or was killed: only the hardware's own layers act from here on.
        standing_bar = 0.0
        while rig.clock.monotonic_s() < ended_s + _STANDS_S:
            rig.clock.sleep_until(min(rig.clock.monotonic_s() + _LOOK_EVERY_S, ended_s + _STANDS_S))
            told.look()
            stands = virtual.pot()
            standing_bar = max(standing_bar, stands.pressure_bar - stands.room_pressure_bar)
        return SeedRun(
            faults=(*(faults if when is None else ()), *struck) or faults,
            outcome=outcome,
            refused="",
            truth=truth,
            truth_later=virtual.pot(),
            sink=sinks[0] if sinks else SeedSink(stop, {}),
            said=screen.said,
            said_at=screen.said_at,
            bench_s=ended_s,
            record_problems=[problem for path in paths for problem in check_record(path)],
            bench=bench,
            working_pressure_bar=plate_bar,
            told=told.broken,
            standing_bar=standing_bar,
            again=(lambda folder: again(record=folder)) if sinks else None,
        )


def run_plan(plan: SeedPlan, **more: Any) -> SeedRun:
    """Run what a seed means; `more` is for `run_faults`."""
    return run_faults(
        plan.faults,
        seed=plan.seed,
        volume_l=plan.volume_l,
        method=plan.method,
        bench=plan.bench,
        operator=plan.operator,
        leaves_s=plan.leaves_s,
        response=plan.response,
        **more,
    )


def run_seed(seed: int, faults: int, record: Path | None = None, **more: Any) -> SeedRun:
    """Run one seed with so many random faults; `more` is for `run_faults`."""
    specs, volume_l, method = seed_plan(seed, faults)
    return run_faults(specs, seed=seed, volume_l=volume_l, method=method, record=record, **more)
