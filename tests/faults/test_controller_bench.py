"""A pressure controller: what a killed program or an inlet that stays open leaves, what a person reads."""

from __future__ import annotations

from datetime import date

import fault_bench
import pytest
from fault_bench import CELLS, When, broken_invariants, run_faults, seed_bench, seed_procedure

from drivers.virtual_spec import FaultSpec, PotTruth
from rig.loop.dialogue import Dialogue
from rig.run.preflight import run_preflight
from rig.setup.bench import open_bench
from rig.setup.bench_file import BenchFile, parse_bench
from rig.view import Prompt
from rig_configs.files.checked_toml import FileError, TomlText

SCPI = 'driver = "scpi_pressure_controller"\n'
MODBUS = 'driver = "modbus_pressure_controller"\n'
TIMEOUT = "link_timeout_s = 5\n"
PROVEN = "link_timeout_proven = 2026-03-02\n"
REGISTER = 'options = { link_timeout = { address = 25, kind = "uint16", scale = 0.1 } }\n'
NO_WORD = 'options = { words = { link_timeout = "" } }\n'


def bench(entry: str) -> BenchFile:
    tables = seed_bench(1.0).source.text.split("[instruments.")
    kept = [table for table in tables if not table.startswith(("gauge_b]", "valves]"))]
    text = "[instruments.".join(kept) + '[instruments.controller]\nrole = "controller"\naddress = "virtual"\n'
    return parse_bench(TomlText("controller.toml", text + entry))


def run(monkeypatch, entry: str, fault: str, when: When):
    monkeypatch.setattr(fault_bench, "seed_bench", lambda _volume_l: bench(entry))
    return run_faults((FaultSpec(fault, 0.0),), seed=5, when=when, procedure=seed_procedure("swings"))


def over_ambient_bar(truth: PotTruth) -> float:
    return truth.pressure_bar - truth.room_pressure_bar


KILLED_AT_THE_TOP = When("measure", 3, 8.0)


@pytest.mark.parametrize("entry", [SCPI + TIMEOUT, MODBUS + TIMEOUT + REGISTER], ids=["scpi", "modbus"])
def test_a_controller_with_a_link_timeout_vents_what_a_killed_program_leaves(monkeypatch, entry):
    done = run(monkeypatch, entry, "killed", KILLED_AT_THE_TOP)
    assert done.how == "killed"
    assert over_ambient_bar(done.truth) > 0.7
    assert over_ambient_bar(done.truth_later) < 0.02


def test_without_a_link_timeout_the_pressure_stands_until_a_person_comes(monkeypatch):
    """What README and the safety page say: if this fails, they have to be corrected."""
    done = run(monkeypatch, SCPI, "killed", KILLED_AT_THE_TOP)
    assert over_ambient_bar(done.truth_later) > 0.7


@pytest.mark.parametrize(
    "when",
    [When("fill", 3, 3.0), When("measure", 2, 5.0), When("purge", None, 30.0), When("vent", None, 3.0)],
    ids=str,
)
def test_an_inlet_that_stays_open_ends_in_a_standing_alarm(monkeypatch, when):
    done = run(monkeypatch, SCPI + TIMEOUT, "supply_stuck_open", when)
    assert done.how == "tripped"
    assert done.code in ("PRESSURE_RISES", "VENT_BLOCKED", "NOT_VENTED")
    assert done.truth.highest_pressure_bar < 2.4
    assert broken_invariants(done) == []
    said = " ".join(done.said)
    if over_ambient_bar(done.truth) > 0.05:
        assert "NOT VENTED" in said
        assert "you may open" not in said
    assert "Close the bottle NOW." in said
    assert "supply shut" not in said


