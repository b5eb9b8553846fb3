"""Whether the pressures of a procedure leave room below the filling stop."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from rig.setup.bench_file import BenchFile
from rig.setup.procedure import ProcedureFile
from rig_configs.files.checked_toml import FileError

LEAST_ROOM_BAR: Final = 0.020
"""The second gauge may read 15 mbar more than the first, and a shot adds up to 3.5 mbar. With less room the
last shots of a ramp are refused, and later those that make good what the cooling gas loses."""


def check_room(
    bench: BenchFile, procedure: ProcedureFile, stop_bar: float, targets_bar: Sequence[float]
) -> None:
    """Check that every step, and every swing of the purge, ends far enough below the filling stop.

    Args:
        bench: a checked bench file.
        procedure: a checked procedure.
        stop_bar: where filling stops, absolute bar.
        targets_bar: where each step should be held, absolute bar.

    Raises:
        FileError: for every pressure that comes too close.
    """
    wanted: list[tuple[tuple[str | int, ...], float, float]] = [
        (("steps", number, "po2_bar"), step.po2_bar, to_bar)
        for number, (step, to_bar) in enumerate(zip(procedure.steps, targets_bar, strict=True))
    ]
    if procedure.purge.method == "swings":
        swing_bar = procedure.purge.high_bar
        wanted.append((("purge", "high_bar"), swing_bar, swing_bar))
    highest_bar = stop_bar - LEAST_ROOM_BAR
    stop = f"stop_pressure_bar {stop_bar:g} bar of {bench.source.where(('limits', 'stop_pressure_bar'))}"
    problems = [
        procedure.source.problem(
            path,
            f"goes to {to_bar:.3f} bar absolute, less than {1000 * LEAST_ROOM_BAR:.0f} mbar below {stop}: "
            "the last of the gas would be refused; write at most "
            f"{int(100.0 * written * highest_bar / to_bar) / 100.0:g}",
        )
        for path, written, to_bar in wanted
        if to_bar > highest_bar
    ]
    if problems:
        raise FileError(*problems)
