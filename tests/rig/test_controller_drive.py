"""Whole runs on a bench with an electronic pressure controller: completed, stopped, dropped, and cut off."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import pytest

from drivers.virtual_spec import FaultSpec, PotTruth
from grading.record.format import FileText, RunHeader, SampleRow
from grading.results import CellInfo
from rig.loop.stop import StopLevel, StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import open_bench
from rig.setup.bench_file import parse_bench
from rig.setup.procedure import parse_procedure
from rig.view import Prompt, Severity, Snapshot
from rig_configs.files.checked_toml import TomlText

BENCH = """
schema = "leadline.bench/1"
name = "Skerry Point Bench (controller)"
[limits]
working_pressure_bar = 3.5
relief_pressure_bar = 3.0
ramp_bar_per_min = 1.0
[pot]
volume_l = 1.0
lid_diameter_mm = 100
sockets = 2
[gas]
oxygen_fraction = 0.995
u_oxygen_fraction = 0.001
supply_pressure_bar = 3.5
[virtual]
drawer = "six_cells"
[instruments.scanner]
role = "voltmeter"
driver = "scpi_scanner"
address = "virtual"
options = { channels = "101:102" }
[instruments.gauge]
role = "gauge"
driver = "modbus_gauge"
address = "virtual"
[instruments.barometer]
role = "barometer"
driver = "modbus_gauge"
address = "virtual"
[instruments.controller]
role = "controller"
driver = "DRIVER"
address = "virtual"
"""
SECOND_GAUGE = """
[instruments.gauge_b]
role = "second_gauge"
driver = "modbus_gauge"
address = "virtual"
"""
PROCEDURE = """
schema = "leadline.procedure/1"
name = "short"
version = "1"
[purge]
method = "METHOD"
swings = 7
[hold]
least_s = 20
cap_s = 40
[[steps]]
po2_bar = 1.0
direction = "up"
[[steps]]
po2_bar = 1.4
direction = "up"
[[steps]]
po2_bar = 1.0
direction = "down"
"""
CELLS = (CellInfo("TB-0417", socket=1), CellInfo("OS-1123", socket=2))


@dataclass
class Watcher:
    """Gives no answer; keeps the messages."""

    show_every_s: ClassVar[float] = math.inf
    said: list[str] = field(default_factory=list)

    def update(self, snapshot: Snapshot) -> None:
        pass

    def say(self, text: str, severity: Severity = "info") -> None:
        self.said.append(text)

    def ask(self, prompt: Prompt) -> str | None:
        return None

    def withdraw(self) -> None:
        pass


@dataclass
class Memory:
    """Keeps the record in memory and lets a test act at a time of the run."""

    at: dict[float, Any]
    events: list[tuple[str, float, dict[str, Any]]] = field(default_factory=list)
    rows: list[SampleRow] = field(default_factory=list)

    def sample(self, row: SampleRow) -> None:
        self.rows.append(row)
        for t_s in [t_s for t_s in self.at if row.t_s >= t_s]:
            self.at.pop(t_s)()

    def event(self, kind: str, t_s: float, utc: datetime, /, **data: Any) -> None:
        self.events.append((kind, t_s, data))

    def end(self, how: str, why: str, utc: datetime) -> None:
        self.events.append(("end", 0.0, {"how": how}))

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [data for name, _, data in self.events if name == kind]


@dataclass
class Run:
    outcome: RunOutcome
    truth: PotTruth
    memory: Memory
    said: list[str]


@pytest.fixture
def run(tmp_path: Path):
    def begin(
        *,
        faults: tuple[FaultSpec, ...] = (),
        driver: str = "scpi_pressure_controller",
        mode: Any = "direct",
        extra: str = "",
        method: str = "swings",
        at: dict[float, StopLevel] | None = None,
    ) -> Run:
        file = parse_bench(TomlText("controller.toml", BENCH.replace("DRIVER", driver) + extra))
        procedure = parse_procedure(TomlText("short.toml", PROCEDURE.replace("METHOD", method)))
        stop, view = StopRequest(), Watcher()
        memory = Memory({t_s: partial(stop.request, "test", level) for t_s, level in (at or {}).items()})

        def sink(_header: RunHeader) -> Memory:
            return memory

        with open_bench(file, cells=CELLS, seed=11, mode=mode, faults=faults) as bench:
            outcome = run_session(
                bench,
                RunRequest(
                    procedure, CELLS, FileText(name="general", file="general.toml", text=""), tmp_path, "test"
                ),
                view,
                stop,
                sink=sink,
            )
            assert bench.virtual is not None
            return Run(outcome, bench.virtual.pot(), memory, view.said)

    return begin


def vented(truth: PotTruth) -> bool:
    return abs(truth.pressure_bar - truth.room_pressure_bar) < 0.02


@pytest.mark.parametrize("driver", ["scpi_pressure_controller", "modbus_pressure_controller"])
def test_a_whole_run_measures_every_step_and_ends_vented(run, driver):
    done = run(driver=driver)
    assert done.outcome.how == "completed", done.outcome.why
    assert vented(done.truth)
    assert done.truth.vent_open
    held = done.memory.of("hold_end")
    assert [hold["step"] for hold in held] == [0, 1, 2, 3]
    assert {hold["stop_reason"] for hold in held} <= {"settled", "cap"}
    assert done.memory.of("purge")[0]["oxygen_fraction"] > 0.985
    assert done.truth.oxygen_fraction > 0.985


def test_over_the_wire_the_readings_are_those_of_the_direct_bench(run):
    direct, wired = run(), run(mode="lockstep")
    assert wired.outcome.how == "completed"
    assert [row.pressure_bar for row in wired.memory.rows] == [row.pressure_bar for row in direct.memory.rows]


def test_ramps_keep_to_the_limit_both_ways_and_reach_the_target(run):
    done = run()
    rows = [
        (row.t_s, row.pressure_bar.value)
        for row in done.memory.rows
        if row.pressure_bar and row.pressure_bar.value
    ]
    phases = {row.t_s: row.phase for row in done.memory.rows}
    rates = [
        60.0 * abs(late - early) / (late_s - early_s)
        for (early_s, early), (late_s, late) in zip(rows, rows[50:], strict=False)
        if phases[early_s] == phases[late_s] and phases[early_s] != "vent"
    ]
    assert max(rates) < 1.02
    assert max(rates) > 0.9
    targets = [event["target_bar"] for event in done.memory.of("ramp_begin")]
    held = {
        step: [
            row.pressure_bar.value for row in done.memory.rows if row.phase == "measure" and row.step == step
        ]
        for step in (1, 2, 3)
    }
    for step, target_bar in enumerate(targets, start=1):
        assert held[step][-1] == pytest.approx(target_bar, abs=0.005)
        assert max(held[step]) < max(target_bar, held[step][0]) + 0.005


def test_the_controller_leaves_the_pot_alone_while_the_leak_test_looks(run):
    tight = run()
    assert abs(tight.memory.of("leak")[0]["rate_mbar_per_min"]) < 1.0
    leaky = run(faults=(FaultSpec("leak_large", 0.0, value=0.1),))
    assert leaky.memory.of("leak")[0]["rate_mbar_per_min"] > 2.0


@pytest.mark.parametrize("at_s", [60.0, 900.0])
def test_one_stop_request_vents_on_the_ramp(run, at_s):
    done = run(at={at_s: StopLevel.RAMPED})
    assert done.outcome.how == "stopped"
    assert vented(done.truth)
    assert not [cell for cell in done.memory.of("cell") if cell["finding"] == "rapid_decompression"]


def test_an_urgent_stop_vents_at_once_and_marks_the_cells(run):
    done = run(at={700.0: StopLevel.NOW})
    assert done.outcome.how == "aborted"
    assert vented(done.truth)
    assert {cell["finding"] for cell in done.memory.of("cell")} == {"rapid_decompression"}


def test_a_lost_link_is_noticed_and_the_standing_alarm_says_what_only_a_person_can_do(run):
    done = run(faults=(FaultSpec("slow_replies", 700.0, target="controller"),))
    assert done.outcome.how == "tripped"
    assert done.memory.of("trip")[0]["code"] in ("SECOND_GAUGE_LOST", "CONTROLLER_LOST")
    assert not vented(done.truth)
    alarm = done.memory.of("alarm")[-1]
    assert alarm["code"] == "NOT_VENTED"
    assert any("manual bleed" in text and "Close the bottle" in text for text in done.said)


def test_a_link_that_comes_back_is_used_to_vent(run):
    done = run(faults=(FaultSpec("slow_replies", 700.0, duration_s=20.0, target="controller"),))
    assert done.outcome.how == "tripped"
    assert vented(done.truth)


def test_with_a_second_gauge_the_link_is_watched_by_itself(run):
    done = run(extra=SECOND_GAUGE, faults=(FaultSpec("slow_replies", 700.0, 20.0, target="controller"),))
    assert done.memory.of("trip")[0]["code"] in ("VALVES_LOST", "CONTROLLER_LOST")
    assert vented(done.truth)


def test_an_empty_bottle_ends_the_run_vented(run):
    done = run(faults=(FaultSpec("cylinder_empty", 820.0),))
    assert done.outcome.how == "tripped"
    codes = {data["code"] for data in done.memory.of("alarm") + done.memory.of("trip")}
    assert codes & {"NO_RESPONSE", "LEAK"}
    assert vented(done.truth)


def test_the_reference_gauge_against_the_controllers_own_trips_the_run(run):
    done = run(faults=(FaultSpec("gauge_offset", 700.0, value=-0.12, target="gauge"),))
    assert done.memory.of("trip")[0]["code"] == "GAUGES_DISAGREE"
    assert done.truth.highest_pressure_bar < 2.1
    assert vented(done.truth)


def test_a_flow_purge_is_refused_before_any_gas(run):
    done = run(method="flow")
    assert done.outcome.how == "refused"
    assert done.outcome.exit_code == 3
    assert "purges by swings" in done.outcome.why
    assert done.truth.gas_used_l == 0.0
