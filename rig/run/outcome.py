"""How a run ended, as the command line and the tests see it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from rig.between_runs.memory import How

EXIT_CODES: dict[How, int] = {"completed": 0, "stopped": 1, "tripped": 1, "aborted": 1, "refused": 3}


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run ended.

    Attributes:
        record: folder of the record; None when the run was refused before a record was begun.
        how: "completed" alone can be graded. "refused": a check before any gas failed.
        why: one sentence for the operator.
        code: stable name of the trip or refusal; empty when completed.
    """

    record: Path | None
    how: How
    why: str
    code: str = ""

    @property
    def exit_code(self) -> int:
        """0 done, 1 ended abnormally with the record kept, 3 refused by an interlock or permissive."""
        return EXIT_CODES[self.how]
