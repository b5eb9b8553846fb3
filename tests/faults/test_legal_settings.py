"""Settings that a bench file and a procedure allow: each runs to its end, or is refused before any gas."""

from __future__ import annotations

import fault_bench
import pytest
from fault_bench import broken_invariants, run_faults, seed_bench, seed_procedure

from drivers.virtual.devices.device import as_float32
from drivers.virtual.devices.gauge import GaugeDevice
from drivers.virtual_spec import FaultSpec
from rig.setup.bench_file import BenchFile, parse_bench
from rig.setup.plan import make_plan
from rig.setup.procedure import ProcedureFile, parse_procedure
from rig.setup.room_below_stop import LEAST_ROOM_BAR
from rig_configs.files.checked_toml import FileError, TomlText

CONTROLLER = """[instruments.controller]
role = "controller"
driver = "scpi_pressure_controller"
address = "virtual"
"""


def bench(
    volume_l: float, *, stop_bar: float = 2.2, drive: str = "solenoids", ramp_bar_per_min: float = 1.0
) -> BenchFile:
    text = seed_bench(volume_l).source.text
    text = text.replace("most_gas_l = 60.0", "most_gas_l = 900.0")
    text = text.replace("ramp_bar_per_min = 1.0", f"ramp_bar_per_min = {ramp_bar_per_min}")
    text = text.replace("stop_pressure_bar = 2.2", f"stop_pressure_bar = {stop_bar}")
    text = text.replace("trip_pressure_bar = 2.3", f"trip_pressure_bar = {round(stop_bar + 0.1, 4)}")
    if drive == "controller":
        tables = text.split("[instruments.")
        kept = [table for table in tables if not table.startswith(("gauge_b]", "valves]"))]
        text = "[instruments.".join(kept) + CONTROLLER
    return parse_bench(TomlText("legal.toml", text))


def procedure(method: str, swing_bar: float = 2.0) -> ProcedureFile:
    text = seed_procedure(method).source.text
    swings = 7 if swing_bar > 1.9 else 16
    text = text.replace("high_bar = 2.0", f"high_bar = {swing_bar}")
    return parse_procedure(TomlText("legal_procedure.toml", text.replace("swings = 7", f"swings = {swings}")))


def run(monkeypatch, file: BenchFile, steps: ProcedureFile, *faults: FaultSpec, seed: int = 3):
    monkeypatch.setattr(fault_bench, "seed_bench", lambda _volume_l: file)
    return run_faults(faults, seed=seed, volume_l=file.pot.volume_l, procedure=steps)


def completed_within_its_limits(done, file: BenchFile) -> None:
    assert (done.how, done.trips(), done.findings()) == ("completed", [], [])
    assert broken_invariants(done) == []
    assert done.truth.highest_pressure_bar < file.limits.stop_pressure_bar + 0.005


@pytest.mark.parametrize("volume_l", [0.3, 10.0, 20.0])
@pytest.mark.parametrize("method", ["swings", "flow"])
def test_a_pot_of_any_size_runs_on_valves_that_suit_it(monkeypatch, volume_l, method):
    file = bench(volume_l)
    completed_within_its_limits(run(monkeypatch, file, procedure(method)), file)


def test_a_large_pot_runs_on_a_slow_ramp(monkeypatch):
    file = bench(20.0, ramp_bar_per_min=0.5)
    completed_within_its_limits(run(monkeypatch, file, procedure("swings")), file)


@pytest.mark.parametrize("volume_l", [0.3, 20.0])
def test_a_pot_of_any_size_runs_on_a_controller(monkeypatch, volume_l):
    file = bench(volume_l, drive="controller")
    completed_within_its_limits(run(monkeypatch, file, procedure("swings")), file)


def highest_target_bar(file: BenchFile, steps: ProcedureFile) -> float:
    return max(part.to_bar for part in make_plan(file, steps).parts)


@pytest.mark.parametrize(
    ("volume_l", "drive"), [(0.3, "solenoids"), (20.0, "solenoids"), (1.0, "controller")]
)
def test_a_top_step_just_below_the_stop_runs_though_the_second_gauge_reads_more(monkeypatch, volume_l, drive):
    steps = procedure("swings", swing_bar=1.6)
    stop_bar = round(highest_target_bar(bench(volume_l, drive=drive), steps) + LEAST_ROOM_BAR + 0.0005, 4)
    file = bench(volume_l, stop_bar=stop_bar, drive=drive)
    more = FaultSpec("gauge_offset", 0.0, value=0.006, target="second_gauge")
    less = FaultSpec("gauge_offset", 0.0, value=-0.006, target="gauge")
    completed_within_its_limits(run(monkeypatch, file, steps, less if drive == "controller" else more), file)


def test_a_top_step_without_room_below_the_stop_is_refused_in_one_line_with_what_would_fit():
    steps = procedure("swings", swing_bar=1.6)
    file = bench(1.0, stop_bar=round(highest_target_bar(bench(1.0), steps) + LEAST_ROOM_BAR - 0.001, 4))
    with pytest.raises(FileError) as refused:
        make_plan(file, steps)
    text = str(refused.value)
    assert "\n" not in text
    assert "legal_procedure.toml:" in text
    assert "less than 20 mbar below stop_pressure_bar" in text
    assert "write at most 1.79" in text


def test_a_swing_without_room_below_the_stop_is_refused_too():
    with pytest.raises(FileError, match=r"high_bar: goes to 2\.000 bar absolute"):
        make_plan(bench(1.0, stop_bar=2.01), procedure("swings"))


def test_two_gauges_with_digits_of_a_millibar_are_no_stuck_gauges(monkeypatch):
    text = bench(1.0).source.text
    for name in ("gauge_a", "gauge_b"):
        text += f"[instruments.{name}.uncertainty]\nresolution_bar = 0.0003\n"
    file = parse_bench(TomlText("legal.toml", text))
    exact = GaugeDevice._convert
    monkeypatch.setattr(
        GaugeDevice, "_convert", lambda self, conversion: as_float32(round(exact(self, conversion), 3))
    )
    done = run(monkeypatch, file, procedure("flow"))
    assert (done.how, done.trips()) == ("completed", [])