@pytest.mark.parametrize("entry", [SCPI + TIMEOUT, MODBUS + TIMEOUT + REGISTER], ids=["scpi", "modbus"])
def test_over_the_wire_silence_vents_and_a_question_in_time_does_not(entry):
    with open_bench(bench(entry), cells=CELLS, seed=5, mode="lockstep") as opened:
        controller, clock, virtual = opened.controller, opened.clock, opened.virtual
        controller.set_ramp_bar_per_min(1.0)
        controller.set_pressure_bar(1.3)
        controller.hold_output(True)
        for _ in range(10):
            clock.sleep_until(clock.monotonic_s() + 4.0)
            controller.read_pressure_bar()
        assert not virtual.pot().vent_open
        clock.sleep_until(clock.monotonic_s() + 5.5)
        assert virtual.pot().vent_open


def controller_check(entry: str, tmp_path):
    report = run_preflight(bench(entry), tmp_path)
    return next(check for check in report.checks if check.what == "controller link time-out")


def test_preflight_asks_for_the_link_timeout_and_says_who_has_shown_it(tmp_path):
    assert controller_check(SCPI + TIMEOUT, tmp_path).verdict == "ok"
    assert "as read back" in controller_check(SCPI + TIMEOUT, tmp_path).found
    none = controller_check(SCPI, tmp_path)
    assert none.verdict == "caution"
    assert "a killed program or a cut cable leaves the pot under pressure" in none.found
    assert "link_timeout_s" in none.to_do
    stated = controller_check(MODBUS + TIMEOUT, tmp_path)
    assert stated.verdict == "caution"
    assert "does not confirm" in stated.found
    proven = controller_check(MODBUS + TIMEOUT + PROVEN, tmp_path)
    assert proven.verdict == "ok"
    assert "2026-03-02" in proven.found


def test_a_timeout_that_cannot_be_read_back_is_confirmed_by_a_person_or_no_gas_is_let_in(monkeypatch):
    entry = MODBUS + TIMEOUT
    alone = run(monkeypatch, entry, "killed", KILLED_AT_THE_TOP)
    assert (alone.how, alone.code) == ("refused", "LINK_TIMEOUT")
    assert "Nobody confirmed it" in alone.said[-1]
    assert alone.truth.gas_used_l == 0.0
    asked: list[Prompt] = []

    def answered(_self, prompt, _watch):
        asked.append(prompt)
        return "VENTS"

    monkeypatch.setattr(Dialogue, "_wait", answered)
    there = run(monkeypatch, entry, "killed", KILLED_AT_THE_TOP)
    assert there.how == "killed"
    assert [prompt.code for prompt in asked] == ["link_timeout"]
    assert "vents 5 s after the last message" in asked[0].text
    assert "Type VENTS." in asked[0].text


def test_a_timeout_that_a_person_has_proven_asks_nobody(monkeypatch):
    done = run(monkeypatch, MODBUS + TIMEOUT + PROVEN, "killed", When("air", 0, 1.0))
    assert done.how == "killed"


def test_a_make_without_a_word_for_it_confirms_nothing():
    with open_bench(bench(SCPI + TIMEOUT + NO_WORD), cells=CELLS, seed=5, mode="lockstep") as opened:
        assert opened.controller.link_timeout_s is None


def test_a_run_leaves_the_controller_silent_for_less_than_the_shortest_timeout(monkeypatch):
    """A controller that vents after 2 s of silence would end this run."""
    done = run(monkeypatch, SCPI + "link_timeout_s = 2\n", "clock_jump", KILLED_AT_THE_TOP)
    assert (done.how, done.trips()) == ("completed", [])


def test_a_link_timeout_belongs_to_a_controller_and_a_proof_to_a_timeout():
    text = seed_bench(1.0).source.text
    with pytest.raises(FileError, match="only a pressure controller vents by itself"):
        parse_bench(
            TomlText("b.toml", text.replace('role = "barometer"\n', 'role = "barometer"\n' + TIMEOUT))
        )
    with pytest.raises(FileError, match="write link_timeout_s beside it"):
        bench(SCPI + PROVEN)
    slow = bench(SCPI + TIMEOUT).source.text + "[scan]\ninterval_s = 1.0\n"
    with pytest.raises(FileError, match="write at least 8"):
        parse_bench(TomlText("b.toml", slow))
    assert bench(SCPI + TIMEOUT + PROVEN).instruments["controller"].link_timeout_proven == date(2026, 3, 2)
