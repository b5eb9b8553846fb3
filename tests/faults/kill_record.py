"""Kill a writing process at random instants, many times, and compare every record with what it acknowledged.

    python tests/faults/kill_record.py --times 200

Prints how many rows were acknowledged, and exits 1 when any of them is not on disk.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import tempfile
from pathlib import Path

import numpy as np

GRADING = Path(__file__).resolve().parent.parent / "grading"


def _module(name):
    spec = importlib.util.spec_from_file_location(name, GRADING / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def write_for_ever(root):
    """Write rows and events as fast as they go, printing each row's number once it is in the record."""
    tests = _module("test_record")
    run = tests.simulated_run
    writer = tests.RecordWriter.create(root, run.header(tests.CELLS), run.STARTED)
    print(writer.path, flush=True)
    k = 0
    while True:
        writer.sample(tests.row(k / 10))
        if k % 17 == 0:
            writer.event("valve", k / 10, run.utc(k / 10), valve="supply", action="shot", duration_ms=20)
        print(k, flush=True)
        k += 1


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--times", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.write is not None:
        write_for_ever(given.write)
    tests = _module("test_record")
    rng = np.random.default_rng(given.seed)
    rows = 0
    with tempfile.TemporaryDirectory() as folder:
        for n in range(given.times):
            delay_s = float(rng.uniform(0.0, 0.3))
            try:
                rows += tests.killed_run(Path(folder), delay_s)
            except AssertionError as error:
                print(f"kill {n} after {delay_s:.3f} s: {error}")
                return 1
    print(f"{given.times} kills, {rows} acknowledged rows, none lost, every record readable")
    return 0


if __name__ == "__main__":
    sys.exit(main())
