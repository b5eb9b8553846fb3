"""Traces of any logger: the holds are found for any ramps, and the cells are measured in them."""

import importlib.util
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from grading.measurement import SourceError
from grading.sources.any_source import load_source
from grading.sources.steps import holds_in_trace, still_stretches

_spec = importlib.util.spec_from_file_location("simulated_run", Path(__file__).with_name("simulated_run.py"))
simulated_run = sys.modules.setdefault("simulated_run", importlib.util.module_from_spec(_spec))
if not hasattr(simulated_run, "Cell"):
    _spec.loader.exec_module(simulated_run)


def pressure_trace(rng, levels, ramps_s, holds_s, every_s, noise_bar, resolution_bar, drift_bar_per_min):
    """(t_s, pressure_bar, holds) of a trace made of ramps and holds."""
    corners, values, holds = [0.0], [levels[0]], []
    for k, (level, ramp_s, hold_s) in enumerate(zip(levels, ramps_s, holds_s, strict=True)):
        if k:
            corners.append(corners[-1] + ramp_s)
            values.append(level)
        holds.append((corners[-1], corners[-1] + hold_s, level))
        corners.append(corners[-1] + hold_s)
        values.append(level + drift_bar_per_min * hold_s / 60.0)
    t_s = np.arange(0.0, corners[-1], every_s)
    t_s = np.sort(t_s + rng.uniform(-0.1, 0.1, len(t_s)) * every_s)
    pressure = np.interp(t_s, corners, values) + rng.normal(0.0, noise_bar, len(t_s))
    if resolution_bar:
        pressure = np.round(pressure / resolution_bar) * resolution_bar
    return t_s, pressure, holds


@pytest.mark.parametrize("first_seed", range(0, 160, 40))
def test_holds_are_found_from_instant_to_a_minute_of_ramp(first_seed):
    for seed in range(first_seed, first_seed + 40):
        rng = np.random.default_rng(seed)
        count = int(rng.integers(2, 12))
        steps = rng.choice([-1.0, 1.0], count - 1, p=[0.35, 0.65]) * rng.choice(
            [0.1, 0.2, 0.4, 0.6], count - 1
        )
        levels = [1.5, *(1.5 + np.cumsum(steps))]
        every_s = float(rng.choice([0.1, 0.2, 0.5, 1.0]))
        t_s, pressure, truth = pressure_trace(
            rng,
            levels,
            rng.choice([0.05, 1.0, 5.0, 15.0, 24.0, 60.0], count),
            rng.uniform(25.0 if every_s < 0.5 else 32.0, 120.0, count),
            every_s,
            noise_bar=float(rng.choice([1e-5, 3e-4, 1e-3])),
            resolution_bar=float(rng.choice([0.0, 0.001, 0.002])),
            drift_bar_per_min=float(rng.uniform(-0.004, 0.004)),
        )
        found = holds_in_trace(t_s, pressure, np.full(len(t_s), 0.99))
        assert len(found) == count, f"seed {seed}"
        for hold, (begin_s, end_s, level) in zip(found, truth, strict=True):
            assert hold.begin_s == pytest.approx(begin_s, abs=4.0), f"seed {seed}"
            assert -5.0 < hold.end_s - end_s < 2.5, f"seed {seed}"
            assert hold.nominal_po2_bar == pytest.approx(0.99 * level, abs=0.06)
        ways = ["up" if b >= a else "down" for a, b in pairwise(levels)]
        assert [hold.direction for hold in found[1:]] == ways, f"seed {seed}"


def test_a_pot_that_cools_after_a_quick_fill_is_one_hold():
    t_s = np.arange(0.0, 160.0, 0.2)
    pressure = np.where(t_s < 60.0, 1.0, 1.6 + 0.03 * np.exp(-np.maximum(t_s - 60.0, 0.0) / 4.0))
    found = holds_in_trace(t_s, pressure, np.full(len(t_s), 0.99))
    assert [hold.nominal_po2_bar for hold in found] == [1.0, 1.6]
    assert 60.0 <= found[1].begin_s <= 80.0


def test_purge_swings_and_short_stops_are_no_holds():
    t_s = np.arange(0.0, 200.0, 0.2)
    swings = 1.5 + 0.5 * np.sin(t_s / 5.0)
    assert holds_in_trace(t_s, swings, np.full(len(t_s), 0.99)) == ()
    stop = np.interp(t_s, [0.0, 50.0, 62.0, 112.0], [1.0, 1.5, 1.5, 2.0])
    assert len(still_stretches(t_s, stop)) == 1
    assert still_stretches(t_s[:20], stop[:20]) == []


def test_a_change_of_gas_parts_two_holds_and_is_no_ramp():
    t_s = np.arange(0.0, 120.0, 0.2)
    fraction = np.where(t_s < 60.0, 0.2095, 0.985)
    found = holds_in_trace(t_s, np.full(len(t_s), 1.013), fraction)
    assert [hold.gas for hold in found] == ["air", "oxygen"]
    assert not found[1].ramped_from


