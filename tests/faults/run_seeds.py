"""Runs seeds of the virtual bench by the thousand and checks each against the invariants.

python tests/faults/run_seeds.py --none 1000 --single 10000 --double 5000 --table
python tests/faults/run_seeds.py --bench all --none 100 --single 100 --double 100 --response 100 \\
    --triple 100 --common 100                                    # every kind of bench, the later families
python tests/faults/run_seeds.py --each                          # every fault, every target, where it shows
python tests/faults/run_seeds.py --wire --each --single 100      # the same over the wire, compared
python tests/faults/run_seeds.py --seed 4711 --bench solenoid --family single    # one again, in full
python tests/faults/run_seeds.py --single 900 --digests FILE     # a line a run, to compare two versions

Progress goes to standard error, once a minute.
"""

from __future__ import annotations

import argparse
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from pathlib import Path
from typing import TextIO

from fault_bench import broken_invariants
from seed_benches import BY_HAND, KINDS, SOLENOID
from seed_plans import COMMON, DOUBLE, FAMILIES, NONE, RESPONSE, SINGLE, TRIPLE, kind_of, plan_of
from seed_tasks import BY_NUMBER, Tally, Task, one_task
from wire_check import every_fault

_TELL_EVERY_S = 60.0


def replay_line(seed: int, faults: int) -> str:
    return Task(seed, faults).replay_line()


def report(task: Task) -> bool:
    """Run one task and report it in full. Returns whether it is as it should be."""
    run, differs = task.run()
    broken = broken_invariants(run)
    if task.bench in BY_HAND:
        print(f"person   {plan_of(task.family, task.seed, task.bench).operator}")
    for fault in run.faults:
        size = "" if fault.value is None else f"={fault.value:g}"
        print(f"fault    {fault.name}{size} {fault.target or ''} at {fault.at_s} s")
    for kind, t_s, data in run.sink.events:
        if kind != "valve":
            print(f"{t_s:8.1f} {kind:12} {data}")
    print("outcome ", run.outcome or run.how, run.refused)
    print("truth   ", run.truth)
    print("later   ", run.truth_later)
    for t_s, text in run.said_at:
        print(f"{t_s:8.1f} said     {text}")
    for text in differs:
        print("DIFFERS ", text)
    for text in broken:
        print("BROKEN  ", text)
    return not broken and not differs


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
        Task(seed, wire=wanted.wire, bench=kind_of(wanted.bench, seed), of_family=family)
        for family in FAMILIES
        for seed in range(wanted.first, wanted.first + getattr(wanted, family))
    ]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for family, what in (
        (NONE, "fault-free seeds"),
        (SINGLE, "seeds with one fault"),
        (DOUBLE, "seeds with two faults"),
        (RESPONSE, "seeds with a fault, and another one at the rig's answer to it"),
        (TRIPLE, "seeds with three faults"),
        (COMMON, "seeds with a shared cause and another fault"),
    ):
        parser.add_argument(f"--{family}", type=int, default=0, metavar="N", help=what)
    parser.add_argument(
        "--bench", choices=(*KINDS, "all"), default=SOLENOID, help="kind of bench; all: in turn by seed"
    )
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
    parser.add_argument("--family", choices=FAMILIES, help="with --seed: which family of draws")
    parser.add_argument("--seed", type=int, help="run one seed and report it in full")
    wanted = parser.parse_args()
    if wanted.seed is not None:
        family = wanted.family or BY_NUMBER[wanted.faults]
        bench = kind_of(wanted.bench, wanted.seed)
        return 0 if report(Task(wanted.seed, wire=wanted.wire, bench=bench, of_family=family)) else 1
    tasks = tasks_of(wanted)
    if len(tasks) == 1:
        return 0 if report(tasks[0]) else 1
    begun_s = time.monotonic()
    with Path(wanted.digests).open("w") if wanted.digests else nullcontext() as digests:
        tally = run_all(tasks, wanted.jobs, digests)
    real_s = time.monotonic() - begun_s
    if wanted.table:
        print("\n".join(tally.table()))
    if tally.by_bench:
        print("\n".join(tally.bench_table()))
    for (faults, how), count in sorted(tally.hows.items()):
        print(f"{count:6} runs with {faults} faults {how}")
    if tally.to_hands:
        print(f"{tally.to_hands:6} of them left to hands: the program dead, and no layer vents")
    print(
        f"{len(tasks)} runs, {tally.simulated_s / 60:.0f} test minutes in {real_s:.0f} s "
        f"({tally.simulated_s / 60 / max(real_s, 1e-9):.0f} per second); highest true pressure "
        f"{tally.highest_bar:.3f} bar; {tally.verdict()}"
    )
    return 1 if tally.failed else 0


if __name__ == "__main__":
    sys.exit(main())
