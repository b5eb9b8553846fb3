"""`leadline run`: the test itself, live on screen, then grades and certificates."""

from __future__ import annotations

import getpass
from pathlib import Path

import typer

from rig.cli.options import (
    AiredOption,
    BenchArgument,
    CellsOption,
    ClearOption,
    InjectOption,
    JsonOption,
    LimitsOption,
    MyHandsOption,
    NoCertificatesOption,
    OperatorOption,
    OutOption,
    ProcedureOption,
    RealTimeOption,
    SeedOption,
    check_writable,
    output_console,
)


def run_test(
    bench: BenchArgument,
    cells: CellsOption,
    procedure: ProcedureOption = "full",
    out: OutOption = Path("records"),
    operator: OperatorOption = None,
    limits: LimitsOption = None,
    inject: InjectOption = None,
    clear: ClearOption = None,
    aired: AiredOption = False,
    seed: SeedOption = None,
    real_time: RealTimeOption = False,
    my_hands: MyHandsOption = False,
    no_certificates: NoCertificatesOption = False,
    as_json: JsonOption = False,
) -> None:
    """Run a procedure on a bench, live on screen, then grade and certify.

    Ctrl-C once vents on the ramp and ends the run; twice makes the rig safe at once: valves are de-energised,
    a controller vents, and on a hand pot the screen says what to do. The record is kept in both cases and
    reads as ungraded. After a run that tripped or did not end, or when limits in the bench file have changed,
    the next start says so and must be cleared.

    Example: leadline run virtual_bench --procedure quick --cells six_cells --out records
    """
    from rig.job.job import Job, check_my_hands, do_job, parse_faults
    from rig.setup.bench import load_bench
    from rig.setup.cells import load_cells
    from rig.setup.procedure import load_procedure
    from rig_configs.files.checked_toml import FileError

    bench_file = load_bench(bench)
    if bench_file.virtual is None and (seed is not None or real_time):
        raise FileError(f"{bench_file.file}: --seed and --real-time are for a virtual bench; leave them out")
    if my_hands:
        check_my_hands(bench_file)
    job = Job(
        bench=bench_file,
        procedure=load_procedure(procedure),
        cells=load_cells(cells, bench_file.sockets),
        limits=limits,
        out=out,
        operator=operator if operator is not None else _login_name(),
        seed=seed,
        real_time=real_time or my_hands,
        my_hands=my_hands,
        clear=tuple(clear or ()),
        aired=aired,
        faults=parse_faults(bench_file, inject or []),
        certificates=not no_certificates,
    )
    check_writable(out)
    raise typer.Exit(do_job(job, output_console(to_stderr=as_json), as_json=as_json))


def _login_name() -> str:
    """Return the name of the login, or an empty text where the system has none."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
