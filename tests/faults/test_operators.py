"""Whole runs at a virtual hand pot with all sorts of operators; what is true in the pot decides."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from event_check import misfit
from operators import (
    Dozes,
    EnterForEver,
    Hasty,
    Leaves,
    NeverCloses,
    Obedient,
    SaysSoOnly,
    Screen,
    ShakyHand,
    Slow,
    SwearsByTheDial,
    TearsTheCylinderOpen,
    WrongUnit,
    WrongUnitOnce,
    YesToAll,
)

from drivers.virtual_spec import FaultSpec, PotTruth
from grading.figure_kinds import FIGURE_KINDS
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits
from grading.record.format import FileText
from grading.record.reader import Record, check_record, read_record
from grading.results import CellInfo
from grading.sources.any_source import load_source
from rig.job.simulated_person import SimulatedPerson
from rig.loop.stop import StopLevel, StopRequest
from rig.run.outcome import RunOutcome
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.safety.states import State
from rig.setup.bench import open_bench
from rig.setup.bench_file import BenchFile, load_bench, parse_bench
from rig.setup.procedure import parse_procedure
from rig.view import Action, Valve
from rig_configs.files.checked_toml import TomlText

PROCEDURE = """
schema = "leadline.procedure/1"
name = "short"
version = "1"
[purge]
swings = 3
least_oxygen_fraction = 0.88
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
po2_bar = 1.2
direction = "down"
"""
CELLS = (CellInfo("TB-0417", socket=1), CellInfo("OS-1123", socket=2))
LID_BAR = 0.020
WORKING_BAR = 3.0


def hand_bench(**changes: str) -> BenchFile:
    text = load_bench("virtual_hand_pot").text
    for key, value in changes.items():
        text = "\n".join(
            f"{key} = {value}" if line.startswith(f"{key} ") else line for line in text.split("\n")
        )
    return parse_bench(TomlText("hand.toml", text))


def dial_bench() -> BenchFile:
    text = load_bench("virtual_hand_pot").text
    before, _, rest = text.partition("[instruments.gauge]")
    after = rest[rest.index("[cells_uncertainty]") :]
    dial = """
[instruments.dial]
role = "gauge"
driver = "typed_gauge"
address = "virtual"
uncertainty = { zero_bar = 0.01, resolution_bar = 0.003 }

