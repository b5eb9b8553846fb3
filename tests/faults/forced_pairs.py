"""Forces the pairs of faults that matter most, with every layer of protection and with layers taken away.

python tests/faults/forced_pairs.py --seeds 60 --jobs 2          # prints what each layer adds, measured

Random seeds meet these pairs too seldom: with a restrictor, over-pressure takes a supply valve stuck open and
something else besides. The second fault comes within `GAP_S` of the first, before the rig can have answered.
The regulator stands at the pressure on the pot's plate, as the rules for the bench ask for.
"""

from __future__ import annotations

import argparse
import random
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from fault_bench import MARGIN_BAR, VENTED_BAR, VOLUMES_L, WORKING_PRESSURE_BAR, SeedRun, run_faults

from drivers.virtual_spec import FaultSpec

GAP_S = 3.0
HIGHEST_ALLOWED_BAR = WORKING_PRESSURE_BAR - MARGIN_BAR
PAIRS: tuple[tuple[str, ...], ...] = (
    ("supply_stuck_open", "vent_stuck_shut"),
    ("supply_stuck_open", "killed"),
    ("supply_stuck_open", "rig_suspended"),
    ("supply_stuck_open", "heartbeat_lost"),
    ("supply_stuck_open", "power_loss"),
    ("supply_stuck_open", "valves_link_lost"),
    ("killed",),
    ("valves_link_lost",),
)
REMOVED: tuple[tuple[str, ...], ...] = (
    (),
    ("relief_stuck",),
    ("watchdog_dead",),
    ("pressure_switch_dead",),
    ("relief_stuck", "watchdog_dead", "pressure_switch_dead"),
)
_FROM_S = 10.0
_UNTIL_S = {"flow": 400.0, "swings": 800.0}


@dataclass(frozen=True, slots=True)
class ForcedRun:
    """Result of one forced run, by the bench's truth.

    Attributes:
        left_bar: pressure above the room three minutes after the program's last action.
        alarm_on: an alarm is standing.
        relieved: the relief valve has lifted.
    """

    highest_bar: float
    left_bar: float
    alarm_on: bool
    relieved: bool

    @property
    def under_pressure(self) -> bool:
        """Whether the pot is not vented in the end."""
        return self.left_bar > VENTED_BAR

    @property
    def above_margin(self) -> bool:
        """Whether the pot came nearer to the pressure on its plate than the margin."""
        return self.highest_bar > HIGHEST_ALLOWED_BAR


def force(pair: tuple[str, ...], removed: tuple[str, ...], seed: int) -> ForcedRun:
    """Run the short procedure with a pair, the second fault soon after the first, without some layers."""
    return judge(run_pair(pair, removed, seed))


def run_pair(pair: tuple[str, ...], removed: tuple[str, ...], seed: int) -> SeedRun:
    """The run of `force`; the same seed uses the same moments for any set of layers."""
    draw = random.Random(seed * 6007)
    volume_l, method = draw.choice(VOLUMES_L), draw.choice(("flow", "swings"))
    at_s = draw.uniform(_FROM_S, _UNTIL_S[method])
    faults = [FaultSpec(name, 0.0) for name in removed]
    faults += [FaultSpec(name, at_s + n * draw.uniform(0.0, GAP_S)) for n, name in enumerate(pair)]
    return run_faults(tuple(faults), seed=seed, volume_l=volume_l, method=method)


def judge(run: SeedRun) -> ForcedRun:
    """Return the result of a forced run from the bench's truth."""
    later = run.truth_later
    return ForcedRun(
        highest_bar=later.highest_pressure_bar,
        left_bar=later.pressure_bar - later.room_pressure_bar,
        alarm_on=run.alarmed and run.how != "killed",
        relieved=later.relief_lifts > 0,
    )


def _force(task: tuple[tuple[str, ...], tuple[str, ...], int]) -> ForcedRun:
    return force(*task)


def table(seeds: int, jobs: int) -> Iterable[str]:
    """The measured table, one Markdown line after the other."""
    yield (
        "| faults | layers taken away | runs | not vented | and no alarm | most left, bar above the room "
        f"| above {HIGHEST_ALLOWED_BAR:.1f} bar | relief lifted | highest, bar |"
    )
    yield "|---|---|---:|---:|---:|---:|---:|---:|---:|"
    with ProcessPoolExecutor(jobs) as pool:
        for pair in PAIRS:
            for removed in REMOVED:
                tasks = [(pair, removed, seed) for seed in range(1, seeds + 1)]
                runs = list(pool.map(_force, tasks, chunksize=4))
                figures = (
                    seeds,
                    sum(run.under_pressure for run in runs),
                    sum(run.under_pressure and not run.alarm_on for run in runs),
                    f"{max(run.left_bar for run in runs):.3f}",
                    sum(run.above_margin for run in runs),
                    sum(run.relieved for run in runs),
                    f"{max(run.highest_bar for run in runs):.3f}",
                )
                cells = (" + ".join(pair), ", ".join(removed) or "none", *map(str, figures))
                yield f"| {' | '.join(cells)} |"


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", type=int, default=60, help="runs of each line")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    wanted = parser.parse_args()
    for line in table(wanted.seeds, wanted.jobs):
        print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
