"""The cells see gauges that read low alike, and they contradict no healthy run, whatever cells are in it."""

from __future__ import annotations

import pytest
from fault_bench import When
from told_bench import told

from drivers.virtual_spec import FaultSpec
from grading.results import CellInfo
from rig.setup.bench_file import BenchFile, load_bench, parse_bench
from rig.setup.procedure import ProcedureFile, load_procedure, parse_procedure
from rig_configs.files.checked_toml import TomlText

LOW = FaultSpec("gauge_gain", 0.0, target="both", value=-0.03)
FOUR = tuple(
    CellInfo(serial, socket=socket)
    for socket, serial in enumerate(("TB-0417", "OS-1123", "TB-0402", "OS-1090"), start=1)
)
SIX = (*FOUR, CellInfo("TB-0388", socket=5), CellInfo("OS-1131", socket=6))


def bench(drawer: str = "six_cells") -> BenchFile:
    text = load_bench("virtual_bench").text.replace('drawer = "six_cells"', f'drawer = "{drawer}"')
    return parse_bench(TomlText("witness.toml", text))


def steps(*po2_bar: float) -> ProcedureFile:
    taken = "".join(f'[[steps]]\npo2_bar = {po2}\ndirection = "up"\n' for po2 in po2_bar)
    return parse_procedure(
        TomlText(
            "witness_steps.toml", f'schema = "leadline.procedure/1"\nname = "up"\nversion = "1"\n{taken}'
        )
    )


def test_both_gauges_three_percent_low_are_found_with_four_cells():
    run = told((LOW, When("fill", 2, 0.5)), file=bench(), procedure=steps(1.0, 1.2, 1.4), cells=FOUR)
    assert (run.outcome.how, run.outcome.code) == ("tripped", "CELLS_READ_HIGH")
    assert "the gauges may read low, or the meter or the gas is suspect" in run.outcome.why
    trip = next(data for kind, _, data in run.sink.events if kind == "trip")
    assert trip["invalid_from_s"] == 0.0


def test_a_meter_that_reads_high_is_found_too():
    high = FaultSpec("voltmeter_gain", 0.0, value=0.02)
    run = told((high, When("fill", 2, 0.5)), file=bench(), procedure=steps(1.0, 1.2, 1.4), cells=FOUR)
    assert run.outcome.code == "CELLS_READ_HIGH"


def test_a_frozen_voltmeter_is_no_witness():
    frozen = FaultSpec("voltmeter_frozen", 0.0)
    run = told((frozen, When("measure", 2, 2.0)), stop_when=When("measure", 2, 6.0))
    assert run.said("The pot reads vented.")
    assert not run.alarmed


@pytest.mark.parametrize("procedure", ["full", "quick"])
def test_a_drawer_with_every_kind_of_failing_cell_contradicts_nothing(procedure):
    run = told(file=bench(), procedure=load_procedure(procedure), cells=SIX)
    assert run.outcome.how == "completed", run.outcome.why
    assert not run.alarms


@pytest.mark.parametrize("seed", [1, 2])
def test_cells_drawn_from_a_mixed_population_contradict_nothing(seed):
    cells = tuple(CellInfo(f"PB-{4 * seed + number:04d}", socket=number) for number in range(1, 5))
    run = told(file=bench("population:40"), procedure=load_procedure("quick"), cells=cells, seed=seed)
    assert run.outcome.how == "completed", run.outcome.why
    assert not run.alarms
