"""Runs seeds of the virtual bench by the thousand and checks each against the invariants.

python tests/faults/run_seeds.py --none 1000 --single 10000 --double 5000 --table
python tests/faults/run_seeds.py --each                          # every fault, every target, where it shows
python tests/faults/run_seeds.py --wire --each --single 100      # the same over the wire, compared
python tests/faults/run_seeds.py --faults 1 --seed 4711          # one seed again, reported in full
python tests/faults/run_seeds.py --single 900 --digests FILE     # a line a run, to compare two versions

Progress goes to standard error, once a minute.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import TextIO

from detection import run_where_it_shows
from fault_bench import SeedRun, broken_invariants, left_to_hands, run_seed
from wire_check import compare_fault, compare_seed, every_fault

_TELL_EVERY_S = 60.0
_CODES_SHOWN = 4


@dataclass(frozen=True, slots=True)
class Task:
    """One run: a seed with so many faults, or one named fault where it shows."""

    seed: int = 0
    faults: int = 1
    name: str = ""
    target: str = ""
    wire: bool = False

    @property
    def label(self) -> str:
        """Which run this is, in one word."""
        return f"{self.name}:{self.target}" if self.name else f"{self.faults}-{self.seed}"

    def run(self) -> tuple[SeedRun, list[str]]:
        """Run it. Returns the run and how it differs from the one without a wire, if asked to compare."""
        if self.wire:
            if self.name:
                return compare_fault(self.name, self.target)
            return compare_seed(self.seed, self.faults)
        run = run_where_it_shows(self.name, self.target) if self.name else run_seed(self.seed, self.faults)
        return run, []

    def replay_line(self) -> str:
        """The command that does it again."""
        which = (
            f"--each {self.name}{':' * bool(self.target)}{self.target}"
            if self.name
            else f"--faults {self.faults} --seed {self.seed}"
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


def one_task(task: Task) -> SeedResult:
    run, differs = task.run()
    return SeedResult(
        task,
        tuple(fault.name for fault in run.faults),
        run.how,
        run.code,
        run.bench_s,
        max(run.truth.highest_pressure_bar, run.truth_later.highest_pressure_bar),
        tuple(broken_invariants(run)),
        tuple(differs),
        left_to_hands(run),
        run.digest(),
    )


def replay_line(seed: int, faults: int) -> str:
    return Task(seed, faults).replay_line()


def report(task: Task) -> bool:
    """Run one task and report it in full. Returns whether it is as it should be."""
    run, differs = task.run()
    broken = broken_invariants(run)
    for fault in run.faults:
        print(f"fault    {fault.name} {fault.target or ''} at {fault.at_s} s")
    for kind, t_s, data in run.sink.events:
        if kind != "valve":
            print(f"{t_s:8.1f} {kind:12} {data}")
    print("outcome ", run.outcome or run.how, run.refused)
    print("truth   ", run.truth)
    print("later   ", run.truth_later)
    for text in run.said:
        print("said    ", text)
    for text in differs:
        print("DIFFERS ", text)
    for text in broken:
        print("BROKEN  ", text)
    return not broken and not differs


@dataclass
class Tally:
    """Results of all tasks so far."""

    runs: int = 0
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
        self.hows[faults, result.how] += 1
        self.simulated_s += result.bench_s
        self.highest_bar = max(self.highest_bar, result.highest_bar)
        if faults == 1:
            name = result.names[0]
            self.by_fault.setdefault(name, Counter())[result.code or result.how] += 1
            self.highest_bar_of[name] = max(self.highest_bar_of.get(name, 0.0), result.highest_bar)
        false_trip = faults == 0 and result.how != "completed"
        self.false_trips += false_trip
        self.to_hands += result.to_hands
        self.broke += bool(result.broken)
        self.differed += bool(result.differs)
        wrong = [*result.broken, *result.differs, *([f"false trip {result.code}"] if false_trip else [])]
        for what in wrong:
            print(f"{'+'.join(result.names) or 'no fault'}: {what}")
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

    def table(self) -> Iterable[str]:
        """A Markdown table of single faults: as what their runs ended, the commonest first."""
        yield "| fault | runs | ended as | highest true pressure, bar |"
        yield "|---|---:|---|---:|"
        for name, codes in sorted(self.by_fault.items()):
            commonest = codes.most_common(None if len(codes) == _CODES_SHOWN + 1 else _CODES_SHOWN)
            others = codes.total() - sum(count for _, count in commonest)
            shown = [f"{code} {count}" for code, count in commonest] + [f"others {others}"] * bool(others)
            yield f"| {name} | {codes.total()} | {', '.join(shown)} | {self.highest_bar_of[name]:.3f} |"


def run_all(tasks: list[Task], jobs: int, digests: TextIO | None = None) -> Tally:
    """Run every task in so many processes; progress on standard error once a minute.

    Each run's digest goes to `digests`, one line a run, in the order of the tasks.
    """
    tally = Tally()
    begun_s = told_s = time.monotonic()
    with ProcessPoolExecutor(jobs) as pool:
        for result in pool.map(one_task, tasks, chunksize=8):
            tally.add(result)
            if digests is not None:
                wire = " wire" * result.task.wire
                print(f"{result.task.label}{wire} {result.digest}", file=digests, flush=True)
            now_s = time.monotonic()
            if now_s - told_s >= _TELL_EVERY_S:
                told_s = now_s
                left_min = (now_s - begun_s) / tally.runs * (len(tasks) - tally.runs) / 60
                print(
                    f"{(now_s - begun_s) / 60:5.0f} min: {tally.runs} of {len(tasks)} runs, "
                    f"{tally.verdict()}; {left_min:.0f} min left",
                    file=sys.stderr,
                    flush=True,
                )
    return tally


def tasks_of(wanted: argparse.Namespace) -> list[Task]:
    """What the command line asks for."""
    tasks: list[Task] = []
    if wanted.each is not None:
        named = [(name, target) for name, _, target in (one.partition(":") for one in wanted.each)]
        tasks += [Task(name=name, target=target, wire=wanted.wire) for name, target in named or every_fault()]
    return tasks + [
        Task(seed, faults, wire=wanted.wire)
        for faults, count in ((0, wanted.none), (1, wanted.single), (2, wanted.double))
        for seed in range(wanted.first, wanted.first + count)
    ]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--none", type=int, default=0, help="fault-free seeds")
    parser.add_argument("--single", type=int, default=0, help="seeds with one fault")
    parser.add_argument("--double", type=int, default=0, help="seeds with two faults")
    parser.add_argument(
        "--each", nargs="*", metavar="FAULT[:TARGET]", help="faults where they show; all of them"
    )
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--wire", action="store_true", help="over the wire too, and nothing may differ")
    parser.add_argument("--table", action="store_true", help="print what came of each single fault")
    parser.add_argument("--digests", metavar="FILE", help="write a digest of each run")
    parser.add_argument(
        "--faults", type=int, choices=(0, 1, 2), default=1, help="with --seed: how many faults"
    )
    parser.add_argument("--seed", type=int, help="run one seed and report it in full")
    wanted = parser.parse_args()
    if wanted.seed is not None:
        return 0 if report(Task(wanted.seed, wanted.faults, wire=wanted.wire)) else 1
    tasks = tasks_of(wanted)
    if len(tasks) == 1:
        return 0 if report(tasks[0]) else 1
    begun_s = time.monotonic()
    with Path(wanted.digests).open("w") if wanted.digests else nullcontext() as digests:
        tally = run_all(tasks, wanted.jobs, digests)
    real_s = time.monotonic() - begun_s
    if wanted.table:
        print("\n".join(tally.table()))
    for (faults, how), count in sorted(tally.hows.items()):
        print(f"{count:6} runs with {faults} faults {how}")
    if tally.to_hands:
        print(f"{tally.to_hands:6} of them left to hands: the program dead and a valve stuck")
    print(
        f"{len(tasks)} runs, {tally.simulated_s / 60:.0f} test minutes in {real_s:.0f} s "
        f"({tally.simulated_s / 60 / max(real_s, 1e-9):.0f} per second); highest true pressure "
        f"{tally.highest_bar:.3f} bar; {tally.verdict()}"
    )
    return 1 if tally.failed else 0


if __name__ == "__main__":
    sys.exit(main())
