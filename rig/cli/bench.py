"""`leadline bench`: the shipped benches, and the virtual one as a separate process."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Annotated

import typer

from rig.cli.options import (
    InjectOption,
    JsonOption,
    SeedOption,
    check_file_writable,
    output_console,
    written_path,
)
from rig.terminal.json_text import print_json

app = typer.Typer(no_args_is_help=True)

VirtualBenchArgument = Annotated[
    str, typer.Argument(metavar="BENCH", help="Name or path of a bench file with a \\[virtual] table.")
]
CellsName = Annotated[
    str, typer.Option("--cells", "-c", metavar="CELLS", help="Cells file: which invented cell is where.")
]
_SpeedOption = Annotated[
    float,
    typer.Option(
        "--speed",
        min=0.1,
        max=100.0,
        help="Bench seconds per second. Above 4 the heartbeat of a rig on the real clock is too late for "
        "the valves' watchdog.",
    ),
]
_WriteOption = Annotated[
    Path | None,
    typer.Option(
        "--write", metavar="FILE", parser=written_path, help="Write a bench file with the addresses served."
    ),
]


@app.callback()
def _bench() -> None:
    """Shipped benches, and the virtual bench.

    Example: leadline bench list
    """


@app.command("list")
def list_benches(as_json: JsonOption = False) -> None:
    """List the shipped benches, procedures, cells and limits files, and the drivers.

    Example: leadline bench list
    """
    from rig.setup.shipped import shipped
    from rig.terminal.tables import shipped_table

    found = shipped()
    if as_json:
        print_json(found)
    else:
        output_console().print(shipped_table(found))


@app.command("serve")
def serve(
    bench: VirtualBenchArgument = "virtual_bench",
    cells: CellsName = "six_cells",
    seed: SeedOption = None,
    speed: _SpeedOption = 1.0,
    inject: InjectOption = None,
    serial: Annotated[
        bool, typer.Option("--serial", help="Serve every instrument on a serial line (a pty) as well.")
    ] = False,
    write: _WriteOption = None,
) -> None:
    """Serve the virtual bench in this process until Ctrl-C, for practice or to develop a driver against.

    It listens on this computer only. With the file of --write, a second terminal runs against it as against a
    real bench. Lines typed here are the hands of a person: "lid off", "lid on", and "supply 0.2" or "vent 1"
    at a hand pot.

    Example: leadline bench serve --write served.toml
    """
    from rig.job.job import parse_faults
    from rig.setup.bench import load_bench, virtual_spec
    from rig.setup.cells import load_cells
    from rig.setup.served import write_served

    if write is not None:
        check_file_writable(write)
    bench_file = load_bench(bench)
    spec = virtual_spec(
        bench_file,
        cells=load_cells(cells, bench_file.sockets),
        seed=seed,
        mode="real_time",
        speed=speed,
        faults=parse_faults(bench_file, inject or []),
        serial_lines=serial,
    )
    from drivers.catalogue import serve_virtual

    console = output_console()

    def say(line: str) -> None:
        console.print(line, soft_wrap=True)

    def write_file(addresses: Mapping[str, str]) -> None:
        if write is not None:
            write_served(bench_file, write, addresses)
            say(f"bench file: {write}")

    serve_virtual(spec, say, write_file)


@app.command("describe")
def describe(bench: VirtualBenchArgument = "virtual_bench") -> None:
    """Print the registers and commands that the virtual bench answers to.

    Example: leadline bench describe virtual_bench
    """
    from rig.setup.bench import load_bench, virtual_spec

    spec = virtual_spec(load_bench(bench))
    from drivers.catalogue import describe_virtual

    print(describe_virtual(spec))


@app.command("faults")
def faults(as_json: JsonOption = False) -> None:
    """List the faults of the virtual bench for --inject FAULT@SECONDS.

    Example: leadline bench faults
    """
    from drivers.catalogue import virtual_faults

    kinds = virtual_faults()
    if as_json:
        from dataclasses import asdict

        print_json([asdict(kind) for kind in kinds])
        return
    from rig.terminal.tables import faults_table

    output_console().print(faults_table(kinds))
