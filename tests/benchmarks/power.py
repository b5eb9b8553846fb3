"""Wrong passes and wrong rejects on simulated populations, compared with the naive two-point checks.

    python tests/benchmarks/power.py [--cells 20000] [--seed 417]

A cell is *bad* when its true indication error is beyond the reject limit at any tested step, *good* when it
is inside the pass limits at all of them (general limits). Wrong pass: a bad cell graded pass. Wrong reject: a
good cell graded reject. Wanted: below 0.1 % and below 1 %. A share of none at all is given as its upper 95 %
bound.

The naive checks calibrate at PO2 1.0, look at 1.6 bar, and pass what shows within 5 % of it, without
uncertainty: once on a digital gauge in a purged pot, once by eye (dial gauge 0.03 bar, meter and settling
1 % each).
"""

from __future__ import annotations

import argparse
import resource
import time
from dataclasses import dataclass

import numpy as np
from population import FAMILIES, STEPS_ABOVE, Population, Simulated, check_mechanism, simulate

from grading.judgement.grade import grade
from grading.judgement.limits import general_limits

BLOCK = 2000
"""Cells that are simulated and graded at once; bounds the memory."""


@dataclass(frozen=True)
class Truth:
    """Which cells are bad, which are good; those between are neither."""

    bad: np.ndarray
    good: np.ndarray


def truth_of(population: Population) -> Truth:
    """Hold the true errors at the nominal steps against the general limits."""
    error = population.true_error_percent(np.array(STEPS_ABOVE))
    limits = [general_limits().find("indication_error_percent", nominal) for nominal in STEPS_ABOVE]
    reject = np.array([limit.reject_limits[1] for limit in limits])
    inside = np.array([limit.pass_limits[1] for limit in limits])
    return Truth((np.abs(error) > reject).any(axis=1), (np.abs(error) <= inside).all(axis=1))


def graded(simulated: Simulated) -> np.ndarray:
    """Grade words of all cells, through the whole grading."""
    result = grade(simulated.measurement, general_limits(), with_curves=False)
    return np.array([cell.grade for cell in result.cells])


def naive(simulated: Simulated, rng: np.random.Generator, by_eye: bool) -> np.ndarray:
    """Which cells pass the two-point check at PO2 1.0 and 1.6 bar."""
    steps = simulated.measurement.steps
    low, high = 1, 4
    po2 = steps.pressure_bar * steps.oxygen_fraction
    mv = steps.output_mv.copy()
    if by_eye:
        n = len(po2)
        po2 = po2 + 0.03 * rng.standard_normal(po2.shape)
        mv = mv * (1.0 + 0.01 * rng.standard_normal(mv.shape))
        mv[:, high] *= 1.0 + 0.01 * rng.standard_normal(n)
    shows = mv[:, high] / mv[:, low] * po2[:, low]
    return np.abs(shows / po2[:, high] - 1.0) <= 0.05


def share(wrong: np.ndarray, among: np.ndarray) -> str:
    """Part of `among` that is wrong, in percent; an upper bound when there is none."""
    total = int(among.sum())
    count = int((wrong & among).sum())
    if total == 0:
        return "-"
    if count == 0:
        # Rule of three: no event in n trials puts the rate below 3/n at 95 %.
        return f"0 (< {300.0 / total:.3f})"
    return f"{100.0 * count / total:.3f}"


def row(name: str, *columns: np.ndarray) -> str:
    """One line of the table from (bad, good, grades, two-point passes, by-eye passes)."""
    bad, good, grades, two_points, by_eye = columns
    cells = (
        name,
        str(int(bad.sum())),
        str(int(good.sum())),
        share(grades == "pass", bad),
        share(grades == "reject", good),
        f"{100.0 * np.mean(grades == 'watch'):.1f}",
        share(two_points, bad),
        share(~two_points, good),
        share(by_eye, bad),
        share(~by_eye, good),
    )
    return " | ".join(cells)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cells", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=417)
    options = parser.parse_args()
    check_mechanism()
    begin = time.perf_counter()
    columns = ("population", "bad", "good", "wrong pass %", "wrong reject %", "watch %")
    naive_columns = ("2-point: wrong pass %", "wrong reject %", "by eye: wrong pass %", "wrong reject %")
    print(" | ".join((*columns, *naive_columns)))
    together: list[tuple[np.ndarray, ...]] = []
    for number, family in enumerate(FAMILIES):
        rng = np.random.default_rng(options.seed + number)
        parts: list[tuple[np.ndarray, ...]] = []
        for start in range(0, options.cells, BLOCK):
            population = family(min(BLOCK, options.cells - start), rng)
            simulated = simulate(population, rng)
            truth = truth_of(population)
            checks = (naive(simulated, rng, False), naive(simulated, rng, True))
            parts.append((truth.bad, truth.good, graded(simulated), *checks))
        bad, good, grades, two_points, by_eye = (np.concatenate(part) for part in zip(*parts, strict=True))
        print(row(population.name, bad, good, grades, two_points, by_eye), flush=True)
        together.append((bad, good, grades, two_points, by_eye))
    print(row("all together", *(np.concatenate(part) for part in zip(*together, strict=True))))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    print(f"{time.perf_counter() - begin:.0f} s, peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
