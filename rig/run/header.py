"""What a record says about a run before anything is measured: operator, instruments, cells, procedure."""

from __future__ import annotations

from typing import Final

from drivers.system_clock import SystemClock
from grading.record.format import FileText, RunHeader
from rig.run.request import RunRequest
from rig.setup.bench import OpenBench, error_model, instrument_lines

_CLOCK_NOTES: Final = {
    "system": "the computer's monotonic clock",
    "lockstep": "bench time of the virtual bench, moved by the rig",
    "direct": "bench time of the virtual bench, moved by the rig, without a wire",
}


def run_header(bench: OpenBench, request: RunRequest, *, typed_pressure: bool) -> RunHeader:
    """Return the header of a run's record.

    Args:
        bench: open, so that its instruments' identities are known.
        request: of the run.
        typed_pressure: whether a person reads the gauge.
    """
    file, procedure, clock = bench.file, request.procedure, _clock_name(bench)
    return RunHeader(
        operator=request.operator,
        place=file.place,
        purpose=request.purpose,
        clock=clock,
        clock_note=_CLOCK_NOTES[clock],
        bench=FileText(name=file.name, file=file.file, text=file.text),
        procedure=FileText(
            name=procedure.name, file=procedure.file, text=procedure.text, version=procedure.version
        ),
        limits=request.limits,
        cells=request.cells,
        sockets=request.sockets,
        instruments=instrument_lines(file, bench.clock.utc().date(), bench.identities),
        error_model=error_model(file),
        oxygen_fraction=file.gas.oxygen_fraction,
        u_oxygen_fraction=file.gas.u_oxygen_fraction,
        relative_humidity=file.ambient.relative_humidity,
        u_relative_humidity=file.ambient.u_relative_humidity,
        pot_volume_l=file.pot.volume_l,
        working_pressure_bar=file.limits.working_pressure_bar,
        typed_pressure=typed_pressure,
    )


def _clock_name(bench: OpenBench) -> str:
    if isinstance(bench.clock, SystemClock) or bench.virtual is None:
        return "system"
    return "direct" if bench.virtual.instruments else "lockstep"