"""
    return parse_bench(TomlText("dial.toml", before + dial + after))


@dataclass
class Run:
    outcome: RunOutcome
    truth: PotTruth
    screen: Screen
    record: Record | None
    problems: list[str]

    def events(self, kind: str) -> list[Any]:
        assert self.record is not None
        return [event for event in self.record.events if event.kind == kind]

    def said(self, words: str) -> bool:
        return any(words in text for text, _ in self.screen.said)


@pytest.fixture
def run(tmp_path: Path):
    def begin(
        person: type[SimulatedPerson],
        *,
        faults: tuple[FaultSpec, ...] = (),
        bench: BenchFile | None = None,
        mode: Any = "direct",
        stop_at_s: float | None = None,
        level: StopLevel = StopLevel.RAMPED,
        **more: Any,
    ) -> Run:
        file = bench or hand_bench()
        stop = StopRequest()
        with open_bench(file, cells=CELLS, seed=5, mode=mode, faults=faults, ask=lambda text: None) as opened:
            virtual = opened.virtual
            assert virtual is not None
            screen = Screen(virtual.pot)
            operator = person(screen, virtual.turn, virtual.pot, file, today=datetime.now(UTC).date(), **more)
            if stop_at_s is not None:
                plain_cue = operator.cue

                def cue_and_stop(cue: Any, scan: Any) -> None:
                    plain_cue(cue, scan)
                    if scan.t_s >= stop_at_s and stop.level is StopLevel.NONE:
                        stop.request("test", level)

                operator.cue = cue_and_stop  # type: ignore[method-assign]
            outcome = run_session(
                opened,
                RunRequest(
                    parse_procedure(TomlText("short.toml", PROCEDURE)),
                    CELLS,
                    FileText(name="general", file="general.toml", text=""),
                    tmp_path,
                    "test",
                    clear=(),
                ),
                operator,
                stop,
            )
            record = read_record(outcome.record) if outcome.record is not None else None
            problems = check_record(outcome.record) if outcome.record is not None else []
            done = Run(outcome, virtual.pot(), screen, record, problems)
        assert broken(done) == []
        return done

    return begin


def broken(done: Run) -> list[str]:
    """What must hold for every operator."""
    found = [f"record: {problem}" for problem in done.problems]
    if done.truth.highest_pressure_bar > WORKING_BAR - 0.2:
        found.append(f"the pressure reached {done.truth.highest_pressure_bar:.3f} bar")
    for pot in done.screen.lid_texts:
        if pot.pressure_bar - pot.room_pressure_bar > LID_BAR:
            found.append(f"the lid was offered at {pot.pressure_bar:.3f} bar")
    vented = abs(done.truth.pressure_bar - done.truth.room_pressure_bar) <= LID_BAR
    alarmed = done.said("NOT VENTED") or done.said("NOT CONFIRMED")
    if not vented and not (alarmed and done.said("Close the bottle")):
        found.append(f"left at {done.truth.pressure_bar:.3f} bar without a standing alarm")
    if done.record is not None:
        found.extend(filter(None, (misfit(event.kind, event.data) for event in done.record.events)))
        kinds = [
            (event.kind, event.data)
            for event in done.record.events
            if event.kind == "purge" or (event.kind == "hold_begin" and event.data["gas"] == "oxygen")
        ]
        proven = False
        for kind, data in kinds:
            proven = proven or (kind == "purge" and data["oxygen_fraction"] >= 0.88)
            if kind == "hold_begin" and not proven:
                found.append("a step was measured before the purge was proven")
    return found


def test_the_obedient_one_completes_the_run_and_may_open_the_lid(run):
    done = run(Obedient)
    assert done.outcome.how == "completed", done.outcome.why
    assert len(done.screen.lid_texts) == 1
    assert [event.data["step"] for event in done.events("hold_end")] == [0, 1, 2, 3, 4]
    targets = {event.data["step"]: event.data["target_bar"] for event in done.events("ramp_begin")}
    for event in done.events("hold_begin")[1:]:
        assert event.data["target_bar"] == targets[event.data["step"]]


def test_over_the_wire_it_is_the_same_run(run):
    done = run(Obedient, mode="lockstep")
    assert done.outcome.how == "completed"
    assert len(done.screen.lid_texts) == 1


def test_the_slow_one_overshoots_is_led_back_and_ends_well_or_safely(run):
    done = run(Slow)
    assert done.outcome.how in ("completed", "tripped")


@pytest.mark.parametrize("person", [EnterForEver, YesToAll, WrongUnit])
def test_those_who_do_not_read_never_get_to_the_gas(run, person):
    done = run(person)
    assert done.outcome.how == "refused"
    assert done.outcome.exit_code == 3
    assert done.outcome.record is None
    assert done.truth.gas_used_l == 0.0
    assert not done.screen.lid_texts


def test_a_wrong_unit_gets_one_clear_line_and_another_try(run):
    done = run(WrongUnitOnce)
    assert done.outcome.how == "completed"
    assert done.said("'3' has no unit; write number and unit, for example 1.6 bara")
    assert done.said("'3,0 bara' has a comma")


def test_words_alone_fill_nothing(run):
    done = run(SaysSoOnly)
    assert done.outcome.how == "tripped"
    assert done.outcome.code == "HANDS_IDLE"
    assert done.truth.gas_used_l == 0.0
    assert not done.events("purge")


@pytest.mark.parametrize("leaves_s", [2.0, 30.0, 60.0, 130.0, 200.0, 330.0, 620.0, 800.0, 900.0, 1200.0])
def test_a_person_who_leaves_leaves_a_safe_pot_or_a_standing_alarm(run, leaves_s):
    done = run(Leaves, leaves_s=leaves_s)
    assert done.outcome.how in ("refused", "tripped")
    assert not done.screen.lid_texts
    if done.outcome.how == "tripped":
        assert done.said("1. Shut the supply valve and the cylinder.")


def test_a_person_who_dozes_off_in_a_step_is_woken_and_resumes_it(run):
    done = run(Dozes, dozes_s=950.0)
    assert done.outcome.how == "completed", done.outcome.why
    assert [event.data["code"] for event in done.events("alarm")] == ["HANDS_IDLE"]
    assert done.said("Asked for: both valves shut, hands off; hold clock stopped.")
    assert ("mend_hands_idle", "retry") in [
        (event.data["code"], event.data["answer"]) for event in done.events("answer")
    ]


@pytest.mark.parametrize("person", [NeverCloses, Hasty])
def test_careless_operators_are_stopped_before_the_relief_valve_has_to(run, person):
    done = run(person)
    assert done.outcome.how == "tripped"
    assert done.truth.relief_lifts == 0
    assert done.said("1. Shut the supply valve and the cylinder.")


def test_a_supply_that_is_not_closed_on_the_word_trips_long_before_the_pressure_does(run):
    done = run(NeverCloses)
    assert done.outcome.code == "NOT_CLOSED"
    assert done.truth.highest_pressure_bar < 2.2


def test_a_cylinder_that_is_opened_onto_an_open_supply_gets_the_cue_to_close(run):
    done = run(TearsTheCylinderOpen)
    assert done.outcome.how == "tripped"
    assert done.said("Close the bottle NOW.")
    assert done.truth.highest_pressure_bar < 1.3


def test_a_dial_that_is_sworn_to_show_nothing_opens_no_lid(run):
    done = run(SwearsByTheDial, faults=(FaultSpec("vent_stuck_shut", 900.0),))
    assert not done.screen.lid_texts
    assert done.said("NOT VENTED")
    assert done.screen.snapshots[-1].lid_force_n is not None
    assert done.screen.snapshots[-1].lid_force_n > 10.0


def test_no_lid_with_a_gauge_that_no_longer_answers(run):
    done = run(Obedient, faults=(FaultSpec("gauge_silent", 700.0),))
    assert done.outcome.how == "tripped"
    assert not done.screen.lid_texts


@pytest.mark.parametrize("stop_at_s", [20.0, 60.0, 150.0, 700.0, 1000.0])
@pytest.mark.parametrize("level", [StopLevel.RAMPED, StopLevel.NOW])
def test_ctrl_c_shows_the_card_and_has_the_pot_vented(run, stop_at_s, level):
    done = run(Obedient, stop_at_s=stop_at_s, level=level)
    assert done.outcome.how in ("refused", "stopped", "aborted")
    if done.outcome.how != "refused":
        for line in ("1. Shut the supply", "2. Open the vent", "3. Wait until the dial"):
            assert done.said(line)


def test_the_force_on_the_lid_stands_on_the_screen_while_there_is_pressure(run):
    done = run(Obedient)
    under = [snapshot for snapshot in done.screen.snapshots if snapshot.lid_force_n is not None]
    assert under
    assert all(snapshot.pressure_bar > snapshot.barometer_bar for snapshot in under if snapshot.pressure_bar)


def test_after_a_trip_the_next_run_needs_its_code_and_changed_limits_need_two_steps(run):
    tripped = run(SaysSoOnly)
    assert tripped.outcome.code == "HANDS_IDLE"
    forgetful = run(Obedient)
    assert forgetful.outcome.how == "refused"
    assert forgetful.said("UTC with HANDS_IDLE")
    warned = run(Obedient, first_out="HANDS_IDLE")
    assert warned.outcome.how == "completed"
    changed = run(Obedient, bench=hand_bench(volume_l="0.6", relief_pressure_bar="2.7"))
    assert changed.outcome.how == "completed"
    assert changed.said("relief_pressure_bar 2.6 -> 2.7, volume_l 0.5 -> 0.6")
    assert changed.said("Second step: type the new value of volume_l")


def test_after_a_crash_the_next_run_begins_with_the_card(run):
    done = run(Obedient)
    assert done.outcome.record is not None
    (done.outcome.record / "end.json").unlink()
    again = run(Obedient)
    assert again.outcome.how == "refused"
    alarms = [text for text, severity in again.screen.said if severity == "alarm"]
    assert alarms[0].startswith("1. Shut the supply")
    assert again.said("did not end properly; what the pot holds is not known")
    assert run(Obedient, first_out="INTERRUPTED").outcome.how == "completed"


def test_with_a_dial_only_every_pressure_is_typed_twice_and_capped_at_watch(run):
    done = run(Obedient, bench=dial_bench())
    assert done.outcome.how == "completed", done.outcome.why
    assert done.record is not None
    assert done.record.run.typed_pressure is True
    assert not done.events("leak")
    asked = [event.data["code"] for event in done.events("prompt")]
    assert asked.count("dial_moved") == asked.count("dial_moved_again") >= 10
    assert asked.count("dial_held") == asked.count("dial_held_again") == 3
    assert asked.count("dial_lid") == 2
    measured = load_source(done.outcome.record)
    assert measured.typed_pressure
    figures = [figure for cell in grade(measured, load_limits()).cells for figure in cell.figures]
    typed = [figure for figure in figures if FIGURE_KINDS[figure.key].depends_on_pressure]
    assert any(figure.grade == "watch" for figure in typed)
    assert not any(figure.grade == "pass" for figure in typed)


def test_two_readings_that_differ_are_taken_again(run):
    done = run(ShakyHand, bench=dial_bench())
    assert done.outcome.how == "completed", done.outcome.why
    assert done.said("differ by more than 10 mbar: once more")


@pytest.mark.parametrize("leaves_s", [70.0, 200.0, 330.0, 1000.0])
def test_a_person_who_leaves_a_pot_with_a_dial_only_leaves_an_alarm(run, leaves_s):
    done = run(Leaves, bench=dial_bench(), leaves_s=leaves_s)
    assert done.outcome.how in ("refused", "tripped")
    assert not done.screen.lid_texts
    if done.outcome.how == "tripped":
        assert done.said("NOT CONFIRMED")


def test_a_pressure_that_was_not_read_is_not_shown(run):
    done = run(Obedient, bench=dial_bench())
    moving = [
        snapshot
        for snapshot in done.screen.snapshots
        if snapshot.cue and (snapshot.cue.valve, snapshot.cue.action) == (Valve.SUPPLY, Action.OPEN)
    ]
    assert moving
    assert all(snapshot.pressure_bar is None for snapshot in moving)
    assert any(snapshot.lid_force_n for snapshot in moving)
    # 80 mm and the 1.0 bar gauge that was read before the vent was touched: pi/4 * 0.08 m * 0.08 m * 100 kPa.
    let_out = [
        snapshot.lid_force_n
        for snapshot in done.screen.snapshots
        if snapshot.state == State.STARTING
        and snapshot.cue
        and (snapshot.cue.valve, snapshot.cue.action) == (Valve.VENT, Action.OPEN)
    ]
    assert let_out
    assert min(force for force in let_out if force) > 450.0
