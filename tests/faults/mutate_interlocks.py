"""Breaks the interlocks and permissives one small way at a time and checks whether a test notices.

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
)


def main() -> int:
    return run(_TARGETS, jobs=2, equivalent=Path(__file__).with_name("equivalent_mutants.txt"))


if __name__ == "__main__":
    sys.exit(main())
