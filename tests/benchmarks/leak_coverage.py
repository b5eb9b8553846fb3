"""Whether the leak figure is unbiased, whether its uncertainty covers, and which leaks it finds.

    python tests/benchmarks/leak_coverage.py [--seeds 300] [--volumes 0.3 1 3] [--leaks 0 0.5 1 4 5]

Every seed is a run of the rig's own code on the virtual bench without a wire: a purge swing, a ramp to the
top step and the leak test in its hold, the last ramp being 0.2 or 0.4 bar in turn. The true leak at the top
is the bench's own. What the bench does not have, gas that warms unseen by its thermometer, is drawn beside
it from the standard uncertainty that the leak test claims for it (0.025 K/min); bias, sd and range are
without it. A leak of one pot takes a minute on two cores.
"""

from __future__ import annotations

import argparse
import os
import sys
from dataclasses import dataclass
from multiprocessing import Pool

import numpy as np
from simulated_pot import Trail, bench_text, play

from rig.phases.leak_test import LeakResult, LeakTest

_PROCEDURE = """
schema = "leadline.procedure/1"
name = "leak"
version = "1"
calibration_po2_bar = {before}
[air]
hold = false
[purge]
swings = 1
least_oxygen_fraction = 0.58
[hold]
least_s = 30
cap_s = 30
[[steps]]
po2_bar = {before}
direction = "up"
[[steps]]
po2_bar = 1.6
direction = "up"
"""
_SETTLE_S, _HOLD_S, _WARN, _STOP = 30.0, 90.0, 1.0, 4.0
_TOP_GAUGE_BAR = 1.0
_UNSEEN_K_PER_MIN = 0.025


@dataclass(frozen=True, slots=True)
class Case:
    """One seed: truth, what the rig said, and what it says with unseen warming drawn beside it."""

    true_mbar_per_min: float
    alone: LeakResult
    drawn: LeakResult


def play_case(task: tuple[int, float, float]) -> Case | str:
    """Run one seed of one pot with one leak; the outcome in words when there was no leak figure."""
    seed, volume_l, leak_mbar_per_min = task
    conductance = max(leak_mbar_per_min, 0.0) * volume_l / 60.0 / _TOP_GAUGE_BAR
    bench = bench_text(volume_l=volume_l, stop_pressure_bar=2.8, trip_pressure_bar=2.9).replace(
        "[virtual]\n", f"[virtual]\nleak_ml_per_s_bar = {conductance}\n"
    )
    trail = play(bench, _PROCEDURE.format(before=1.4 if seed % 2 else 1.2), seed, until="leak", truth=True)
    if not trail.of_kind("leak"):
        return "no leak figure" if trail.outcome is None else f"{trail.outcome.code}: {trail.outcome.why}"
    t_s, pressure_bar, temperature_c, above_bar = _at_rest(trail)
    drawn_k_per_min = np.random.default_rng(seed).normal(0.0, _UNSEEN_K_PER_MIN)
    unseen = 1.0 + drawn_k_per_min / 60.0 * (t_s - t_s[0]) / 294.0
    truth = conductance / volume_l * 60.0 * float(np.mean(above_bar))
    return Case(
        truth, _judge(t_s, pressure_bar, temperature_c), _judge(t_s, pressure_bar * unseen, temperature_c)
    )


def _at_rest(trail: Trail) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Stamps, gauge, thermometer as last read, and true gauge pressure, of the hold with the leak test."""
    rows, temperature_c = [], 20.0
    for row, truth in zip(trail.rows, trail.truth, strict=True):
        if row.temperature_c is not None and row.temperature_c.value is not None:
            temperature_c = row.temperature_c.value
        reading = row.pressure_bar
        if row.phase == "measure" and row.step == 2 and reading is not None and reading.value is not None:
            above_bar = truth.pressure_bar - truth.room_pressure_bar
            rows.append((row.t_s, reading.value, temperature_c, above_bar))
    t_s, pressure_bar, shown_c, above_bar = np.asarray(rows).T
    return t_s, pressure_bar, shown_c, above_bar


def _judge(t_s: np.ndarray, pressure_bar: np.ndarray, temperature_c: np.ndarray) -> LeakResult:
    test = LeakTest(_SETTLE_S, _HOLD_S, _WARN, _STOP)
    for row in zip(t_s, pressure_bar, temperature_c, strict=True):
        test.add(*row)
    if test.result is None:
        raise ValueError("the hold was too short for its leak test")
    return test.result


def print_line(volume_l: float, leak: float, cases: list[Case | str]) -> None:
    """Print one line of the table."""
    found = [case for case in cases if isinstance(case, Case)]
    truth = np.array([case.true_mbar_per_min for case in found])
    alone = np.array([case.alone.rate_mbar_per_min for case in found])
    drawn = np.array([case.drawn.rate_mbar_per_min for case in found])
    doubt = np.array([case.drawn.expanded_uncertainty_mbar_per_min for case in found])
    verdicts = [case.drawn.verdict for case in found]
    covered = np.abs(drawn - truth) <= doubt
    print(
        f"| {volume_l:g} | {leak:g} | {np.mean(truth):.2f} | {np.mean(alone - truth):+.3f} "
        f"| {np.std(alone - truth):.3f} | {np.min(alone - truth):+.2f}..{np.max(alone - truth):+.2f} "
        f"| {np.mean(doubt):.2f} | {100 * np.mean(covered):.1f} "
        f"| {100 * np.mean(drawn > 0.5 * 1.645 * doubt):.0f} "
        f"| {100 * np.mean([verdict != 'tight' for verdict in verdicts]):.0f} "
        f"| {100 * np.mean([verdict == 'leaks too much' for verdict in verdicts]):.0f} "
        f"| {len(found)} of {len(cases)} |",
        flush=True,
    )
    for other in sorted({case for case in cases if isinstance(case, str)}):
        print(f"  {other}", file=sys.stderr)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=300)
    parser.add_argument("--volumes", type=float, nargs="+", default=[0.3, 1.0, 3.0])
    parser.add_argument("--leaks", type=float, nargs="+", default=[0.0, 0.5, 1.0, 4.0, 5.0])
    asked = parser.parse_args()
    print("mbar/min; bias, sd and range: bench alone; the rest with unseen warming drawn beside it")
    print(
        "| pot L | leak | true | bias | sd | range | U | covered % | seen (95 % one-sided) % | reported % "
        "| run ended % | seeds |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    with Pool(os.cpu_count()) as pool:
        for volume_l in asked.volumes:
            for leak in asked.leaks:
                tasks = [(seed, volume_l, leak) for seed in range(1, asked.seeds + 1)]
                print_line(volume_l, leak, pool.map(play_case, tasks, chunksize=5))


if __name__ == "__main__":
    main()
