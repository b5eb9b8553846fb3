"""Time and memory of a full grading of many cells from a readings table on disk.

    python tests/benchmarks/grade_speed.py [--cells 1000]

Reads the table, calculates every figure with its uncertainty and budget, decides, writes the reasons and
the public JSON. Wanted for 1,000 cells on two cores: under 5 s and under 500 MB.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
from population import mechanism, simulate

from grading.document import dumps, public_json
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits
from grading.sources.any_source import load_source


def write_table(path: Path, cells: int, seed: int) -> None:
    """Write a readings table of `cells` cells of mixed health."""
    rng = np.random.default_rng(seed)
    measurement = simulate(mechanism(cells, rng), rng).measurement
    steps = measurement.steps
    header = (
        "cell,step,gas,direction,pressure_bar,oxygen_fraction,temperature_c,mv,relative_humidity,"
        "u_mv,u_pressure_bar"
    )
    rows = [header]
    for n, cell in enumerate(measurement.cells):
        for k in range(len(steps.step)):
            values = (
                f"{steps.pressure_bar[n, k]:.6f}",
                f"{steps.oxygen_fraction[n, k]:.5f}",
                f"{steps.temperature_c[n, k]:.2f}",
                f"{steps.output_mv[n, k]:.5f}",
                f"{steps.relative_humidity[n, k]:.2f}",
                f"{steps.u_output_mv[n, k]:.5f}",
                f"{steps.u_pressure_bar[n, k]:.6f}",
            )
            rows.append(",".join((cell.cell, str(k), steps.gas[k], steps.direction[k], *values)))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def main() -> None:
    """Print the times and the peak memory."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cells", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=417)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "readings.csv"
        write_table(path, options.cells, options.seed)
        begin = time.perf_counter()
        measurement = load_source(path)
        read = time.perf_counter()
        result = grade(measurement, load_limits("general"))
        graded = time.perf_counter()
        text = dumps(public_json(result))
        end = time.perf_counter()
    counts = {word: sum(cell.grade == word for cell in result.cells) for word in ("pass", "watch", "reject")}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(
        f"{options.cells} cells: read {read - begin:.2f} s, grade {graded - read:.2f} s, "
        f"JSON of {len(text) / 1e6:.1f} MB {end - graded:.2f} s; together {end - begin:.2f} s, "
        f"peak memory {peak:.0f} MB; {counts}"
    )


if __name__ == "__main__":
    main()
