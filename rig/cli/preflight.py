"""`leadline preflight`: checks that a bench agrees with its file and can run."""

from __future__ import annotations

from pathlib import Path

import typer

from rig.cli.options import DONE, REFUSED, BenchArgument, JsonOption, OutOption, output_console
from rig.terminal.json_text import print_json


def preflight(bench: BenchArgument, out: OutOption = Path("records"), as_json: JsonOption = False) -> None:
    """Check a bench before any gas: identities, units, vented zero, agreement, noise, clock, disk, dates.

    Prints what passed, what failed and why, and what to do. No valve is moved.

    Example: leadline preflight virtual_bench
    """
    from rig.run.preflight import run_preflight
    from rig.setup.bench import load_bench
    from rig.terminal.tables import preflight_table

    report = run_preflight(load_bench(bench), out)
    if as_json:
        print_json(report.as_dict())
    else:
        output_console().print(preflight_table(report))
    raise typer.Exit(DONE if report.ready else REFUSED)
