"""One run of the seed generator as a task, its result, and the tally of many."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

from detection import run_where_it_shows
from fault_bench import SeedRun, broken_invariants, left_to_hands, run_plan
from seed_benches import KINDS, SOLENOID
from seed_plans import DOUBLE, NONE, SINGLE, plan_of
from wire_check import compare_fault, compare_plan

_CODES_SHOWN = 4
BY_NUMBER = (NONE, SINGLE, DOUBLE)
"""The families that are named by their number of faults, too."""


@dataclass(frozen=True, slots=True)
class Task:
    """One run: a seed of a family on a kind of bench, or one named fault where it shows.

    The oldest families may be named by their number of faults.
    """

    seed: int = 0
    faults: int = 1
    name: str = ""
    target: str = ""
    wire: bool = False
    bench: str = SOLENOID
    of_family: str = ""

    @property
    def family(self) -> str:
        """Which draws the seed stands for."""
        return self.of_family or BY_NUMBER[self.faults]

    @property
    def label(self) -> str:
        """Which run this is, in one word."""
        if self.name:
            return f"{self.name}:{self.target}"
        if self.bench == SOLENOID and self.family in BY_NUMBER:
            return f"{BY_NUMBER.index(self.family)}-{self.seed}"
        return f"{self.bench}-{self.family}-{self.seed}"

    def run(self) -> tuple[SeedRun, list[str]]:
        """Run it. Returns the run and how it differs from the one without a wire, if asked to compare."""
        if self.wire:
            if self.name:
                return compare_fault(self.name, self.target)
            return compare_plan(plan_of(self.family, self.seed, self.bench))
        if self.name:
            return run_where_it_shows(self.name, self.target), []
        return run_plan(plan_of(self.family, self.seed, self.bench)), []

    def replay_line(self) -> str:
        """The command that does it again."""
        which = (
            f"--each {self.name}{':' * bool(self.target)}{self.target}"
            if self.name
            else f"--seed {self.seed} --bench {self.bench} --family {self.family}"
        )
        return f"python tests/faults/run_seeds.py {'--wire ' * self.wire}{which}"


@dataclass(frozen=True, slots=True)
class SeedResult:
    """Result of one task, small enough to pass between processes."""

    task: Task
    names: tuple[str, ...]
    how: str
    code: str
    bench_s: float
    highest_bar: float
    broken: tuple[str, ...]
    differs: tuple[str, ...]
    to_hands: bool
    digest: str

    @property
    def false_trip(self) -> bool:
        """Whether a run without a fault did not complete."""
        return not self.names and self.task.family == NONE and self.how != "completed"


def one_task(task: Task) -> SeedResult:
    run, differs = task.run()
    return SeedResult(
        task,
        tuple(fault.name for fault in run.faults),
        run.how,
        run.code,
        run.bench_s,
        run.highest_bar,
        tuple(broken_invariants(run)),
        tuple(differs),
        left_to_hands(run),
        run.digest(),
    )


@dataclass
class BenchTally:
    """Results on one kind of bench."""

    runs: int = 0
    hows: Counter[str] = field(default_factory=Counter)
    broken: Counter[str] = field(default_factory=Counter)
    false_trips: int = 0
    to_hands: int = 0
    highest_bar: float = 0.0

    def add(self, result: SeedResult) -> None:
        """Count one result; an invariant counts once a run."""
        self.runs += 1
        self.hows[result.how] += 1
        self.broken.update({what.split()[0] for what in result.broken})
        self.false_trips += result.false_trip
        self.to_hands += result.to_hands
        self.highest_bar = max(self.highest_bar, result.highest_bar)

    def cells(self) -> str:
        """The cells of its row."""
        hows = self.hows
        ended = (hows["completed"], hows["tripped"], hows["refused"], hows["stopped"] + hows["aborted"])
        broken = ", ".join(f"{name} {count}" for name, count in sorted(self.broken.items())) or "none"
        figures = (self.runs, *ended, hows["killed"], broken, self.false_trips, self.to_hands)
        return " | ".join([*map(str, figures), f"{self.highest_bar:.3f}"])


@dataclass
class Tally:
    """Results of all tasks so far."""

    runs: int = 0
    by_bench: dict[str, BenchTally] = field(default_factory=dict)
    hows: Counter[tuple[int, str]] = field(default_factory=Counter)
    by_fault: dict[str, Counter[str]] = field(default_factory=dict)
    highest_bar_of: dict[str, float] = field(default_factory=dict)
    simulated_s: float = 0.0
    highest_bar: float = 0.0
    broke: int = 0
    differed: int = 0
    false_trips: int = 0
    to_hands: int = 0

    def add(self, result: SeedResult) -> None:
        """Count one result, and print it when it is not as it should be."""
        faults = len(result.names)
        self.runs += 1
        if not result.task.name:
            self.by_bench.setdefault(result.task.bench, BenchTally()).add(result)
        self.hows[faults, result.how] += 1
        self.simulated_s += result.bench_s
        self.highest_bar = max(self.highest_bar, result.highest_bar)
        if faults == 1:
            name = result.names[0]
            self.by_fault.setdefault(name, Counter())[result.code or result.how] += 1
            self.highest_bar_of[name] = max(self.highest_bar_of.get(name, 0.0), result.highest_bar)
        false_trip = result.false_trip
        self.false_trips += false_trip
        self.to_hands += result.to_hands
        self.broke += bool(result.broken)
        self.differed += bool(result.differs)
        bench = f"{result.task.bench}: " if result.task.bench != SOLENOID else ""
        wrong = [*result.broken, *result.differs, *([f"false trip {result.code}"] if false_trip else [])]
        for what in wrong:
            print(f"{bench}{'+'.join(result.names) or 'no fault'}: {what}")
        if wrong:
            print(f"  again: {result.task.replay_line()}", flush=True)

    @property
    def failed(self) -> bool:
        """Whether anything was not as it should be."""
        return bool(self.broke or self.differed or self.false_trips)

    def verdict(self) -> str:
        """What went wrong, in figures."""
        return (
            f"{self.broke} broke an invariant, {self.differed} differed over the wire, "
            f"{self.false_trips} false trips"
        )

    def bench_table(self) -> Iterable[str]:
        """A Markdown table by kind of bench."""
        yield (
            "| bench | runs | completed | tripped | refused | stopped, aborted | killed | broken invariants "
            "| false trips | left to hands | highest true pressure, bar |"
        )
        yield "|---|---:|---:|---:|---:|---:|---:|---|---:|---:|---:|"
        for kind in KINDS:
            if kind in self.by_bench:
                yield f"| {kind} | {self.by_bench[kind].cells()} |"

    def table(self) -> Iterable[str]:
        """A Markdown table of single faults: as what their runs ended, the commonest first."""
        yield "| fault | runs | ended as | highest true pressure, bar |"
        yield "|---|---:|---|---:|"
        for name, codes in sorted(self.by_fault.items()):
            commonest = codes.most_common(None if len(codes) == _CODES_SHOWN + 1 else _CODES_SHOWN)
            others = codes.total() - sum(count for _, count in commonest)
            shown = [f"{code} {count}" for code, count in commonest] + [f"others {others}"] * bool(others)
            yield f"| {name} | {codes.total()} | {', '.join(shown)} | {self.highest_bar_of[name]:.3f} |"
