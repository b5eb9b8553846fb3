"""The parts of a run: what each is, how long it usually takes, and the function that does it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from rig.setup.plan import PlannedPart


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a run, from the plan, bound to its function."""

    planned: PlannedPart
    do: Callable[[], None]
