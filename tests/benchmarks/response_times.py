"""How well T90 is found from ramps: bias, scatter, stated uncertainty and coverage, by kind of cell and ramp.

    python tests/benchmarks/response_times.py [--cells 40]

Cells, ramps, noise and skew are drawn afresh for every run: 5 Hz, gauge noise 0.5 mbar, output noise 10 uV.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import time
from pathlib import Path

import numpy as np

from grading.settling.lag import poles_t90_s
from grading.settling.response_time import fit_response

GRADING = Path(__file__).resolve().parent.parent / "grading"
KINDS = ("one pole", "membrane", "two modes")


def _module(name):
    spec = importlib.util.spec_from_file_location(name, GRADING / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def draw(rng, kind, membrane):
    """Poles and weights of one cell of a kind."""
    if kind == "one pole":
        return (rng.uniform(1.5, 5.0),), (1.0,)
    if kind == "membrane":
        return membrane(rng.uniform(1.2, 5.0))
    share = rng.uniform(0.03, 0.10)
    return (rng.uniform(1.5, 3.5), rng.uniform(25.0, 60.0)), (1.0 - share, share)


def row(name, kind, cells, levels, ramp_s, hold_s, skew_s):
    """One line of the table."""
    tests = _module("test_settling")
    errors, uncertain, inside, refused, seconds = [], [], 0, 0, 0.0
    for seed in range(cells):
        rng = np.random.default_rng([seed, KINDS.index(kind)])
        lag = draw(rng, kind, tests.membrane)
        changes = tests.changes(
            lag, levels, seed, skew_s=skew_s, ramp_s=ramp_s, hold_s=hold_s, gauge_noise_bar=0.0005
        )
        begun = time.process_time()
        response = fit_response(changes)
        seconds += time.process_time() - begun
        if response.t90_s is None:
            refused += 1
            continue
        truth = poles_t90_s(np.array(lag[0]), np.array(lag[1]))
        errors.append(response.t90_s / truth - 1.0)
        uncertain.append(response.u_t90_s / truth)
        inside += abs(response.t90_s - truth) <= 2.0 * response.u_t90_s
    error = 100.0 * np.array(errors)
    print(
        f"| {name} | {kind} | {np.mean(error):+.2f} | {np.std(error):.2f} | {np.max(np.abs(error)):.2f} "
        f"| {100.0 * np.mean(uncertain):.2f} | {100.0 * inside / len(errors):.0f} | {refused} "
        f"| {1e3 * seconds / cells:.0f} |",
        flush=True,
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cells", type=int, default=40)
    cells = parser.parse_args().cells
    print("| ramps | cell | bias % | sd % | worst % | u stated % | inside 2 u % | not found | ms a fit |")
    print("|---|---|---|---|---|---|---|---|---|")
    for kind in KINDS:
        for ramp_s in (5.0, 10.0, 15.0):
            row(f"0.6 bar in {ramp_s:.0f} s", kind, cells, (1.0, 1.6), ramp_s, 120.0, 0.0)
        row("0.6 bar in 10 s, stamps 0.2 s apart", kind, cells, (1.0, 1.6), 10.0, 120.0, 0.2)
        rig = tuple(1.01 + 0.2 * k for k in range(6))
        row("five of 0.2 bar in 24 s", kind, cells, rig, 24.0, 55.0, 0.0)


if __name__ == "__main__":
    main()
