"""A pot that stands under pressure before a run: what the checks before any gas say of it."""

from __future__ import annotations

import pytest
from seed_benches import CONTROLLER, HAND_DIAL, KINDS, bench_of_kind, cells_of

from rig.run.checks import PreflightReport
from rig.run.preflight import standing_checks
from rig.setup.bench import OpenBench, open_bench


def put_under_pressure(bench: OpenBench, over_bar: float) -> None:
    """What a program that was killed leaves where the vent does not open: the pot filled, and still."""
    pot = next(iter(bench.virtual.instruments.values()))._bench.pot
    pot.vent_stuck = False
    pot.amount_mol *= 1.0 + over_bar / pot.pressure_bar
    pot.pressure_bar += over_bar
    bench.clock.sleep_until(bench.clock.monotonic_s() + 5.0)


def checks(kind: str, tmp_path, over_bar: float = 0.0, *, filling: bool = False) -> PreflightReport:
    with open_bench(
        bench_of_kind(kind, 1.0), cells=cells_of(kind), seed=5, mode="direct", ask=lambda _: None
    ) as bench:
        if over_bar:
            put_under_pressure(bench, over_bar)
        if filling:
            controller = bench.parts.instruments["controller"]
            controller.set_ramp_bar_per_min(0.5)
            controller.set_pressure_bar(1.8)
            controller.hold_output(True)
            bench.clock.sleep_until(bench.clock.monotonic_s() + 20.0)
        return standing_checks(bench, tmp_path)


def words_of(report: PreflightReport) -> str:
    return " ".join(f"{check.found} {check.to_do}" for check in report.checks)


def test_a_controller_that_goes_on_filling_is_reported_as_pressure_that_rises(tmp_path):
    report = checks(CONTROLLER, tmp_path, filling=True)
    (found,) = [check for check in report.checks if check.what == "pressure in the pot"]
    assert found.verdict == "fail"
    assert "and rises: the pot is under pressure" in found.found
    assert found.to_do.startswith("close the bottle NOW, set the controller to vent at its own panel")
    assert "keep the lid shut" in found.to_do
    said = words_of(report)
    assert "vented pot" not in said
    assert "draught" not in said
    assert "unit" not in said


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != HAND_DIAL])
@pytest.mark.parametrize("over_bar", [0.2, 0.9])
def test_a_pot_that_stands_under_pressure_is_never_called_vented_or_open(tmp_path, kind, over_bar):
    report = checks(kind, tmp_path, over_bar)
    (found,) = [check for check in report.checks if check.what == "pressure in the pot"]
    assert found.verdict == "fail"
    gauges = sum("gauge" in name or name == "controller" for name in bench_of_kind(kind, 1.0).instruments)
    assert ("the pot is under pressure" if gauges > 1 else "the pot may be under pressure") in found.found
    assert "close the bottle NOW" in found.to_do
    assert "keep the lid shut" in found.to_do
    assert "vented pot" not in words_of(report)
    assert "open pot" not in words_of(report)
    assert not [check for check in report.checks if check.what == "vented zero and units"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_vented_pot_shows_no_pressure(tmp_path, kind):
    report = checks(kind, tmp_path)
    assert not [check for check in report.checks if check.what == "pressure in the pot"]
    assert [check for check in report.checks if check.what == "vented zero and units"]
