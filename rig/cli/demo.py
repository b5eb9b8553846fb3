"""`leadline demo`: the whole job on the virtual bench."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer

from rig.cli.options import OutOption, SeedOption, check_writable, output_console

_BENCH: Final = "virtual_bench"
_CELLS: Final = "six_cells"


def demo(
    out: OutOption = Path("demo-records"),
    seed: SeedOption = None,
    procedure: Annotated[
        str, typer.Option("--procedure", "-p", metavar="P", help="Procedure to run: full or quick.")
    ] = "full",
) -> None:
    """Run the whole job on a virtual bench: six invented cells, record, grades, certificates.

    Nothing is connected and no gas flows. The rig uses the same wire protocols and drivers for the virtual
    bench as for a real one, many times faster than real time.

    Example: leadline demo --out /tmp/demo --seed 7
    """
    from rig.job.job import Job, do_job
    from rig.setup.bench import load_bench
    from rig.setup.cells import load_cells
    from rig.setup.procedure import load_procedure

    bench = load_bench(_BENCH)
    job = Job(
        bench=bench,
        procedure=load_procedure(procedure),
        cells=load_cells(_CELLS, bench.sockets),
        limits=None,
        out=out,
        operator="demo",
        purpose="demonstration on the virtual bench",
        seed=seed,
    )
    check_writable(out)
    raise typer.Exit(do_job(job, output_console()))
