"""Breaks interlocks, permissives, gate and the judgement of a vented pot one small way at a time.

    python tests/faults/mutate_interlocks.py

Survivors that change nothing are listed in `equivalent_mutants.txt`; any other is named and is not right.
The rows of the interlock table are for people and documents, and left alone.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "mutation"))

from runner import Target, run

_TARGETS = (
    Target(
        "rig/safety/interlocks.py",
        ("tests/rig/test_interlocks.py", "tests/rig/test_voltmeter_interlock.py"),
        frozenset({"INTERLOCKS"}),
    ),
    Target("rig/safety/permissives.py", ("tests/rig/test_permissives.py",)),
    Target("rig/safety/after_drop.py", ("tests/rig/test_after_drop.py",)),
    Target("rig/safety/rise.py", ("tests/rig/test_after_drop.py",)),
    Target("rig/pressure/gate.py", ("tests/rig/test_gate.py",), frozenset({"SHORTEST_SHOT_MS"})),
    Target("rig/pressure/valve_link.py", ("tests/rig/test_gate.py",)),
    Target("rig/pressure/block_owner.py", ("tests/rig/test_gate.py",)),
    Target("rig/safety/vented.py", ("tests/rig/test_judging_vented.py",)),
    Target("rig/safety/cell_witness.py", ("tests/rig/test_witness_cells.py",)),
    Target("rig/safety/falling_cells.py", ("tests/rig/test_falling_cells.py",)),
)


def main() -> int:
    return run(_TARGETS, jobs=2, equivalent=Path(__file__).with_name("equivalent_mutants.txt"))


if __name__ == "__main__":
    sys.exit(main())
