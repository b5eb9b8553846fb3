"""What a check of a bench found: one line of the preflight's table, and all of them."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal

Verdict = Literal["ok", "caution", "fail", "not checked"]


@dataclass(frozen=True, slots=True)
class Check:
    """One line of the table.

    Attributes:
        what: what was checked.
        verdict: "fail" alone keeps a run from starting.
        found: what was found.
        to_do: what to do about it; empty when nothing.
    """

    what: str
    verdict: Verdict
    found: str
    to_do: str = ""


@dataclass(frozen=True, slots=True)
class PreflightReport:
    """Every check of one bench."""

    bench: str
    file: str
    checks: tuple[Check, ...]

    @property
    def ready(self) -> bool:
        """Whether nothing failed."""
        return not self.failures

    @property
    def failures(self) -> tuple[Check, ...]:
        """The checks that keep a run from starting."""
        return tuple(check for check in self.checks if check.verdict == "fail")

    @property
    def cautions(self) -> tuple[Check, ...]:
        """The checks that are reported and do not keep a run from starting."""
        return tuple(check for check in self.checks if check.verdict == "caution")

    def as_dict(self) -> dict[str, Any]:
        """Return the report as JSON data."""
        return {
            "schema": "leadline.preflight/1",
            "bench": self.bench,
            "file": self.file,
            "ready": self.ready,
            "checks": [asdict(check) for check in self.checks],
        }
