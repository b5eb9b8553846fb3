"""`leadline plan`: what a procedure will do on a bench, before any gas."""

from __future__ import annotations

from typing import Annotated

import typer

from rig.cli.options import BenchOption, JsonOption, output_console
from rig.terminal.json_text import print_json


def plan(
    procedure: Annotated[
        str, typer.Argument(metavar="PROCEDURE", help="Name of a shipped procedure, or path of a file.")
    ],
    bench: BenchOption,
    as_json: JsonOption = False,
) -> None:
    """Show the steps, the time, the gas and how near each limit comes; nothing is connected.

    Example: leadline plan full --bench virtual_bench
    """
    from rig.setup.bench import load_bench
    from rig.setup.plan import make_plan
    from rig.setup.procedure import load_procedure
    from rig.terminal.tables import plan_table

    made = make_plan(load_bench(bench), load_procedure(procedure))
    if as_json:
        print_json(made.as_dict())
    else:
        output_console().print(plan_table(made))
