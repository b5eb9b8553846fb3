"""Speed, memory and goodness of the batched response fit, beside a loop of scipy's curve_fit.

    python tests/benchmarks/fit_speed.py [--plot fit_speed.svg] [--loop 300]

Half the cells are straight, half have a ceiling between 70 and 160 mV; every one is measured at 13 steps with
its own instrument errors. Both solvers get the same data with the same full covariance. The loop is timed
on some cells and scaled up.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from scipy.optimize import OptimizeWarning, curve_fit

sys.path.insert(0, str(Path(__file__).parent.parent / "grading"))
import simulated_steps as sim

from grading.measurement import ErrorModel
from grading.response.block import CellBlock, repeat_groups
from grading.response.curve import fit_responses
from grading.response.models import ThreeFits
from grading.uncertainty import StepErrors, step_errors

MANY = 10_000
SIZES = (100, 300, 1_000, 3_000, 10_000, 30_000, 100_000)


def population(cells: int, seed: int) -> tuple[StepErrors, np.ndarray]:
    """Cells of all kinds, ready to be fitted, and the nominal PO2 of their steps."""
    rng = np.random.default_rng(seed)
    slope = rng.normal(50.0, 4.0, (cells, 1))
    straight = rng.random((cells, 1)) < 0.5
    ceiling = np.where(straight, 1e5, rng.uniform(70.0, 160.0, (cells, 1)))
    sharpness = np.exp(rng.uniform(np.log(1.5), np.log(20.0), (cells, 1)))
    table = sim.steps(sim.blended(slope, ceiling, sharpness), cells, seed)
    return step_errors(table, ErrorModel()), table.nominal_po2_bar


def timed(call: Callable[[], object], repeats: int = 3) -> tuple[float, float]:
    """Shortest of a few runs by the clock, and by the processor's own time, in seconds."""
    wall, processor = np.inf, np.inf
    for _ in range(repeats):
        started, used = time.perf_counter(), time.process_time()
        call()
        wall = min(wall, time.perf_counter() - started)
        processor = min(processor, time.process_time() - used)
    return wall, processor


def peak_mb() -> float:
    """Highest resident memory of this process so far, in MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def against_curve_fit(errors: StepErrors, nominal: np.ndarray, cells: int) -> tuple[float, int, np.ndarray]:
    """Processor seconds a cell, failures, and chi-squared of curve_fit minus ours, cell by cell."""
    block = CellBlock(errors, slice(0, cells), repeat_groups(errors.po2_bar, nominal), nominal)
    fits = ThreeFits(block)

    def model(p, zero, slope, ceiling, sharpness):
        n = np.abs(sharpness)
        return zero + slope * p * (1.0 + np.abs(slope * p / ceiling) ** n) ** (-1.0 / n)

    spent, failures, differences = 0.0, 0, []
    for i in range(cells):
        w = fits.w[:-1, :-1, i]
        covariance = np.linalg.inv(w.T @ w)
        p, v = block.po2[:-1, i], block.mv[:-1, i]
        start = (0.0, v[1] / p[1], 1.5 * v.max(), 4.0)
        began = time.process_time()
        try:
            with warnings.catch_warnings(), np.errstate(all="ignore"):
                warnings.simplefilter("ignore", OptimizeWarning)
                found, _ = curve_fit(model, p, v, start, sigma=covariance, absolute_sigma=True)
        except RuntimeError:
            failures += 1
            spent += time.process_time() - began
            continue
        spent += time.process_time() - began
        # Sharpness below 1 is softer than any diffusion-limited cell, and not in our family.
        if abs(found[3]) >= 1.0:
            residual = w @ (v - model(p, *found))
            differences.append(residual @ residual - fits.chi_squared[2, i])
    return spent / cells, failures, np.array(differences)


def main() -> None:
    """Run and print."""
    arguments = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    arguments.add_argument("--plot", type=Path, help="draw time against number of cells")
    arguments.add_argument("--loop", type=int, default=300, help="cells for the curve_fit loop")
    options = arguments.parse_args()

    errors, nominal = population(MANY, seed=1)
    before_mb = peak_mb()
    wall, processor = timed(lambda: fit_responses(errors, 1.0, nominal, intervals=False))
    full_wall, full_processor = timed(lambda: fit_responses(errors, 1.0, nominal))
    print(f"{MANY} cells x {nominal.size} steps, full covariance, three models each, two threads")
    print(f"  fits, evidence, linear-to, band:  {wall:6.2f} s, {processor:6.2f} s of processor time")
    print(f"  and profile-likelihood intervals: {full_wall:6.2f} s, {full_processor:6.2f} s")
    print(f"  peak memory {peak_mb():.0f} MB, {peak_mb() - before_mb:.0f} MB of it for the fit")

    alone = timed(lambda: fit_responses(errors, 1.0, nominal, intervals=False, workers=1))[1]
    per_cell, failures, difference = against_curve_fit(errors, nominal, options.loop)
    print(
        f"scipy curve_fit, one model, {options.loop} cells: {per_cell * 1e6:.0f} us of processor time a cell"
    )
    print(f"  {per_cell * MANY:.1f} s for {MANY}: {per_cell * MANY / wall:.0f} times ours on two threads,")
    print(f"  {per_cell * MANY / alone:.0f} times ours on one ({alone / MANY * 1e6:.1f} us a cell)")
    print(f"  it gave up on {failures} and left the family in {options.loop - failures - difference.size};")
    print(f"  of the other {difference.size}, chi-squared of ours is lower by > 0.01 in", end=" ")
    print(f"{np.sum(difference > 0.01)}, higher by > 0.01 in {np.sum(difference < -0.01)}", end=" ")
    print(f"(by {-min(difference.min(), 0.0):.3f} at most)")

    seconds = []
    for size in SIZES:
        many, nominal = population(size, seed=2)
        seconds.append(timed(partial(fit_responses, many, 1.0, nominal), repeats=2)[1])
        print(f"  {size:7d} cells {seconds[-1]:8.3f} s   {seconds[-1] / size * 1e6:6.1f} us a cell")
    print(f"peak memory with {SIZES[-1]} cells at once: {peak_mb():.0f} MB")
    if options.plot:
        draw(options.plot, seconds, per_cell)


def draw(path: Path, seconds: list[float], loop_s: float) -> None:
    """Time against number of cells, with the loop's for comparison."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, axes = pyplot.subplots(figsize=(6.4, 4.2), layout="constrained")
    axes.loglog(SIZES, [loop_s * n for n in SIZES], "--", color="0.55", label="scipy curve_fit, one by one")
    axes.loglog(SIZES, seconds, "o-", color="#1f5a8a", label="batched fit with intervals")
    axes.axhline(1.0, color="0.85", zorder=0)
    axes.set_xlabel("cells, 13 steps each")
    axes.set_ylabel("seconds of processor time")
    axes.legend(frameon=False)
    axes.spines[["top", "right"]].set_visible(False)
    figure.savefig(path)


if __name__ == "__main__":
    main()
