"""One seed of the virtual bench: a short whole run with faults, judged on the bench's truth.

A seed fixes everything: pot, room, valves, noise, procedure, faults and their times. The same seed gives the
same history, without a wire (which is fast) and over the wire in lockstep.
"""

from __future__ import annotations

import contextlib
import math
import random
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, ClassVar

from digest import RunDigest
from event_check import misfit

from drivers.catalogue import virtual_faults
from drivers.virtual_spec import FaultSpec, PotTruth, VirtualMode
from grading.record.format import FileText, RunHeader, SampleRow
from grading.record.reader import check_record
from grading.record.writer import RecordWriteError, RecordWriter
from grading.results import CellInfo
from rig.loop.stop import StopLevel, StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.safety_documents.faults import PROGRAM_FAULTS
from rig.setup.bench import BenchNotReady, open_bench
from rig.setup.bench_file import BenchFile, parse_bench
from rig.setup.procedure import ProcedureFile, parse_procedure
from rig.view import Prompt, Severity, Snapshot
from rig_configs.files.checked_toml import TomlText

WORKING_PRESSURE_BAR = 3.5
MARGIN_BAR = 0.2
VENTED_BAR = 0.05
OXYGEN_DOUBT = 0.012
PRESSURE_DOUBT_BAR = 0.020

VOLUMES_L = (0.3, 1.0, 3.0)
_LATEST_S = {"flow": 600.0, "swings": 1150.0}

_BENCH = """
schema = "leadline.bench/1"
name = "Skerry Point Bench (seeds)"
[limits]
working_pressure_bar = 3.5
stop_pressure_bar = 2.2
trip_pressure_bar = 2.3
relief_pressure_bar = 3.0
ramp_bar_per_min = 1.0
most_gas_l = 60.0
[pot]
volume_l = {volume_l}
lid_diameter_mm = 100
sockets = 2
[gas]
oxygen_fraction = 0.995
u_oxygen_fraction = 0.001
supply_pressure_bar = 3.5
[virtual]
drawer = "six_cells"
[instruments.scanner]
serial = "TW-8-0031"
role = "voltmeter"
driver = "scpi_scanner"
address = "virtual"
[instruments.scanner.options]
channels = "101:102"
nplc = 1
[instruments.gauge_a]
serial = "TG-20117"
role = "gauge"
driver = "modbus_gauge"
address = "virtual"
[instruments.gauge_b]
serial = "TG-20118"
role = "second_gauge"
driver = "modbus_gauge"
address = "virtual"
[instruments.barometer]
serial = "TB-10042"
role = "barometer"
driver = "modbus_gauge"
address = "virtual"
[instruments.thermometer]
serial = "TT-4-0113"
role = "thermometer"
driver = "scpi_thermometer"
address = "virtual"
[instruments.room]
role = "room_oxygen"
driver = "modbus_room_oxygen"
address = "virtual"
[instruments.valves]
serial = "TV-00058"
role = "valves"
driver = "modbus_valves"
address = "virtual"
"""

_PROCEDURE = """
schema = "leadline.procedure/1"
name = "seeds"
version = "1"
[purge]
method = "{method}"
low_bar = 1.05
high_bar = 2.0
swings = 7
flow_volumes = 6.0
[hold]
least_s = 20
cap_s = 40
[leak]
settle_s = 60
hold_s = 60
[[steps]]
po2_bar = 1.0
direction = "up"
[[steps]]
po2_bar = 1.4
direction = "up"
[[steps]]
po2_bar = 1.8
direction = "up"
[[steps]]
po2_bar = 1.4
direction = "down"
"""

CELLS = (CellInfo("TB-0417", socket=1), CellInfo("OS-1123", socket=2))
LIMITS = FileText(name="general", file="general.toml", text="")


@cache
def seed_bench(volume_l: float) -> BenchFile:
    return parse_bench(TomlText("seeds.toml", _BENCH.format(volume_l=volume_l)))


@cache
def seed_procedure(method: str) -> ProcedureFile:
    return parse_procedure(TomlText("seeds_procedure.toml", _PROCEDURE.format(method=method)))