def table(cells, seen, fraction=simulated_run.FRACTION, pressure_name="pressure_bar", factor=1.0):
    """A wide CSV as a logger writes it: one time column for all cells."""
    names = ",".join(cell.serial for cell in cells)
    lines = [f"t_s,{pressure_name},temperature_c,oxygen_fraction,{names}"]
    for k, t in enumerate(seen.t_s):
        values = ",".join(f"{seen.output_mv[i, k]:.4f}" for i in range(len(cells)))
        lines.append(f"{t:.2f},{seen.pressure_bar[k] * factor:.6f},21.3,{fraction},{values}")
    return "\n".join(lines) + "\n"


CELLS = (
    simulated_run.Cell("TB-0417", *simulated_run.membrane(1.7)),
    simulated_run.Cell("OS-1123", (3.4,), (1.0,), slope_mv_per_bar=41.0),
)


@pytest.fixture(scope="module")
def seen():
    return simulated_run.trace(CELLS, (1.02, 1.22, 1.62, 1.22, 1.02), seed=2, ramp_s=8.0)


def test_a_trace_is_measured_as_it_was_made(seen, tmp_path):
    path = tmp_path / "logger.csv"
    path.write_text(table(CELLS, seen))
    read = load_source(path)
    assert read.source_kind == "trace"
    assert [cell.cell for cell in read.cells] == ["TB-0417", "OS-1123"]
    po2 = simulated_run.FRACTION * np.array([1.02, 1.22, 1.62, 1.22, 1.02])
    assert read.steps.output_mv[0] == pytest.approx(50.0 * po2, rel=4e-4)
    assert read.steps.output_mv[1] == pytest.approx(41.0 * po2, rel=4e-4)
    assert np.all(read.steps.settled == 1)
    assert np.all(read.steps.u_output_mv < 0.01)
    membrane, pole = 1.7 * 2.9956, 3.4 * np.log(10.0)
    for i, truth in enumerate((membrane, pole)):
        for response in read.responses[i]:
            assert response.t90_s == pytest.approx(truth, rel=0.03)
    assert read.conditions.highest_pressure_bar == pytest.approx(1.62, abs=0.002)
    assert read.conditions.fastest_ramp_bar_per_min == pytest.approx(2.4, rel=0.05)


def test_the_same_trace_in_psi_and_with_a_german_spreadsheet_is_the_same(seen, tmp_path):
    plain, psi, commas = (tmp_path / name for name in ("a.csv", "b.csv", "c.csv"))
    plain.write_text(table(CELLS, seen))
    psi.write_text(table(CELLS, seen, pressure_name="pressure_psia", factor=14.503773773))
    commas.write_text(table(CELLS, seen).replace(",", ";").replace(".", ","))
    reference = load_source(plain).steps
    for path in (psi, commas):
        assert load_source(path).steps.output_mv == pytest.approx(reference.output_mv)
        assert load_source(path).steps.pressure_bar == pytest.approx(reference.pressure_bar, rel=1e-6)


def test_missing_readings_are_counted_and_do_not_stand_for_a_value(seen, tmp_path):
    lines = table(CELLS, seen).splitlines()
    for k in range(100, 140):
        lines[k] = lines[k].rpartition(",")[0] + ","
    path = tmp_path / "gaps.csv"
    path.write_text("\n".join(lines))
    read = load_source(path)
    assert read.conditions.missing_readings == 40
    assert np.all(np.isfinite(read.steps.output_mv))


def test_a_faulty_trace_is_refused_by_line_and_column(tmp_path):
    path = tmp_path / "x.csv"

    def refusal(text):
        path.write_text(text)
        with pytest.raises(SourceError) as refused:
            load_source(path)
        return str(refused.value)

    head = "t_s,pressure_bar,temperature_c,oxygen_fraction,TB-0417\n"
    assert refusal(head + "0,1.0,21,0.99,50\n0.2,1.0,21,0.99,5o\n0.1,1.0,21,0.99,50\n").splitlines() == [
        "x.csv line 3, TB-0417: '5o' is not a number; write it like 1.25",
        "x.csv line 4, t_s: 0.1 comes after 0.2; time must increase",
    ]
    assert "is never constant for 20 s" in refusal(head + "0,1.0,21,0.99,50\n1,1.0,21,0.99,50\n")
    assert "no column for a cell" in refusal("t_s,pressure_bar,temperature_c,oxygen_fraction\n0,1,21,0.99\n")
    assert "did you mean 'temperature_c'?" in refusal(
        head.replace("TB-0417", "temprature_c,TB-0417") + "0,1,1,1,1,1\n"
    )
    assert "does not say absolute or gauge" in refusal(head.replace("TB-0417", "pressure") + "0,1,1,1,1\n")
