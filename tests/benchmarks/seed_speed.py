"""How fast the virtual bench without a wire and the controller run together: fault seeds, on one core.

    python tests/benchmarks/seed_speed.py [--seeds 60]

One third of the seeds has no fault, a half has one and the rest two. Time is that of the processor, without
start-up and imports: other work on the machine slows it only by what it takes from the caches. Wanted: 60
simulated test minutes a second or more.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "faults"))

from fault_bench import run_seed


def main() -> None:
    """Run the seeds one after another and print one line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seeds", type=int, default=60)
    seeds = parser.parse_args().seeds
    none, double = seeds // 3, seeds // 6
    run_seed(0, 0)
    simulated_s = 0.0
    begun_s = time.process_time()
    for faults, count in ((0, none), (1, seeds - none - double), (2, double)):
        for seed in range(1, count + 1):
            simulated_s += run_seed(seed, faults).bench_s
    took_s = time.process_time() - begun_s
    print(
        f"{seeds} seeds, {simulated_s / 60:.0f} test minutes in {took_s:.1f} s of one core: "
        f"{simulated_s / 60 / took_s:.0f} a second"
    )


if __name__ == "__main__":
    main()