class Killed(BaseException):
    """The program is killed; it does nothing more."""


@dataclass
class SilentView:
    """No person is there; every prompt stays unanswered."""

    show_every_s: ClassVar[float] = math.inf
    said: list[str] = field(default_factory=list)
    said_at: list[tuple[float, str]] = field(default_factory=list)
    now_s: Callable[[], float] = float

    def update(self, snapshot: Snapshot) -> None:
        pass

    def say(self, text: str, severity: Severity = "info") -> None:
        self.said.append(text)
        self.said_at.append((self.now_s(), text))

    def ask(self, prompt: Prompt) -> str | None:
        return None

    def withdraw(self) -> None:
        pass


@dataclass
class HoldTruth:
    """What was true at the end of one hold, beside what was recorded."""

    step: int
    claimed_oxygen_fraction: float
    u_oxygen_fraction: float
    oxygen_fraction: float
    pressure_bar: float
    recorded_bar: float | None


@dataclass(frozen=True, slots=True)
class When:
    """A moment of a run: so long after a phase of a step begins."""

    phase: str
    step: int | None
    after_s: float


class SeedSink:
    """Records in memory, or in a real record too; triggers faults of the program where a seed says so."""

    def __init__(
        self,
        stop: StopRequest,
        rig_faults: dict[str, float],
        writer: RecordWriter | None = None,
        keep_rows: bool = False,
    ) -> None:
        self.events: list[tuple[str, float, dict[str, Any]]] = []
        self.misfits: list[str] = []
        self.rows = 0
        self.kept: list[SampleRow] | None = [] if keep_rows else None
        self.last: SampleRow | None = None
        self.ended: tuple[str, str] | None = None
        self.read_truth: Any = None
        self.holds: list[HoldTruth] = []
        self._stop = stop
        self._at = dict(rig_faults)
        self._writer = writer
        self._dead = False
        self._claimed = self._u_purge = 0.0
        self.on_phase: Callable[[str, int | None, float], None] = _nothing_waits
        self.digest = RunDigest()

    def sample(self, row: SampleRow) -> None:
        self._strike(row.t_s)
        self.rows += 1
        self.last = row
        self.digest.row(row)
        if self.kept is not None:
            self.kept.append(row)
        if self._writer is not None:
            self._writer.sample(row)

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        if self._dead:
            raise Killed
        self.events.append((kind, t_s, data))
        if wrong := misfit(kind, data):
            self.misfits.append(wrong)
        self.digest.event(kind, t_s, data)
        if kind == "phase":
            self.on_phase(data["phase"], data["step"], t_s)
        if kind == "hold_begin":
            self._claimed = float(data["oxygen_fraction"])
        if kind == "purge":
            self._u_purge = float(data["u_oxygen_fraction"])
        if kind == "hold_end" and data["stop_reason"] != "aborted" and data["step"] > 0:
            self._note_truth(int(data["step"]))
        if self._writer is not None:
            self._writer.event(kind, t_s, utc, **data)

    def end(self, how: str, why: str, utc: datetime) -> None:
        self.ended = (how, why)
        if self._writer is not None:
            self._writer.end(how, why, utc)

    def strike_at(self, program_fault: str, at_s: float) -> None:
        """Book a fault of the program."""
        self._at[program_fault] = at_s

    def _note_truth(self, step: int) -> None:
        truth: PotTruth = self.read_truth()
        recorded = (
            None if self.last is None or self.last.pressure_bar is None else self.last.pressure_bar.value
        )
        hold = HoldTruth(
            step, self._claimed, self._u_purge, truth.oxygen_fraction, truth.pressure_bar, recorded
        )
        self.holds.append(hold)

    def _strike(self, t_s: float) -> None:
        due = [name for name, at_s in self._at.items() if t_s >= at_s]
        for name in due:
            if name == "disk_full":
                raise RecordWriteError(28, "No space left on device")
            del self._at[name]
            if name == "killed":
                self._dead = True
                raise Killed
            if name == "ctrl_c":
                self._stop.request("Ctrl-C")
            if name == "sigterm":
                self._stop.request("SIGTERM", StopLevel.NOW)


