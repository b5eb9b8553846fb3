"""Do the 95 % intervals hold? Share of simulated cells whose interval contains the truth.

    python tests/benchmarks/coverage.py [--cells 2000] [--t90-cells 1000] [--seed 417]

Indication error at every step, *linear up to* (where the test finds it, and the bound where it does not), and
T90 of one-pole, membrane and two-mode cells through ramps of 5 to 15 s. Wanted: 93 to 97.5 %.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from population import FAMILIES, NOMINAL, Population, blend, check_mechanism, simulate
from scipy.optimize import brentq

from grading.judgement.quantities import Quantities, measure
from grading.settling.response_time import RECORD_SKEW_S, Change, fit_response
from grading.uncertainty import coverage_factor

LOW, HIGH = 0.93, 0.975


def verdict(inside: float) -> str:
    """Whether a share lies in the wanted band."""
    return "ok" if LOW <= inside <= HIGH else "OUT"


def error_coverage(population: Population, seed: int) -> tuple[Quantities, list[tuple[float, float]]]:
    """Share of intervals of the indication error that contain the truth, by nominal PO2 of rising steps."""
    rng = np.random.default_rng(seed)
    simulated = simulate(population, rng)
    quantities = measure(simulated.measurement, 25.0)
    po2, mv = simulated.true_po2_bar, simulated.true_output_mv
    truth = 100.0 * (mv / mv[:, 1:2] * po2[:, 1:2] / po2 - 1.0)
    first = quantities.columns["indication_error_percent"].start
    found = []
    for step in range(2, 7):
        value = quantities.figures.value[:, first + step]
        u = quantities.expanded_uncertainty[:, first + step]
        found.append((NOMINAL[step - 1], float(np.mean(np.abs(value - truth[:, step]) <= u))))
    return quantities, found


def linear_to_coverage(population: Population, quantities: Quantities) -> dict[str, float]:
    """Share of *linear up to* intervals that contain the truth, and of bounds that lie below it."""
    truth = population.true_linear_to_bar()
    fits = quantities.fits
    value = fits.linear_to_bar
    known = np.isfinite(value)
    half = np.maximum(fits.linear_to_upper_bar - value, value - fits.linear_to_lower_bar)
    bound = np.isfinite(fits.linear_to_at_least_bar)
    # The bound names the nominal PO2 of the top step, which the pot meets within 0.01 bar.
    kept = truth[bound] >= fits.linear_to_at_least_bar[bound] - 0.01
    with np.errstate(invalid="ignore"):
        inside = np.abs(truth - value) <= half
        between = (truth >= fits.linear_to_lower_bar) & (truth <= fits.linear_to_upper_bar)
    return {
        "found": float(known.sum()),
        "value ± U": float(inside[known].mean()) if known.any() else np.nan,
        "interval": float(between[known].mean()) if known.any() else np.nan,
        "bounds": float(bound.sum()),
        "bound kept": float(kept.mean()) if bound.any() else np.nan,
        "median U": float(np.median(half[known])) if known.any() else np.nan,
    }


def _modes(kind: str, t90_s: float, slow: tuple[float, float]) -> list[tuple[float, float]]:
    """Weights and time constants of the exponentials that a unit step response lacks to 1."""
    if kind == "one pole":
        return [(1.0, t90_s / np.log(10.0))]
    if kind == "membrane":
        # Planar diffusion (Carslaw and Jaeger, Conduction of Heat in Solids; from memory): 1 + 2 sum of
        # (-1)^n exp(-n^2 t / tau), whose T90 is tau ln 20 to six digits.
        return [(-2.0 * (-1.0) ** n, t90_s / np.log(20.0) / n**2) for n in range(1, 200)]
    fraction, slow_s = slow
    return [(1.0 - fraction, t90_s / np.log(10.0)), (fraction, slow_s)]


def _step_answer(modes: list[tuple[float, float]], t: float) -> float:
    return 1.0 - sum(weight * np.exp(-t / tau) for weight, tau in modes)


def _ramp_answer(modes: list[tuple[float, float]], t: np.ndarray, ramp_s: float) -> np.ndarray:
    """Exact answer to a ramp from 0 to 1 that begins at t = 0: the step answer, integrated twice shifted."""

    def integral(after: np.ndarray) -> np.ndarray:
        after = np.maximum(after, 0.0)
        return after + sum(weight * tau * np.expm1(-after / tau) for weight, tau in modes)

    return (integral(t) - integral(t - ramp_s)) / ramp_s


def t90_coverage(kind: str, count: int, seed: int) -> tuple[float, float, int]:
    """Share of T90 intervals that contain the truth, mean relative error, and how many gave no T90.

    One rising change of 1.0 to 1.6 bar a cell through a ramp of 5 to 15 s, 5 readings a second, gauge noise
    0.3 mbar, output noise 8 uV, stamps of meter and gauge apart by what the fit assumes (standard deviation).
    """
    rng = np.random.default_rng(seed)
    inside, errors, missing = 0, [], 0
    for _ in range(count):
        modes = _modes(
            kind,
            float(rng.uniform(3.5, 8.0)),
            (float(rng.uniform(0.03, 0.10)), float(rng.uniform(25.0, 60.0))),
        )
        truth = float(brentq(lambda t, m=modes: _step_answer(m, t) - 0.9, 0.5, 200.0))
        ramp_s = float(rng.uniform(5.0, 15.0))
        t = np.arange(0.0, 110.0 + ramp_s, 0.2)
        po2 = 1.0 + 0.6 * np.clip((t - 20.0) / ramp_s, 0.0, 1.0)
        at = t[t > 15.0] + 0.08
        seen = at + RECORD_SKEW_S * rng.standard_normal() - 20.0
        output = 50.0 * (1.0 + 0.6 * _ramp_answer(modes, seen, ramp_s))
        readings = output + 0.008 * rng.standard_normal(len(at))
        change = Change(
            direction="up",
            step=2,
            drive_t_s=t,
            drive_po2_bar=po2 + 0.0003 * rng.standard_normal(len(t)),
            t_s=at,
            output_mv=readings,
            straight_mv=readings,
            begin_s=20.0,
            noise_mv=0.008,
        )
        response = fit_response([change])
        if response.t90_s is None or response.u_t90_s is None:
            missing += 1
            continue
        factor = float(coverage_factor(response.degrees_of_freedom or np.inf))
        inside += abs(response.t90_s - truth) <= factor * response.u_t90_s
        errors.append(response.t90_s / truth - 1.0)
    done = count - missing
    return inside / max(done, 1), float(np.mean(np.abs(errors))) if errors else np.nan, missing


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cells", type=int, default=2000)
    parser.add_argument("--t90-cells", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=417)
    options = parser.parse_args()
    check_mechanism()
    begin = time.perf_counter()
    pooled_errors: list[float] = []
    pooled_linear: list[tuple[float, float]] = []
    pooled_t90: list[float] = []
    for number, family in enumerate(FAMILIES):
        rng = np.random.default_rng(options.seed + number)
        population = (
            family(options.cells, rng, (1.35, 2.6)) if family is blend else family(options.cells, rng)
        )
        quantities, found = error_coverage(population, options.seed + 100 + number)
        steps = ", ".join(f"{nominal:.1f}: {100 * inside:.1f} %" for nominal, inside in found)
        marks = {verdict(inside) for _, inside in found}
        print(f"{population.name}: {options.cells} cells")
        print(f"  indication error  {steps}  {'/'.join(sorted(marks))}")
        linear = linear_to_coverage(population, quantities)
        print(
            f"  linear to         found for {linear['found']:.0f}: value ± U holds "
            f"{100 * linear['value ± U']:.1f} %, the lopsided interval {100 * linear['interval']:.1f} %, "
            f"median U {linear['median U']:.4f} bar  "
            f"{verdict(linear['value ± U'])}\n"
            f"                    bound for {linear['bounds']:.0f}: kept {100 * linear['bound kept']:.2f} %"
        )
        pooled_errors += [inside for _, inside in found]
        pooled_linear.append((linear["found"], linear["value ± U"]))
    for number, kind in enumerate(("one pole", "membrane", "two modes")):
        if options.t90_cells:
            inside, mean, missing = t90_coverage(kind, options.t90_cells, options.seed + 200 + number)
            print(
                f"T90, {kind}: {options.t90_cells} cells, {100 * inside:.1f} % inside, mean error "
                f"{100 * mean:.2f} %, {missing} without T90  {verdict(inside)}"
            )
            pooled_t90.append(inside)
    weights, shares = np.array(pooled_linear).T
    pooled = {
        "indication error": float(np.mean(pooled_errors)),
        "linear to": float(np.nansum(weights * shares) / weights.sum()),
    }
    if pooled_t90:
        pooled["T90"] = float(np.mean(pooled_t90))
    for name, inside in pooled.items():
        print(f"all families together, {name}: {100 * inside:.1f} %  {verdict(inside)}")
    print(f"{time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
