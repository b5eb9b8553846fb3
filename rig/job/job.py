"""The whole job of one pot of cells: open the bench, run, grade, certify, report."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from drivers.virtual_spec import CellTruth, FaultSpec, VirtualSession, parse_fault
from grading.measurement import SourceError
from grading.record.format import FileText
from grading.results import CellInfo
from rig.archive.finish import FinishFailed, finish_record
from rig.run.outcome import RunOutcome
from rig.setup.bench import BenchFile, BenchNotReady, OpenBench, open_bench
from rig.setup.bench_file import pressure_limits
from rig.setup.procedure import ProcedureFile
from rig.view import Prompt, View
from rig_configs.files.checked_toml import FileError

if TYPE_CHECKING:
    from rich.console import Console

    from grading.results import Grading


@dataclass(frozen=True, slots=True)
class Job:
    """What is asked for.

    Attributes:
        limits: name or path of the limits file; None is `general`.
        out: folder that the record's folder is made in.
        seed, real_time, faults: of a virtual bench.
        my_hands: the person at the keyboard turns the valves of a virtual hand pot, not a simulated one.
        certificates: whether to print papers after grading.
        clear: codes of what the last run on the rig left.
        aired: whether the pot was aired just before.
    """

    bench: BenchFile
    procedure: ProcedureFile
    cells: tuple[CellInfo, ...]
    limits: str | None
    out: Path
    operator: str
    purpose: str = ""
    seed: int | None = None
    real_time: bool = False
    faults: tuple[FaultSpec, ...] = ()
    my_hands: bool = False
    certificates: bool = True
    clear: tuple[str, ...] = ()
    aired: bool = False


def check_my_hands(bench: BenchFile) -> None:
    """Check that there are simulated hand valves, and keys to turn them.

    Raises:
        FileError: there are none.
    """
    from rig.terminal.keyboard import can_read_keys

    if bench.virtual is None or not bench.has_hand_valves:
        raise FileError(f"{bench.file}: --my-hands is for a virtual hand pot; take virtual_hand_pot")
    if not can_read_keys():
        raise FileError("--my-hands needs a terminal whose keys can be read; leave it out")


def parse_faults(bench: BenchFile, texts: Sequence[str]) -> tuple[FaultSpec, ...]:
    """Parse faults as typed on a command line.

    Raises:
        FileError: on a bench of hardware.
        VirtualBenchError: when a text is not a fault.
    """
    if texts and bench.virtual is None:
        raise FileError(f"{bench.file}: faults can be injected into a virtual bench only; leave --inject out")
    return tuple(parse_fault(text) for text in texts)


def do_job(job: Job, console: Console, *, as_json: bool = False) -> int:
    """Do a job from start to end and return its exit code.

    Args:
        job: what is asked for, its files already checked.
        console: for the operator.
        as_json: also print the grading as JSON on stdout.

    Raises:
        FileError: when bench, procedure and cells do not fit together; nothing has been started.
        BenchNotReady: when an instrument does not answer, or a check before any gas fails.
        FinishFailed: when the record was written and could not be graded.
    """
    from grading.judgement.limits import load_limits
    from rig.terminal.live import TerminalView

    limits = load_limits(job.limits) if job.limits is not None else load_limits()
    frozen = FileText(limits.name, limits.file, limits.text, limits.version)
    pressure_limits(job.bench, job.procedure)
    begun_s = time.monotonic()
    with TerminalView(console, title=_title(job), virtual=job.bench.virtual is not None) as view:
        ran = _run(job, frozen, view)
    outcome = ran.outcome
    if outcome.record is None:
        raise BenchNotReady(outcome.why)
    grading, papers, failed = _finish(job, outcome, console)
    if as_json and grading is not None:
        from grading.document import public_json
        from rig.terminal.json_text import print_json

        print_json(public_json(grading))
    if ran.truth and grading is not None and outcome.how == "completed":
        from rig.terminal.grades import truth_table

        console.print(truth_table(grading, ran.truth))
    if outcome.how != "completed":
        console.print(f"\n{_end_text(outcome, grading)}", style="bold")
    _report_end(console, outcome, papers, ran.rig_s, time.monotonic() - begun_s)
    if failed:
        raise FinishFailed(failed)
    return outcome.exit_code


def _title(job: Job) -> str:
    return f"{job.bench.name} · {job.procedure.name} {job.procedure.version}"


@dataclass(frozen=True, slots=True)
class _Ran:
    """What a session leaves: its outcome, its length in rig time, and what a virtual bench's cells are."""

    outcome: RunOutcome
    rig_s: float
    truth: Mapping[str, CellTruth]