@dataclass
class SeedRun:
    """Result of one run.

    Attributes:
        outcome: None when the program was killed.
        refused: why the bench could not be opened.
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


def _nothing_waits(_phase: str, _step: int | None, _t_s: float) -> None:
    pass


def run_faults(
    faults: tuple[FaultSpec, ...],
    *,
    seed: int,
    when: When | None = None,
    volume_l: float = 1.0,
    method: str = "swings",
    record: Path | None = None,
    procedure: ProcedureFile | None = None,
    mode: VirtualMode = "direct",
    keep_rows: bool = False,
) -> SeedRun:
    """Run the short procedure with faults; `when` puts all of them at that moment of the run.

    `mode` is "direct" or "lockstep"; with `keep_rows` the sink keeps every row.
    """
    waiting = list(faults) if when is not None else []
    booked = () if when is not None else faults
    struck: list[FaultSpec] = []
    rig_faults = {fault.name: fault.at_s for fault in booked if fault.name in PROGRAM_FAULTS}
    bench_faults = tuple(fault for fault in booked if fault.name not in PROGRAM_FAULTS)
    stop, view = StopRequest(), SilentView()
    sinks: list[SeedSink] = []
    file = seed_bench(volume_l)
    try:
        opened = open_bench(file, cells=CELLS, seed=seed, mode=mode, faults=bench_faults)
    except BenchNotReady as error:
        sink = SeedSink(stop, {})
        nothing = PotTruth(0, 1, 1, 1, 20, 0.2, False, True, False, 0, False, False, True, 0)
        return SeedRun(faults, None, str(error), nothing, nothing, sink, view.said, [], 0.0, [])
    with opened as bench:
        assert bench.virtual is not None
        virtual = bench.virtual
        view.now_s = bench.clock.monotonic_s
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

        def make_sink(header: RunHeader) -> SeedSink:
            writer = None
            if record is not None:
                writer = RecordWriter.create(record, header, bench.clock.utc(), sync=False)
                paths.append(writer.path)
            sinks.append(SeedSink(stop, rig_faults, writer, keep_rows))
            sinks[0].read_truth = virtual.pot
            sinks[0].on_phase = strike_when_due
            return sinks[0]

        outcome: RunOutcome | None = None
        with contextlib.suppress(Killed):
            outcome = run_session(
                bench,
                RunRequest(
                    procedure or seed_procedure(method), CELLS, LIMITS, Path(tempfile.gettempdir()), "seeds"
                ),
                view,
                stop,
                sink=make_sink,
            )
        truth = virtual.pot()
        ended_s = bench.clock.monotonic_s()
        # The program has ended or was killed: only the hardware's own layers act from here on.
        bench.clock.sleep_until(ended_s + 180.0)
        return SeedRun(
            faults=tuple(struck) or faults,
            outcome=outcome,
            refused="",
            truth=truth,
            truth_later=virtual.pot(),
            sink=sinks[0] if sinks else SeedSink(stop, {}),
            said=view.said,
            said_at=view.said_at,
            bench_s=ended_s,
            record_problems=[problem for path in paths for problem in check_record(path)],
        )


def broken_invariants(run: SeedRun) -> list[str]:
    """Check one run against the invariants, with the bench's truth and not its gauges."""
    broken = []
    if (
        max(run.truth.highest_pressure_bar, run.truth_later.highest_pressure_bar)
        > WORKING_PRESSURE_BAR - MARGIN_BAR
    ):
        broken.append(f"I1 pressure reached {run.truth_later.highest_pressure_bar:.3f} bar")
    for when, truth in (("at the end", run.truth), ("three minutes later", run.truth_later)):
        vented = abs(truth.pressure_bar - truth.room_pressure_bar) <= VENTED_BAR
        if when == "at the end" and run.how == "killed":
            continue
        if when != "at the end" and any(fault.at_s > run.bench_s for fault in run.faults):
            # Broken after the run: the bottle is shut by then, and no program is there to sound an alarm.
            continue
        if not vented and not (run.alarmed and run.how != "killed") and not left_to_hands(run):
            broken.append(f"I2 not vented {when}: {truth.pressure_bar:.3f} bar, no alarm stands")
            break
    if run.sink.misfits:
        broken.append(f"I3 event: {run.sink.misfits[0]}")
    if run.record_problems and run.how not in ("killed",):
        broken.append(f"I3 record: {run.record_problems[0]}")
    if (
        run.outcome is not None
        and run.how != "refused"
        and run.sink.ended is None
        and "disk_full" not in {fault.name for fault in run.faults}
    ):
        broken.append("I3 the record has no end although the program lived")
    if run.how == "completed":
        for hold in run.sink.holds:
            doubt = max(OXYGEN_DOUBT, 3.0 * hold.u_oxygen_fraction)
            if hold.oxygen_fraction < hold.claimed_oxygen_fraction - doubt:
                broken.append(
                    f"I4 step {hold.step} measured in {100 * hold.oxygen_fraction:.2f} % oxygen, recorded as "
                    f"{100 * hold.claimed_oxygen_fraction:.2f} %"
                )
            if (
                hold.recorded_bar is not None
                and abs(hold.recorded_bar - hold.pressure_bar) > PRESSURE_DOUBT_BAR
            ):
                broken.append(
                    f"I5 step {hold.step} recorded {hold.recorded_bar:.3f}, true {hold.pressure_bar:.3f} bar"
                )
    return broken


