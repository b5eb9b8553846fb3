"""What the cells can witness: pressure left in a pot that should be vented, and gauges that read low alike.

    python tests/benchmarks/cell_witness.py [--runs 20000] [--seed 417]

Invented cells, apart from those of the virtual bench: two lags in series (T90 4 to 8 s, one in ten to 40 s),
a zero output, drift of 0.03 % a minute (one standard deviation, either way), a hysteresis of up to 0.3 % that
dies away after each step down, noise of 0.01 %; one cell in eight has a soft ceiling, one in fifteen drops
while held and recovers. Every run goes in steps to PO2 2.0 and back to 1.0 (or ends at 1.6 as `quick` does),
holds there, vents on the ramp and stops at `left` above ambient. The rig's own witness judges the outputs.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.safety.cell_witness import READ_HIGH_PART, cells_read_high, threshold_bar

Floats = NDArray[np.float64]

_AMBIENT_BAR = 1.013
_HOLD_S = 45
_RAMP_BAR_PER_S = 0.5 / 60.0
_FULL_BAR = (1.03, 1.2, 1.4, 1.6, 1.8, 2.0, 1.8, 1.6, 1.4, 1.2, 1.03)
_QUICK_BAR = (1.03, 1.3, 1.6)
_LEFT_BAR = (0.0, 0.005, 0.010, 0.015, 0.020, 0.030, 0.040, 0.060)
_AGES_S = (60, 300, 1200)
_QUICK_AGES_S = (180, 300, 1200)
"""At 1.6 bar the ramp alone takes over a minute."""
_SETTLED_PART = 1e-3
_CELLS = (2, 3, 4, 6, 8)
_NEAR_AMBIENT_BAR = 1.2


@dataclass
class Cells:
    """Shape (runs, cells) each."""

    mv_per_bar: Floats
    zero_mv: Floats
    tau_s: Floats
    drift_per_s: Floats
    ceiling: Floats
    hysteresis: Floats
    hysteresis_s: Floats
    fade: Floats


def drawn(runs: int, cells: int, draw: np.random.Generator) -> Cells:
    """Draw cells of mixed health."""
    shape = (runs, cells)
    slow = draw.random(shape) < 0.1
    return Cells(
        draw.uniform(40.0, 56.0, shape),
        draw.uniform(0.0, 0.12, shape),
        np.where(slow, draw.uniform(4.0, 10.5, shape), draw.uniform(1.0, 2.1, shape)),
        draw.normal(0.0, 0.0003 / 60.0, shape),
        np.where(draw.random(shape) < 0.125, draw.uniform(0.02, 0.15, shape), 0.0),
        draw.uniform(0.0, 0.003, shape),
        draw.uniform(30.0, 200.0, shape),
        np.where(draw.random(shape) < 1.0 / 15.0, draw.uniform(0.01, 0.08, shape), 0.0),
    )


class Bench:
    """Runs all pots at once; the pressure is the same in all of them."""

    def __init__(self, cells: Cells, draw: np.random.Generator) -> None:
        self._cells, self._draw = cells, draw
        self.t_s = 0
        shape = cells.tau_s.shape
        self._first = np.full(shape, 0.21)
        self._second = np.full(shape, 0.21)
        self._after_high = np.zeros(shape)
        self._faded = np.zeros(shape)

    def step(self, po2_bar: float) -> None:
        """Pass one second at a PO2."""
        cells = self._cells
        take = -np.expm1(-1.0 / cells.tau_s)
        self._first += take * (po2_bar - self._first)
        self._second += take * (self._first - self._second)
        high = max(0.0, po2_bar - 1.0)
        self._after_high += -np.expm1(-1.0 / cells.hysteresis_s) * (high - self._after_high)
        self._faded += -np.expm1(-1.0 / 60.0) * (high * cells.fade - self._faded)
        self.t_s += 1

    @property
    def settled(self) -> NDArray[np.bool_]:
        """Which cells settle within a hold; the rig takes no reference from the others."""
        x = _HOLD_S / self._cells.tau_s
        left: NDArray[np.bool_] = 0.2 * (1.0 + x) * np.exp(-x) < _SETTLED_PART
        return left

    def output_mv(self) -> Floats:
        """Outputs now, shape (runs, cells)."""
        cells, po2 = self._cells, self._second
        bend = 1.0 - cells.ceiling * np.maximum(0.0, po2 - 1.1)
        # The tail after a high PO2 reads high at a lower one.
        tail = 1.0 + cells.hysteresis * (self._after_high - np.maximum(0.0, po2 - 1.0))
        drift = 1.0 + cells.drift_per_s * self.t_s
        noise = 1.0 + 1e-4 * self._draw.standard_normal(po2.shape)
        return cells.mv_per_bar * po2 * bend * tail * drift * (1.0 - self._faded) * noise + cells.zero_mv


@dataclass
class Reference:
    """The greatest output per bar of any hold that counts, as the rig keeps it."""

    mv_per_bar: Floats | None = None
    t_s: int = 0

    def renew(self, bench: Bench, pressure_bar: float) -> None:
        """Take a hold's outputs."""
        now = bench.output_mv() / pressure_bar
        keep = self.mv_per_bar is not None and pressure_bar >= _NEAR_AMBIENT_BAR
        self.mv_per_bar = np.maximum(now, self.mv_per_bar) if keep else now
        self.t_s = bench.t_s