def _run(job: Job, limits: FileText, view: View) -> _Ran:
    """Check the open bench once more and run the session on it."""
    from rig.loop.guarded_view import guarded
    from rig.loop.stop import StopRequest
    from rig.run.request import RunRequest
    from rig.run.session import run_session

    stop = StopRequest()
    # The session guards its own view and reports how it failed; a failure before it must not end the program.
    screen = guarded(view)
    with (
        stop.on_signals(),
        open_bench(
            job.bench,
            cells=job.cells,
            seed=job.seed,
            mode="real_time" if job.real_time else None,
            faults=job.faults,
            ask=lambda text: screen.ask(Prompt("typed reading", text)),
        ) as bench,
        ExitStack() as leave,
    ):
        truth = bench.virtual.truth if bench.virtual is not None else {}
        _report_start(screen, job)
        begun_s = bench.clock.monotonic_s()
        at_the_pot: View = view
        if bench.virtual is not None and job.bench.has_hand_valves:
            at_the_pot = _hands(job, bench.virtual, view, leave)
        request = RunRequest(
            job.procedure,
            job.cells,
            limits,
            job.out,
            job.operator,
            job.purpose,
            _cleared(job),
            job.aired,
        )
        outcome = run_session(bench, request, at_the_pot, stop, checks=lambda: _check(bench, job.out, screen))
        return _Ran(outcome, bench.clock.monotonic_s() - begun_s, truth)


def _cleared(job: Job) -> tuple[str, ...] | None:
    """Return the codes given, or None where the last run does not matter.

    A virtual bench asks only where a person operates it as a real one, and never when a seed is given.
    """
    practised = job.bench.has_hand_valves or job.real_time
    if job.bench.virtual is None or job.clear or (practised and job.seed is None):
        return job.clear
    return None


def _hands(job: Job, virtual: VirtualSession, view: View, leave: ExitStack) -> View:
    """Return the view of the person who turns the valves of a virtual hand pot."""
    if job.my_hands:
        from rig.terminal.valve_keys import KeyHands

        tag = virtual.clock.utc().date() + timedelta(days=200)
        signs = (
            f"The plate of the pot says {job.bench.limits.working_pressure_bar:g} bara.",
            f"The tag on the relief valve says {tag.isoformat()}.",
        )
        return leave.enter_context(
            KeyHands(view, virtual.turn, virtual.pot, signs, lambda off: virtual.lid(off=off))
        )
    from rig.job.simulated_person import person_at

    return person_at(virtual, view, job.bench, job.out)


def _check(bench: OpenBench, out: Path, view: View) -> str:
    """Make the standing checks and report them; return the first that fails, for the session to report."""
    from rig.run.preflight import standing_checks

    report = standing_checks(bench, out)
    for check in report.cautions:
        todo = f"; {check.to_do}" if check.to_do else ""
        view.say(f"{check.what}: {check.found}{todo}", "caution")
    failed = [f"{check.what}: {check.found}; {check.to_do}" for check in report.failures]
    for failure in failed[1:]:
        view.say(failure, "alarm")
    return failed[0] if failed else ""


def _report_start(view: View, job: Job) -> None:
    from grading.cautions import START_OF_RUN

    if job.bench.virtual is not None:
        view.say("Virtual bench: no gas flows, and the results say nothing about a real cell.")
        return
    for line in START_OF_RUN:
        view.say(line, "caution")


def _finish(job: Job, outcome: RunOutcome, console: Console) -> tuple[Grading | None, tuple[Path, ...], str]:
    """Grade and certify a record and show the grades.

    Returns:
        The grading and the papers, or why they could not be made; the record is kept as it is either way.
    """
    from rig.terminal.grades import show_summary

    assert outcome.record is not None
    wanted = job.certificates and outcome.how == "completed"
    try:
        with console.status("Grading" + (" and printing certificates" if wanted else "")):
            done = finish_record(outcome.record, certificates=wanted)
    except (FileError, SourceError, FinishFailed) as error:
        return None, (), str(error)
    except KeyboardInterrupt:
        return None, (), f"{outcome.record}: grading was stopped by the keyboard; the record is kept as it is"
    show_summary(console, done.grading)
    for warning in done.warnings:
        console.print(warning, style="yellow")
    return done.grading, done.papers, ""


def _end_text(outcome: RunOutcome, grading: Grading | None) -> str:
    """How a run ended; why, unless the reasons of the cells have just said so in full."""
    if grading is not None and any(outcome.why in line for cell in grading.cells for line in cell.reasons):
        return f"Run {outcome.how}: {outcome.code or outcome.how}; the cells above say why."
    return f"Run {outcome.how}: {outcome.why}"


def _report_end(
    console: Console, outcome: RunOutcome, papers: tuple[Path, ...], rig_s: float, real_s: float
) -> None:
    if outcome.how == "completed":
        console.print()
    console.print(f"Record        {outcome.record}", soft_wrap=True)
    others = {"summary.pdf": "Summary", "labels.pdf": "Labels"}
    certificates = [path for path in papers if path.name not in others]
    if certificates:
        console.print(f"Certificates  {certificates[0].parent} ({len(certificates)} files)", soft_wrap=True)
    for path in papers:
        if path.name in others:
            console.print(f"{others[path.name]:<14}{path}", soft_wrap=True)
    if rig_s > 2.0 * real_s:
        console.print(
            f"Time          {rig_s / 60:.0f} min of rig time in {real_s:.0f} s, "
            f"{rig_s / real_s:.0f} times as fast",
            soft_wrap=True,
        )