STUCK_VALVES = frozenset({"supply_stuck_open", "vent_stuck_shut", "vent_blocked"})


def left_to_hands(run: SeedRun) -> bool:
    """Whether the program is dead and a valve is stuck: no program and no layer moves it, a person has to.

    The model check has the same cut sets (`test_model_check.py`), and forced pairs show what the remaining
    layers do (`forced_pairs.py`). The pressure invariant holds for these runs too.
    """
    return run.how == "killed" and any(fault.name in STUCK_VALVES for fault in run.faults)


LAYERS_REMOVED = ("pressure_switch_dead", "relief_stuck", "watchdog_dead")
LATER_FAULTS = (
    "gauge_manifold_shut",
    "tee_clogged",
    "gauge_gain",
    "gateway_down",
    "valves_busy",
    "de_energise_busy",
    "beats_refused",
    "foreign_master",
    "supply_seeps",
    "pot_enriched",
    "voltmeter_frozen",
    "voltmeter_gain",
    "channels_swapped",
)
"""Faults that the bench has learned since; `seed_plan` leaves them out, so that a seed keeps its meaning."""


def seed_plan(seed: int, faults: int) -> tuple[tuple[FaultSpec, ...], float, str]:
    """What a seed means: its faults, the pot's volume and the way of purging."""
    draw = random.Random(seed * 7919 + faults)
    kinds = [kind for kind in virtual_faults() if kind.name not in LAYERS_REMOVED + LATER_FAULTS]
    specs = []
    volume_l, method = draw.choice(VOLUMES_L), draw.choice(("flow", "flow", "swings"))
    for _ in range(faults):
        name = draw.choice([kind.name for kind in kinds] + list(PROGRAM_FAULTS))
        kind = next((kind for kind in kinds if kind.name == name), None)
        target = ""
        if kind is not None and kind.targets and kind.targets != ("socket",):
            target = draw.choice([target for target in kind.targets if target != "controller"])
        elif kind is not None and kind.targets:
            target = draw.choice(("1", "2"))
        specs.append(FaultSpec(name, round(draw.uniform(0.0, _LATEST_S[method]), 1), target=target))
    return tuple(specs), volume_l, method


def run_seed(seed: int, faults: int, record: Path | None = None, **more: Any) -> SeedRun:
    """Run one seed with so many random faults; `more` is for `run_faults`."""
    specs, volume_l, method = seed_plan(seed, faults)
    return run_faults(specs, seed=seed, volume_l=volume_l, method=method, record=record, **more)
