"""The lid of a hand pot: however many gauges, it takes the person, the dial and no cell that contradicts."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from operators import Obedient, Screen
from test_operators import CELLS, PROCEDURE, Run, broken, dial_bench, hand_bench

from drivers.virtual_spec import FaultSpec
from grading.record.format import FileText
from grading.record.reader import check_record, read_record
from rig.between_runs.last_run import last_recorded
from rig.job.simulated_person import SimulatedPerson
from rig.loop.stop import StopRequest
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.safety.scan import Scan
from rig.setup.bench import open_bench
from rig.setup.bench_file import BenchFile, parse_bench
from rig.setup.procedure import parse_procedure
from rig.view import Action, Cue, Prompt, Wanted
from rig_configs.files.checked_toml import TomlText

SECOND_GAUGE = """
[instruments.second]
role = "second_gauge"
driver = "modbus_gauge"
address = "virtual"

[cells_uncertainty]"""


def two_gauges() -> BenchFile:
    text = hand_bench().text.replace("[cells_uncertainty]", SECOND_GAUGE, 1)
    return parse_bench(TomlText("two.toml", text))


class HabitDial(Obedient):
    """Stops short of opening the vent at the end, and types the 0 that the dial always shows there."""

    def act(self, cue: Cue | None, scan: Scan) -> None:
        if cue is not None and cue.action is Action.OPEN_FULLY:
            cue = replace(cue, action=Action.REST)
        super().act(cue, scan)

    def answer(self, prompt: Prompt) -> str | None:
        return "0 barg" if prompt.code in ("dial_vented", "dial_lid") else super().answer(prompt)


class ForgetsTheLid(Obedient):
    """Is gone when the lid is asked for."""

    def answer(self, prompt: Prompt) -> str | None:
        return None if prompt.code == "cylinder_shut" else super().answer(prompt)


class ReadsTheDial(Obedient):
    """Sees 0.06 bar on the dial when the lid is asked for."""

    def answer(self, prompt: Prompt) -> str | None:
        return "0.06 barg" if prompt.code == "dial_lid" else super().answer(prompt)


class ReadsAnotherDial(Obedient):
    """Reads a dial that is 60 mbar off the gauge before any gas."""

    def answer(self, prompt: Prompt) -> str | None:
        return "0.06 barg" if prompt.code == "dial" else super().answer(prompt)


class ReadsAnOldTag(Obedient):
    """Reads a date on the relief valve's tag that has passed."""

    def answer(self, prompt: Prompt) -> str | None:
        return "2026-01-31" if prompt.wanted is Wanted.RELIEF_DUE else super().answer(prompt)


def run(
    tmp_path: Path,
    person: type[SimulatedPerson],
    bench: BenchFile,
    *faults: tuple[FaultSpec, str, int | None, float],
) -> Run:
    """Run; each fault strikes so long after its phase begins."""
    with open_bench(bench, cells=CELLS, seed=5, mode="direct", ask=lambda text: None) as opened:
        virtual = opened.virtual
        assert virtual is not None
        screen = Screen(virtual.pot)
        operator = person(screen, virtual.turn, virtual.pot, bench, today=datetime.now(UTC).date())
        waiting, plain_update = list(faults), screen.update

        def update(snapshot: Any) -> None:
            plain_update(snapshot)
            for one in list(waiting):
                fault, state, after_step, after_s = one
                if snapshot.state == state and (after_step is None or f"PO2 {after_step}" in snapshot.now):
                    waiting.remove(one)
                    virtual.inject(replace(fault, at_s=opened.clock.monotonic_s() + after_s))

        screen.update = update  # type: ignore[method-assign]
        request = RunRequest(
            parse_procedure(TomlText("short.toml", PROCEDURE)),
            CELLS,
            FileText(name="general", file="general.toml", text=""),
            tmp_path,
            "test",
            clear=(),
        )
        outcome = run_session(opened, request, operator, StopRequest())
        record = read_record(outcome.record) if outcome.record is not None else None
        problems = check_record(outcome.record) if outcome.record is not None else []
        done = Run(outcome, virtual.pot(), screen, record, problems)
    assert broken(done) == []
    return done


@pytest.mark.parametrize("bench", [two_gauges, hand_bench], ids=["two gauges", "one gauge"])
def test_a_clogged_tee_offers_no_lid(tmp_path, bench):
    done = run(tmp_path, Obedient, bench(), (FaultSpec("tee_clogged", 0.0), "COMPLETING", None, 0.2))
    assert done.truth.pressure_bar - done.truth.room_pressure_bar > 0.05
    assert not done.screen.lid_texts
    assert done.outcome.code == "NOT_VENTED"
    assert done.said("fell faster than this pot's vent can let gas out")
    assert not done.said("reads vented")


@pytest.mark.parametrize("bench", [dial_bench, two_gauges], ids=["dial only", "two gauges"])
def test_a_dial_of_zero_typed_by_habit_opens_no_lid(tmp_path, bench):
    done = run(tmp_path, HabitDial, bench())
    assert done.truth.pressure_bar - done.truth.room_pressure_bar > 0.02
    assert not done.screen.lid_texts
    assert done.outcome.code
    if bench is dial_bench:
        assert done.said("the cells still show pressure in the pot")


def test_the_sources_are_named_as_they_are(tmp_path):
    done = run(tmp_path, Obedient, two_gauges())
    assert done.outcome.how == "completed", done.outcome.why
    assert len(done.screen.lid_texts) == 1
    asked = [event.data["code"] for event in done.events("prompt")]
    assert asked[-2:] == ["cylinder_shut", "dial_lid"]
    assert done.said("by both gauges for 10 s and by the dial, and the cells do not contradict it")
    assert done.said("This program stops watching the pot now: close the bottle.")


def test_a_dial_that_shows_pressure_sounds_and_stays(tmp_path):
    bench = hand_bench()
    done = run(tmp_path, ReadsTheDial, bench)
    assert not done.screen.lid_texts
    assert (done.outcome.how, done.outcome.code) == ("tripped", "NOT_VENTED")
    assert [event.data["code"] for event in done.events("alarm")] == ["NOT_VENTED"]
    assert any(severity == "alarm" and "Keep the lid shut" in text for text, severity in done.screen.said)
    left = last_recorded(tmp_path, bench)
    assert left is not None
    assert left.code


def test_a_lid_that_nobody_confirms_asks_at_the_next_start_and_keeps_the_measurements(tmp_path):
    bench = hand_bench()
    done = run(tmp_path, ForgetsTheLid, bench)
    assert not done.screen.lid_texts
    assert done.outcome.how == "completed"
    assert "NOT CONFIRMED: Nobody answered" in done.outcome.why
    left = last_recorded(tmp_path, bench)
    assert left is not None
    assert left.code == "NOT_VENTED"


@pytest.mark.parametrize(
    ("person", "code", "said"),
    [(ReadsAnotherDial, "DIAL", "mbar"), (ReadsAnOldTag, "NO_ANSWER", "test expired on 2026-01-31")],
)
def test_a_dial_off_the_gauge_or_a_relief_valve_overdue_gets_no_gas(tmp_path, person, code, said):
    done = run(tmp_path, person, hand_bench())
    assert (done.outcome.how, done.outcome.code) == ("refused", code)
    assert done.said(said)
    assert done.truth.gas_used_l == 0.0
