"""A voltmeter that stands still, channels that are exchanged: no grade comes from readings never taken."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import fault_bench
import pytest
from fault_bench import SeedRun, When, broken_invariants, run_faults, seed_bench

from drivers.virtual_spec import FaultSpec
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits
from grading.sources.any_source import load_source
from rig.loop import repeated_scans
from rig.setup.bench_file import BenchFile, parse_bench
from rig_configs.files.checked_toml import TomlText

SEED = 417
MILLIVOLT_MODULE = """[instruments.scanner]
role = "voltmeter"
driver = "modbus_millivolts"
address = "virtual"
options = { sockets = [1, 2] }
"""
RELAY_VOLTMETER = """[instruments.scanner]
role = "voltmeter"
driver = "scpi_relay_voltmeter"
address = "virtual"
options = { channels = "101:102" }
"""


@dataclass
class Graded:
    run: SeedRun
    grades: list[str]

    @property
    def said(self) -> str:
        return " ".join(self.run.said)


def graded(tmp_path: Path, fault: FaultSpec, when: When, **more: object) -> Graded:
    run = run_faults((fault,), seed=SEED, when=when, record=tmp_path, **more)
    assert run.faults[0].at_s > 0.0, "the fault has to strike"
    (record,) = tmp_path.iterdir()
    grading = grade(load_source(record), load_limits("general"))
    return Graded(run, [str(cell.grade) for cell in grading.cells])


def measuring_with(voltmeter: str) -> BenchFile:
    text = seed_bench(1.0).source.text
    begin, end = text.index("[instruments.scanner]"), text.index("[instruments.gauge_a]")
    return parse_bench(TomlText("other_meter.toml", text[:begin] + voltmeter + text[end:]))


FROZEN = FaultSpec("voltmeter_frozen", 0.0)
MOMENTS = {
    "air hold": When("air", 0, 12.0),
    "first hold": When("measure", 1, 1.0),
    "middle hold": When("measure", 2, 15.0),
    "last hold": When("measure", 4, 15.0),
    "just before the last hold ends": When("measure", 4, 29.5),
    "ramp": When("let-out", 4, 2.0),
}


@pytest.mark.parametrize("when", MOMENTS.values(), ids=MOMENTS)
def test_a_frozen_voltmeter_ends_the_run_vented_and_no_cell_is_graded(tmp_path, when):
    done = graded(tmp_path, FROZEN, when)
    run = done.run
    assert run.code == "VOLTMETER_LOST"
    assert done.grades == ["ungraded", "ungraded"]
    assert "same scan" in done.said
    assert "frozen" in done.said
    assert broken_invariants(run) == []
    struck_s = run.faults[0].at_s
    assert run.trips()[0][1] - struck_s < 25.0
    trip = next(data for kind, _, data in run.sink.events if kind == "trip")
    assert trip["invalid_from_s"] <= struck_s + 0.5
    # No hold that was held to its end has a reading from after the fault.
    ended = [
        t_s for kind, t_s, data in run.sink.events if kind == "hold_end" and data["stop_reason"] != "aborted"
    ]
    assert max(ended, default=0.0) <= struck_s + 0.5


@pytest.mark.parametrize(
    ("voltmeter", "mode", "moment"),
    [(MILLIVOLT_MODULE, "direct", "last hold"), (RELAY_VOLTMETER, "lockstep", "air hold")],
    ids=["millivolt module", "relay voltmeter over the wire"],
)
def test_another_kind_of_meter_that_stands_still_is_noticed_too(
    tmp_path, monkeypatch, voltmeter, mode, moment
):
    file = measuring_with(voltmeter)
    monkeypatch.setattr(fault_bench, "seed_bench", lambda _volume_l: file)
    done = graded(tmp_path, FROZEN, MOMENTS[moment], mode=mode)
    assert done.run.code == "VOLTMETER_LOST"
    assert done.grades == ["ungraded", "ungraded"]


@pytest.mark.parametrize("moment", ["middle hold", "last hold"])
def test_a_meter_with_coarse_digits_is_caught_by_the_next_ramp_or_the_vent(tmp_path, monkeypatch, moment):
    monkeypatch.setattr(repeated_scans, "_VARYING_TRIPLES", 99)
    done = graded(tmp_path, FROZEN, MOMENTS[moment])
    assert done.run.code == "VOLTMETER_LOST"
    assert done.grades == ["ungraded", "ungraded"]
    assert "repeated one scan while the pressure moved" in done.said
    assert broken_invariants(done.run) == []


def test_a_voltmeter_that_wakes_up_repeats_the_step_and_its_cells_are_graded(tmp_path):
    done = graded(tmp_path, FaultSpec("voltmeter_frozen", 0.0, duration_s=30.0), MOMENTS["middle hold"])
    run = done.run
    assert run.how == "completed"
    assert "ungraded" not in done.grades
    holds = [(data["step"], data["stop_reason"]) for kind, _, data in run.sink.events if kind == "hold_end"]
    assert (2, "aborted") in holds
    assert [step for step, reason in holds if reason != "aborted"] == [0, 1, 2, 3, 4, 5]
    begun = [t_s for kind, t_s, data in run.sink.events if kind == "hold_begin" and data["step"] == 2]
    assert begun[-1] > run.faults[0].at_s + 30.0


def test_a_voltmeter_that_stands_still_once_all_is_measured_costs_no_grade(tmp_path):
    done = graded(tmp_path, FROZEN, When("vent", None, 1.0))
    assert done.run.how == "completed"
    assert "ungraded" not in done.grades


SWAPPED = FaultSpec("channels_swapped", 0.0, target="1")


@pytest.mark.parametrize(
    "when",
    [
        When("air", 0, 1.0),
        When("air", 0, 12.0),
        When("purge", None, 30.0),
        When("measure", 2, 8.0),
        When("fill", 3, 5.0),
        When("let-out", 4, 3.0),
        When("measure", 4, 15.0),
    ],
    ids=str,
)
def test_exchanged_channels_are_named_at_once_and_their_cells_are_not_graded(tmp_path, when):
    done = graded(tmp_path, SWAPPED, when)
    run = done.run
    assert [finding for finding, _ in run.findings()] == ["swapped", "swapped"]
    assert run.findings()[0][1] - run.faults[0].at_s < 7.0
    assert done.grades == ["ungraded", "ungraded"]
    assert "Sockets 1 and 2 have been exchanged" in done.said
    assert "which lead goes to which socket" in done.said
    assert broken_invariants(run) == []


@pytest.mark.parametrize("method", ["swings", "flow"])
def test_a_healthy_run_has_no_finding(tmp_path, method):
    run = run_faults((), seed=SEED, method=method, record=tmp_path)
    assert (run.how, run.trips(), run.findings()) == ("completed", [], [])