def go(bench: Bench, from_bar: float, to_bar: float) -> None:
    """Ramp."""
    seconds = max(1, round(abs(to_bar - from_bar) / _RAMP_BAR_PER_S))
    for second in range(1, seconds + 1):
        bench.step(from_bar + (to_bar - from_bar) * second / seconds)


def holds(
    bench: Bench, steps: tuple[float, ...], gain_from: int | None, gain: float
) -> tuple[Reference, Floats]:
    """Take the steps; returns the last reference, and of each hold outputs per bar that the gauges read."""
    reference, pressure_bar, seen = Reference(), 1.05, []
    for number, target_bar in enumerate(steps):
        true_bar = target_bar / (1.0 + gain if gain_from is not None and number >= gain_from else 1.0)
        go(bench, pressure_bar, true_bar)
        for _ in range(_HOLD_S):
            bench.step(true_bar)
        reference.renew(bench, target_bar)
        seen.append(bench.output_mv() / target_bar)
        pressure_bar = true_bar
    go(bench, pressure_bar, _AMBIENT_BAR + 0.05)
    return reference, np.array(seen)


def second_highest(values: Floats) -> Floats:
    """Of each run, over its cells."""
    return np.sort(values, axis=1)[:, -2]


def left_in_the_pot(
    runs: int, seed: int, steps: tuple[float, ...], ages_s: tuple[int, ...], name: str
) -> None:
    """Print how often pressure left in the pot is seen."""
    print(f"\n{name}: pressure left, seen in % of {runs} runs (first column: false alarms)")
    print("cells  age     limit   " + "".join(f"{1000 * left:+6.0f}" for left in _LEFT_BAR) + "  mbar")
    for count in _CELLS:
        for age_s in ages_s:
            seen = []
            for left_bar in _LEFT_BAR:
                draw = np.random.default_rng(seed)
                bench = Bench(drawn(runs, count, draw), draw)
                reference, _ = holds(bench, steps, None, 0.0)
                while bench.t_s < reference.t_s + age_s:
                    bench.step(_AMBIENT_BAR + left_bar)
                assert reference.mv_per_bar is not None
                over = second_highest(bench.output_mv() / reference.mv_per_bar) - _AMBIENT_BAR
                seen.append(100.0 * np.mean(over > threshold_bar(bench.t_s - reference.t_s, count)))
            limit_mbar = 1000.0 * threshold_bar(age_s, count)
            print(f"{count:5}  {age_s:4} s {limit_mbar:6.1f}   " + "".join(f"{part:6.2f}" for part in seen))


def gauges_read_low(runs: int, seed: int) -> None:
    """Print how often gauges that read low alike from the fifth hold on are seen, and how often falsely."""
    print(
        f"\ngauges read low alike from PO2 1.8 on: seen in % of {runs} runs of `full`, limit from "
        f"{100 * READ_HIGH_PART:.1f} %"
    )
    gains = (0.0, -0.01, -0.015, -0.018, -0.02, -0.03)
    print("cells   " + "".join(f"{100 * gain:8.1f}" for gain in gains) + "  %")
    for count in _CELLS:
        found = []
        for gain in gains:
            draw = np.random.default_rng(seed)
            bench = Bench(drawn(runs, count, draw), draw)
            _, seen = holds(bench, _FULL_BAR, 4, gain)
            settled = bench.settled
            tripped = np.zeros(runs, dtype=bool)
            for number in range(1, len(seen)):
                minutes = number * (_HOLD_S + 24) / 60.0
                for run in np.flatnonzero(~tripped):
                    tripped[run] = (
                        cells_read_high(
                            {cell: seen[0, run, cell] for cell in np.flatnonzero(settled[run])},
                            dict(enumerate(seen[number, run])),
                            minutes=minutes,
                            gas_doubt_part=0.0,
                        )
                        is not None
                    )
            found.append(100.0 * np.mean(tripped))
        print(f"{count:5}   " + "".join(f"{part:8.2f}" for part in found))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=417)
    wanted = parser.parse_args()
    left_in_the_pot(wanted.runs, wanted.seed, _FULL_BAR, _AGES_S, "full, back to PO2 1.0")
    left_in_the_pot(wanted.runs, wanted.seed, _QUICK_BAR, _QUICK_AGES_S, "ends at PO2 1.6")
    gauges_read_low(wanted.runs // 4, wanted.seed)


if __name__ == "__main__":
    main()
