"""What the adaptive hold saves, what it costs, and whether it accepts a slow tail as settled.

    python tests/benchmarks/hold_rule.py [--cells 250] [--seed 417]

Invented cells after a step of 20 to 40 %: first order (tau 2 to 9 s), second order (two poles of 2 to 6 s)
and slow tails (a first-order cell, 2 to 8 % of the step with a tau of 20 to 60 s); white noise of 5, 20 or
50 uV on some 60 mV and a random walk of 1 uV per root second, drift 0.03 % a minute, either way. The hold is
judged as the rig judges it: every 4 s from the shortest hold on, to the cap of 120 s. The reading is that of
the grading, its error against the true plateau without drift; what is left is what the cell truly has to go.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass

import numpy as np

from grading.settling.settled import (
    HoldRule,
    hold_verdict,
    mean_with_uncertainty,
    settled_from,
    transient_at,
)

EVERY_S = 0.2
JUDGE_EVERY_S = 4.0
PLATEAU_MV = 60.0
NOISES_MV = (0.005, 0.020, 0.050)
WALK_MV = 0.001
DRIFT_PERCENT_PER_MIN = 0.03
FAMILIES = ("first order", "second order", "slow tail")
HEALTHY = FAMILIES[:2]
RULE = HoldRule()


@dataclass(frozen=True)
class Cell:
    """One cell's output over a whole hold, and the remaining share of the plateau, percent."""

    t_s: np.ndarray
    output_mv: np.ndarray
    left_percent: np.ndarray


@dataclass(frozen=True)
class Outcome:
    """How one hold ended; errors and what was left in percent of the plateau, without sign."""

    held_s: float
    settled: bool
    error_percent: float
    expanded_percent: float
    left_percent: float
    fixed_error_percent: float


def draw(family: str, number: int, rng: np.random.Generator) -> Cell:
    """One cell of a family; the three noises take turns."""
    t = np.arange(0.0, RULE.cap_s + EVERY_S, EVERY_S)
    change = rng.choice((-1.0, 1.0)) * rng.uniform(20.0, 40.0)
    if family == "second order":
        first, second = rng.uniform(2.0, 6.0), rng.uniform(2.0, 6.0) + 1e-3
        lacking = (first * np.exp(-t / first) - second * np.exp(-t / second)) / (first - second)
    else:
        lacking = np.exp(-t / rng.uniform(2.0, 9.0))
    if family == "slow tail":
        share, slow_s = rng.uniform(0.02, 0.08), rng.uniform(20.0, 60.0)
        lacking = (1.0 - share) * lacking + share * np.exp(-t / slow_s)
    left = change * lacking
    drift = rng.choice((-1.0, 1.0)) * DRIFT_PERCENT_PER_MIN * t / 60.0
    walk = WALK_MV * np.sqrt(EVERY_S) * np.cumsum(rng.standard_normal(len(t)))
    white = NOISES_MV[number % len(NOISES_MV)] * rng.standard_normal(len(t))
    return Cell(t, PLATEAU_MV * (1.0 + (drift - left) / 100.0) + walk + white, left)


def reading(cell: Cell, upto: int) -> tuple[float, float]:
    """Settled output over the first `upto` readings and its expanded uncertainty, as the grading has them."""
    t, output = cell.t_s[:upto], cell.output_mv[:upto]
    start = settled_from(t, output)
    mean = mean_with_uncertainty(t[start:], output[start:])
    transient = transient_at(t, output, float(np.mean(t[start:])))
    return mean.value, 2.0 * float(np.hypot(mean.u, transient / np.sqrt(3.0)))


def hold(cell: Cell) -> Outcome:
    """Hold until settled or the cap, and read."""
    settled, upto = False, len(cell.t_s)
    for held_s in np.arange(RULE.least_s, RULE.cap_s + 1e-9, JUDGE_EVERY_S):
        upto = int(np.searchsorted(cell.t_s, held_s + 1e-9, side="right"))
        settled = hold_verdict(cell.t_s[:upto], cell.output_mv[:upto], RULE).settled
        if settled:
            break
    if not settled:
        upto = len(cell.t_s)
    value, expanded = reading(cell, upto)
    fixed, _ = reading(cell, len(cell.t_s))
    return Outcome(
        held_s=float(cell.t_s[upto - 1]),
        settled=settled,
        error_percent=abs(100.0 * (value / PLATEAU_MV - 1.0)),
        expanded_percent=100.0 * expanded / PLATEAU_MV,
        left_percent=abs(float(cell.left_percent[upto - 1])),
        fixed_error_percent=abs(100.0 * (fixed / PLATEAU_MV - 1.0)),
    )


def _errors(errors: np.ndarray) -> str:
    if not len(errors):
        return "- / - / -"
    rms, p95, worst = np.sqrt(np.mean(errors**2)), np.percentile(errors, 95.0), np.max(errors)
    return f"{rms:.3f} / {p95:.3f} / {worst:.3f}"


def row(name: str, outcomes: list[Outcome]) -> str:
    """One line of the table."""
    ended = [o for o in outcomes if o.settled]
    error = np.array([o.error_percent for o in ended])
    left = np.array([o.left_percent for o in ended])
    fixed = np.array([o.fixed_error_percent for o in outcomes])
    held_s = float(np.mean([o.held_s for o in outcomes]))
    early = int(np.sum(left > RULE.remainder_percent))
    return (
        f"| {name} | {held_s:.0f} | {100.0 * (1.0 - held_s / RULE.cap_s):.0f} | {_errors(error)} "
        f"| {_errors(fixed)} | {len(outcomes) - len(ended)} of {len(outcomes)} | {early} "
        f"| {np.max(left) if len(left) else 0.0:.3f} |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cells", type=int, default=250, help="of each family and each noise")
    parser.add_argument("--seed", type=int, default=417)
    options = parser.parse_args()
    begin = time.perf_counter()
    print(
        "| cells | mean hold s | saved % | error of settled %: rms / p95 / worst "
        "| after a fixed 120 s | capped | settled with more than 0.1 % left | most left % |"
    )
    print("|---|---|---|---|---|---|---|---|")
    healthy: list[Outcome] = []
    for number, family in enumerate(FAMILIES):
        rng = np.random.default_rng([options.seed, number])
        count = options.cells * len(NOISES_MV)
        outcomes = [hold(draw(family, i, rng)) for i in range(count)]
        for i, noise_mv in enumerate(NOISES_MV):
            print(row(f"{family}, {1e3 * noise_mv:.0f} uV", outcomes[i :: len(NOISES_MV)]), flush=True)
        print(row(family, outcomes), flush=True)
        if family in HEALTHY:
            healthy += outcomes
    print(row("first and second order", healthy))
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
