"""Runs on the virtual bench without a wire, by the hundred: what benchmarks of the control share."""

from __future__ import annotations

import contextlib
import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from drivers.virtual_spec import PotTruth
from grading.record.format import FileText, SampleRow
from grading.results import CellInfo
from rig.loop.stop import StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import open_bench
from rig.setup.bench_file import parse_bench
from rig.setup.procedure import parse_procedure
from rig.view import Prompt, Severity, Snapshot
from rig_configs.files.checked_toml import TomlText
from rig_configs.files.shipped_files import open_config

_CELLS = (CellInfo("TB-0417", socket=1),)
_LIMITS = FileText(name="general", file="general.toml", text="")


class Enough(BaseException):
    """The benchmark has seen what it wanted; the rest of the run is skipped."""


class Unattended:
    """No person is there."""

    show_every_s = math.inf

    def update(self, snapshot: Snapshot) -> None:
        """Show nothing."""

    def say(self, text: str, severity: Severity = "info") -> None:
        """Say nothing."""

    def ask(self, prompt: Prompt) -> str | None:
        """Leave every prompt unanswered."""
        del prompt
        return None

    def withdraw(self) -> None:
        """Nothing stands."""


@dataclass
class Trail:
    """What one run recorded, kept in memory; the true pressure beside every row.

    Attributes:
        until: event kind after which the run is left.
    """

    until: str = ""
    rows: list[SampleRow] = field(default_factory=list)
    events: list[tuple[str, float, dict[str, Any]]] = field(default_factory=list)
    truth: list[PotTruth] = field(default_factory=list)
    read_truth: Callable[[], PotTruth] | None = None
    outcome: RunOutcome | None = None

    def sample(self, row: SampleRow) -> None:
        """Keep a row."""
        self.rows.append(row)
        if self.read_truth is not None:
            self.truth.append(self.read_truth())

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        """Keep an event."""
        del utc
        self.events.append((kind, t_s, data))
        if kind == self.until:
            raise Enough

    def end(self, how: str, why: str, utc: datetime) -> None:
        """Nothing follows."""

    def of_kind(self, kind: str) -> list[tuple[float, dict[str, Any]]]:
        """Time and data of every event of one kind."""
        return [(t_s, data) for found, t_s, data in self.events if found == kind]


def bench_text(base: str = "virtual_bench", **changes: object) -> str:
    """Text of a shipped bench with some `key = value` lines changed, each of which must be there once."""
    lines = open_config("benches", base).text.splitlines()
    for key, value in changes.items():
        found = [n for n, line in enumerate(lines) if line.split("=")[0].strip() == key]
        if len(found) != 1:
            raise ValueError(f"{base} has {len(found)} lines '{key} = ...'")
        lines[found[0]] = f"{key} = {value}"
    return "\n".join(lines)


def play(bench: str, procedure: str, seed: int, *, until: str = "", truth: bool = False) -> Trail:
    """Run a procedure on a virtual bench, both given as text, up to an event of the kind `until`."""
    trail = Trail(until)
    file = parse_bench(TomlText("bench.toml", bench))
    with open_bench(file, cells=_CELLS, seed=seed, mode="direct") as opened:
        assert opened.virtual is not None
        if truth:
            trail.read_truth = opened.virtual.pot
        with contextlib.suppress(Enough):
            trail.outcome = run_session(
                opened,
                RunRequest(
                    parse_procedure(TomlText("procedure.toml", procedure)),
                    _CELLS,
                    _LIMITS,
                    Path(tempfile.gettempdir()),
                    "benchmark",
                ),
                Unattended(),
                StopRequest(),
                sink=lambda _header: trail,
            )
    return trail
