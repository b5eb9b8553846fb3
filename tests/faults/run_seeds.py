"""Runs seeds of the virtual bench by the thousand and holds each against the invariants.

python tests/faults/run_seeds.py --none 1000 --single 10000 --double 5000
python tests/faults/run_seeds.py --faults 1 --seed 4711          # one seed again, told in full
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from fault_bench import SeedRun, broken_invariants, run_seed


@dataclass(frozen=True, slots=True)
class SeedResult:
    """What one seed came to, small enough to cross between processes."""

    seed: int
    faults: int
    names: tuple[str, ...]
    how: str
    code: str
    bench_s: float
    highest_bar: float
    broken: tuple[str, ...]


def one_seed(task: tuple[int, int]) -> SeedResult:
    seed, faults = task
    run = run_seed(seed, faults)
    return SeedResult(
        seed,
        faults,
        tuple(fault.name for fault in run.faults),
        run.how,
        run.code,
        run.bench_s,
        max(run.truth.highest_pressure_bar, run.truth_later.highest_pressure_bar),
        tuple(broken_invariants(run)),
    )


def replay_line(seed: int, faults: int) -> str:
    return f"python tests/faults/run_seeds.py --faults {faults} --seed {seed}"


def tell(run: SeedRun) -> None:
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
    for broken in broken_invariants(run):
        print("BROKEN  ", broken)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--none", type=int, default=0, help="fault-free seeds")
    parser.add_argument("--single", type=int, default=0, help="seeds with one fault")
    parser.add_argument("--double", type=int, default=0, help="seeds with two faults")
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--answers", action="store_true", help="print what came of each kind of fault")
    parser.add_argument(
        "--faults", type=int, choices=(0, 1, 2), default=1, help="with --seed: how many faults"
    )
    parser.add_argument("--seed", type=int, help="run one seed and tell it in full")
    wanted = parser.parse_args()
    if wanted.seed is not None:
        run = run_seed(wanted.seed, wanted.faults)
        tell(run)
        return 1 if broken_invariants(run) else 0
    tasks = [
        (seed, faults)
        for faults, count in ((0, wanted.none), (1, wanted.single), (2, wanted.double))
        for seed in range(wanted.first, wanted.first + count)
    ]
    begun_s = time.monotonic()
    hows: Counter[tuple[int, str]] = Counter()
    answers: Counter[tuple[str, str, str]] = Counter()
    simulated_s = highest_bar = 0.0
    failures = false_trips = 0
    with ProcessPoolExecutor(wanted.jobs) as pool:
        for result in pool.map(one_seed, tasks, chunksize=8):
            hows[result.faults, result.how] += 1
            answers["+".join(result.names), result.how, result.code] += 1
            simulated_s += result.bench_s
            highest_bar = max(highest_bar, result.highest_bar)
            false_trip = result.faults == 0 and result.how != "completed"
            false_trips += false_trip
            if result.broken or false_trip:
                failures += bool(result.broken)
                what = "; ".join(result.broken) or f"false trip {result.code}"
                print(f"{'+'.join(result.names) or 'no fault'}: {what}")
                print(f"  again: {replay_line(result.seed, result.faults)}", flush=True)
    real_s = time.monotonic() - begun_s
    if wanted.answers:
        for (names, how, code), count in sorted(answers.items()):
            print(f"{count:6} {names:28} {how:10} {code}")
    for (faults, how), count in sorted(hows.items()):
        print(f"{count:6} runs with {faults} faults {how}")
    print(
        f"{len(tasks)} seeds, {simulated_s / 60:.0f} test minutes in {real_s:.0f} s "
        f"({simulated_s / 60 / max(real_s, 1e-9):.0f} per second); highest true pressure "
        f"{highest_bar:.3f} bar; {failures} broke an invariant, {false_trips} false trips"
    )
    return 1 if failures or false_trips else 0


if __name__ == "__main__":
    sys.exit(main())
