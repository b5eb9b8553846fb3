"""A whole run on a shipped virtual bench with faults, and its grades, beside the bench's truth."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar

from drivers.virtual_spec import FaultSpec, PotTruth, VirtualSession, parse_fault
from grading.judgement.limits import load_limits
from grading.record.format import FileText
from grading.record.reader import read_record
from grading.results import CellInfo, Grading
from rig.archive.regrade import grade_source
from rig.loop.stop import StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import load_bench, open_bench
from rig.setup.bench_file import parse_bench
from rig.setup.cells import load_cells
from rig.setup.procedure import ProcedureFile, load_procedure, parse_procedure
from rig.view import Prompt, Severity, Snapshot
from rig_configs.files.checked_toml import TomlText


@dataclass
class Answering:
    """A person who reads everything and answers every question by `reply`, called with its code."""

    show_every_s: ClassVar[float] = math.inf
    reply: Callable[[str], str | None]
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def update(self, snapshot: Snapshot) -> None:
        pass

    def say(self, text: str, severity: Severity = "info") -> None:
        self.said.append(text)

    def ask(self, prompt: Prompt) -> str | None:
        self.asked.append(prompt.code)
        return self.reply(prompt.code)

    def withdraw(self) -> None:
        pass


@dataclass(frozen=True)
class GradedRun:
    """What a run left, and how it was graded."""

    outcome: RunOutcome
    truth: PotTruth
    grading: Grading
    said: tuple[str, ...]
    record: Path

    @property
    def grades(self) -> dict[str, str]:
        return {cell.info.cell: cell.grade for cell in self.grading.cells}

    @property
    def reasons(self) -> str:
        return " ".join(reason for cell in self.grading.cells for reason in cell.reasons)

    def events(self, *kinds: str) -> list[dict[str, Any]]:
        return [event.data | {"t_s": event.t_s} for event in read_record(self.record).of_kind(*kinds)]


def _nobody(_code: str, _bench: VirtualSession) -> str | None:
    return None


def by_flow(name: str) -> ProcedureFile:
    """A shipped procedure with a flow purge, which takes minutes where swings take half an hour."""
    text = load_procedure(name).text
    assert 'method = "swings"' in text
    return parse_procedure(TomlText(f"{name}_by_flow.toml", text.replace('"swings"', '"flow"')))


def graded_run(
    out: Path,
    *,
    procedure: str | ProcedureFile = "quick",
    cells: int | Sequence[CellInfo] = 6,
    faults: Sequence[str | FaultSpec] = (),
    seed: int = 417,
    reply: Callable[[str, VirtualSession], str | None] = _nobody,
    replaced: tuple[tuple[str, str], ...] = (),
) -> GradedRun:
    """Run on `virtual_bench` without a wire, and grade the record.

    Args:
        cells: so many of the shipped six, or cells of one's own.
        faults: as on the command line, "wrong_gas=0.21@1836".
        reply: answers a question by its code; it may change the bench first.
        replaced: pieces of the bench file to exchange, (old, new).
    """
    file = load_bench("virtual_bench")
    if replaced:
        text = file.text
        for old, new in replaced:
            assert old in text
            text = text.replace(old, new)
        file = parse_bench(TomlText("virtual_bench.toml", text))
    infos = load_cells("six_cells")[:cells] if isinstance(cells, int) else tuple(cells)
    checked = load_procedure(procedure) if isinstance(procedure, str) else procedure
    limits = load_limits("general")
    specs = tuple(parse_fault(fault) if isinstance(fault, str) else fault for fault in faults)
    with open_bench(file, cells=infos, seed=seed, mode="direct", faults=specs) as bench:
        assert bench.virtual is not None
        virtual = bench.virtual
        view = Answering(lambda code: reply(code, virtual))
        request = RunRequest(
            checked,
            infos,
            FileText(limits.name, limits.file, limits.text, limits.version),
            out,
            "A. Tester",
        )
        outcome = run_session(bench, request, view, StopRequest())
        truth = virtual.pot()
    assert outcome.record is not None, outcome.why
    return GradedRun(outcome, truth, grade_source(outcome.record), tuple(view.said), outcome.record)


def drawn(count: int) -> tuple[CellInfo, ...]:
    """Cells for a bench whose drawer is a drawn population."""
    return tuple(CellInfo(f"PB-{number:04d}", socket=number) for number in range(1, count + 1))


def booked(cells: Sequence[CellInfo], **members: Any) -> tuple[CellInfo, ...]:
    """The same cells with other members."""
    return tuple(replace(cell, **members) for cell in cells)
