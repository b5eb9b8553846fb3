"""A whole run on the virtual bench: what it leaves, and how it ends when it is stopped."""

import json
import os
import re
import signal
import threading
from dataclasses import replace
from datetime import datetime

import pytest

from drivers.virtual_spec import FaultSpec
from grading.record.format import FileText
from grading.record.reader import check_record, read_record
from grading.record.writer import RecordWriteError, RecordWriter
from rig.loop.stop import StopLevel, StopRequest
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import load_bench, open_bench
from rig.setup.cells import load_cells
from rig.setup.plan import make_plan
from rig.setup.procedure import ProcedureFile, load_procedure, parse_procedure

LIMITS = FileText(name="general", file="general.toml", text="")


class View:
    """Keeps all output, and answers prompts from a list."""

    show_every_s = 0.0

    def __init__(self, answers=()):
        self.said, self.asked, self.snapshots = [], [], []
        self._answers = list(answers)

    def update(self, snapshot):
        self.snapshots.append(snapshot)

    def say(self, text, severity="info"):
        self.said.append((severity, text))

    def ask(self, prompt):
        self.asked.append(prompt)
        return self._answers.pop(0) if self._answers else None

    def withdraw(self):
        pass


@pytest.fixture(scope="module")
def short() -> ProcedureFile:
    """Two steps and the closing one after a flow purge: six minutes of bench time."""
    from rig_configs.files.checked_toml import TomlText

    text = load_procedure("quick").text.replace('"swings"', '"flow"').split("[[steps]]")
    return parse_procedure(TomlText("short.toml", "[[steps]]".join(text[:3])))


def run(procedure, out, *, mode="direct", view=None, faults=(), struck=None, bench=None, stop=None):
    """Run on the virtual bench; `struck` is (phase, step, seconds after, what to do then with the bench)."""
    cells = load_cells("six_cells")[:2]
    file = bench or load_bench("virtual_bench")
    with open_bench(file, cells=cells, mode=mode, seed=417, faults=faults) as bench:
        stop, paths = stop or StopRequest(), []

        def make(header):
            writer = RecordWriter.create(out, header, bench.clock.utc())
            paths.append(writer.path)
            write, due = writer.sample, []

            def sample(row):
                phase, step, after_s, strike = struck
                if (row.phase, row.step) == (phase, step):
                    due.append(row.t_s)
                if due and row.t_s >= due[0] + after_s:
                    strike(bench, stop, row.t_s)
                write(row)

            if struck is not None:
                writer.sample = sample
            return writer

        outcome = run_session(
            bench, RunRequest(procedure, cells, LIMITS, out, "R. Mote"), view or View(), stop, sink=make
        )
        return replace(outcome, record=paths[0] if paths else None), bench.virtual.pot()


def once(action):
    """Let an action happen at the first call only."""
    calls = []

    def act(bench, stop, t_s):
        if not calls:
            calls.append(t_s)
            action(bench, stop, t_s)

    return act


def breaks(name, duration_s=None):
    return once(lambda bench, _stop, t_s: bench.virtual.inject(FaultSpec(name, t_s, duration_s=duration_s)))


def events(outcome, *kinds):
    return [event.data | {"t_s": event.t_s} for event in read_record(outcome.record).of_kind(*kinds)]


def test_the_zero_of_the_run_s_clock_is_the_start_in_utc_even_after_slow_checks(short, tmp_path):
    cells, stop = load_cells("six_cells")[:2], StopRequest()
    with open_bench(load_bench("virtual_bench"), cells=cells, mode="direct", seed=417) as bench:

        def slow_checks():
            bench.clock.sleep_until(bench.clock.monotonic_s() + 11.0)
            return ""

        view = View()
        view.update = lambda snapshot: snapshot.elapsed_s > 90.0 and stop.request("Ctrl-C", StopLevel.RAMPED)
        request = RunRequest(short, cells, LIMITS, tmp_path, "R. Mote")
        outcome = run_session(bench, request, view, stop, checks=slow_checks)
    record = read_record(outcome.record)
    started = datetime.fromisoformat(record.run.started_utc)
    assert len(record.of_kind("checkpoint")) > 2
    for event in record.events:
        since_start_s = (datetime.fromisoformat(event.utc) - started).total_seconds()
        assert since_start_s == pytest.approx(event.t_s, abs=0.01), event.kind
    assert record.t_s[0] > 11.0


def test_a_finished_run_leaves_a_sound_record_of_everything_it_did(short, tmp_path):
    outcome, pot = run(short, tmp_path)
    assert (outcome.how, outcome.exit_code) == ("completed", 0)
    assert check_record(outcome.record) == []
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02
    states = [event["to"] for event in events(outcome, "state")]
    assert states == [
        "CLEARING",
        "STOPPED",
        "RESETTING",
        "IDLE",
        "STARTING",
        "EXECUTE",
        "COMPLETING",
        "COMPLETE",
    ]
    assert [hold["step"] for hold in events(outcome, "hold_begin")] == [0, 1, 2, 3]
    assert events(outcome, "hold_begin")[0]["gas"] == "air"
    assert events(outcome, "vented_zero")[0]["verdict"] == "agrees"
    assert events(outcome, "leak")[0]["verdict"] == "tight"
    checks = events(outcome, "gas_check")
    assert [check["verdict"] for check in checks] == ["oxygen", "oxygen"]
    assert checks[1]["text"].startswith("2 cells agree with the way up")
    assert json.loads((outcome.record / "run.json").read_text())["operator"] == "R. Mote"


def test_the_screen_goes_through_the_parts_that_the_plan_prints(short, tmp_path):
    view = View()
    run(short, tmp_path, view=view)
    shown = list(dict.fromkeys((snapshot.now, snapshot.next) for snapshot in view.snapshots))
    parts = make_plan(load_bench("virtual_bench"), short).printed_parts
    assert [now for now, _ in shown] == [
        "making the rig safe",
        "vented-zero check",
        *[part.now for part in parts],
    ]
    assert [next_ for _, next_ in shown[1:]] == [*[part.name for part in parts], "the end"]
    left_s = [snapshot.left_s for snapshot in view.snapshots]
    assert left_s[0] == pytest.approx(sum(part.duration_s for part in parts), abs=1.0)
    assert left_s[-1] == 0.0


def test_the_claimed_oxygen_fraction_holds_against_the_bench(short, tmp_path):
    outcome, pot = run(short, tmp_path)
    claimed = events(outcome, "hold_begin")[-1]["oxygen_fraction"]
    doubt = events(outcome, "purge")[0]["u_oxygen_fraction"]
    assert abs(claimed - pot.oxygen_fraction) < 3.0 * doubt


def test_lockstep_over_the_wire_and_direct_give_the_same_readings(short, tmp_path):
    wire, _ = run(short, tmp_path / "wire", mode="lockstep")
    direct, _ = run(short, tmp_path / "direct")
    assert (wire.record / "samples.csv").read_bytes() == (direct.record / "samples.csv").read_bytes()


def asks(level=None):
    return once(lambda _bench, stop, _t_s: stop.request("Ctrl-C", level))


def test_one_stop_request_vents_on_the_ramp(short, tmp_path):
    outcome, pot = run(short, tmp_path, struck=("measure", 2, 5.0, asks()))
    assert (outcome.how, outcome.exit_code) == ("stopped", 1)
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02
    assert not events(outcome, "cell")
    assert read_record(outcome.record).end is not None


def test_a_second_request_de_energises_and_marks_the_cells(short, tmp_path):
    outcome, pot = run(
        short, tmp_path, struck=("measure", 2, 5.0, lambda _bench, stop, _t_s: stop.request("Ctrl-C"))
    )
    assert outcome.how == "aborted"
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02
    assert {event["finding"] for event in events(outcome, "cell")} == {"rapid_decompression"}


def test_an_urgent_request_de_energises_at_once(short, tmp_path):
    outcome, _ = run(short, tmp_path, struck=("measure", 2, 5.0, asks(StopLevel.NOW)))
    trip = events(outcome, "trip")[0]
    begun = [event["t_s"] for event in events(outcome, "phase") if event["phase"] == "measure"][1]
    assert (outcome.how, trip["code"]) == ("aborted", "STOPPED_NOW")
    assert trip["t_s"] - begun <= 5.5


@pytest.mark.parametrize(
    ("phase", "step"), [("air", 0), ("purge", None), ("let-out", 1), ("measure", 1), ("fill", 2)]
)
def test_a_stop_request_ends_vented_in_every_part_of_the_run(short, tmp_path, phase, step):
    outcome, pot = run(short, tmp_path, struck=(phase, step, 3.0, asks()))
    assert outcome.how == "stopped"
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02


def test_a_unit_mix_up_refuses_the_run_and_leaves_nothing_behind(short, tmp_path):
    view = View()
    outcome, pot = run(
        short, tmp_path, view=view, faults=(FaultSpec("gauge_unit_psi", 0.5, target="second_gauge"),)
    )
    assert (outcome.how, outcome.exit_code, outcome.record) == ("refused", 3, None)
    assert "psi" in outcome.why
    assert pot.gas_used_l == 0.0
    assert list(tmp_path.iterdir()) == []


def test_an_empty_bottle_holds_asks_and_continues_when_it_is_replaced(short, tmp_path):
    """The supply gives nothing on a ramp, and gives again soon after the operator has answered."""
    view = View(answers=["retry", "retry"])
    outcome, _ = run(short, tmp_path, view=view, struck=("fill", 2, 6.0, breaks("supply_stuck_shut", 16.0)))
    assert outcome.how == "completed"
    assert "HELD" in [event["to"] for event in events(outcome, "state")]
    assert {prompt.code for prompt in view.asked} == {"mend_no_response"}
    assert events(outcome, "answer")[0]["answer"] == "retry"


def test_a_pressure_that_stands_still_twice_at_the_same_place_is_not_asked_about_again(short, tmp_path):
    """A relief valve that lifts early does that; an answer 'retry' to the first hold is accepted."""
    view = View(answers=["retry", "retry", "retry"])
    outcome, _ = run(short, tmp_path, view=view, struck=("fill", 2, 6.0, breaks("supply_stuck_shut")))
    assert (outcome.how, outcome.code) == ("tripped", "NO_RESPONSE")
    assert len(view.asked) == 1
    assert re.search(r"For the second time: The pressure does not rise past 1\.\d{3} bar", outcome.why)


def test_nobody_answering_a_hold_ends_vented(short, tmp_path):
    outcome, pot = run(short, tmp_path, struck=("fill", 2, 6.0, breaks("supply_stuck_shut")))
    assert (outcome.how, outcome.code) == ("tripped", "NO_RESPONSE")
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02


def test_a_voltmeter_that_comes_back_lets_the_run_continue(short, tmp_path):
    outcome, _ = run(short, tmp_path, struck=("measure", 1, 10.0, breaks("voltmeter_silent", 20.0)))
    assert outcome.how == "completed"
    ends = events(outcome, "hold_end")
    assert [end["stop_reason"] for end in ends].count("aborted") == 1
    assert {end["step"] for end in ends if end["stop_reason"] != "aborted"} == {0, 1, 2, 3}


def test_the_screen_is_reported_where_the_run_is(short, tmp_path):
    view = View()
    run(short, tmp_path, view=view)
    assert view.snapshots
    last = view.snapshots[-1]
    assert 0.0 <= last.progress <= 1.0
    assert len(last.cells) == 2
    assert last.now


def test_a_file_edited_during_the_run_is_reported_once_and_changes_nothing(short, tmp_path):
    from rig_configs.files.checked_toml import read_text

    path = tmp_path / "short.toml"
    path.write_text(short.text, encoding="utf-8")
    kept = parse_procedure(read_text(path))
    view = View()
    edit = once(lambda _bench, _stop, _t_s: path.write_text(short.text + "\n# another idea\n"))
    outcome, _ = run(kept, tmp_path / "records", view=view, struck=("measure", 1, 5.0, edit))
    assert (outcome.how, outcome.exit_code) == ("completed", 0)
    notes = [note["text"] for note in events(outcome, "note")]
    assert [text for text in notes if "edited" in text] == [
        f"{path} was edited during the run, which continues with what it read at the start."
    ]
    assert [severity for severity, text in view.said if "edited" in text] == ["caution"]
    assert read_record(outcome.record).run.procedure.text == short.text


def test_a_person_who_says_vented_is_not_believed_while_a_gauge_reads_pressure(short, tmp_path):
    view = View(answers=["VENTED", "VENTED"])
    stuck = (FaultSpec("vent_stuck_shut", 200.0), FaultSpec("supply_stuck_open", 200.0))
    outcome, pot = run(short, tmp_path, view=view, faults=stuck)
    assert pot.pressure_bar > pot.room_pressure_bar + 0.1
    assert [prompt.code for prompt in view.asked] == ["not_vented"] * 3
    alarms = [text for severity, text in view.said if severity == "alarm"]
    assert len([text for text in alarms if text.startswith("NOT VENTED: this answer does not count")]) == 1
    assert len([text for text in alarms if text.startswith("As before: NOT VENTED: this answer")]) == 1
    assert outcome.exit_code == 1


class Broken(View):
    """A screen that fails at everything shown or said from a state of the run on."""

    def __init__(self, state):
        super().__init__()
        self._state, self._fails = state, False

    def update(self, snapshot):
        self._fails = self._fails or snapshot.state == self._state
        self.say("")

    def say(self, text, severity="info"):
        if self._fails:
            raise ZeroDivisionError("division by zero")


def test_a_screen_that_fails_is_noted_once_and_the_run_continues_to_its_end(short, tmp_path):
    outcome, pot = run(short, tmp_path, view=Broken("STARTING"))
    assert (outcome.how, outcome.exit_code) == ("completed", 0)
    assert [note["text"] for note in events(outcome, "note") if "screen" in note["text"]] == [
        "The screen failed (ZeroDivisionError: division by zero); the run continues without it."
    ]
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02


def test_a_screen_that_fails_while_the_run_vents_leaves_the_vent_on_its_ramp(short, tmp_path):
    asks = once(lambda _bench, stop, _t_s: stop.request("Ctrl-C"))
    outcome, pot = run(short, tmp_path, view=Broken("STOPPING"), struck=("measure", 1, 5.0, asks))
    assert (outcome.how, outcome.code) == ("stopped", "STOPPED")
    assert not events(outcome, "rest")
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02


def test_ctrl_z_is_answered_with_the_keys_that_stop_a_run(short, tmp_path):
    view = View()
    presses = once(lambda _bench, _stop, _t_s: os.kill(os.getpid(), signal.SIGTSTP))
    stop = StopRequest()
    with stop.on_signals():
        outcome, _ = run(short, tmp_path, view=view, struck=("measure", 1, 5.0, presses), stop=stop)
    assert outcome.how == "completed"
    (answer,) = [text for _, text in view.said if "Ctrl-Z" in text]
    assert answer.startswith(
        "Ctrl-Z is ignored: the pot needs this program. Ctrl-C: vent on the ramp and stop."
    )


def divide(_bench, _stop, _t_s):
    raise ZeroDivisionError("division by zero")


def test_an_error_of_the_program_ends_in_the_safe_state_with_its_traceback(short, tmp_path):
    outcome, pot = run(short, tmp_path, struck=("measure", 1, 5.0, once(divide)))
    assert (outcome.how, outcome.code, outcome.exit_code) == ("tripped", "PROGRAM_ERROR", 1)
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02
    assert any("in divide" in event["text"] for event in events(outcome, "note"))
    assert check_record(outcome.record) == []
    assert read_record(outcome.record).end.how == "tripped"


def test_an_error_that_stays_still_drops_the_outputs(short, tmp_path):
    benches = []

    def always(bench, stop, t_s):
        benches.append(bench)
        divide(bench, stop, t_s)

    with pytest.raises(ZeroDivisionError):
        run(short, tmp_path, struck=("measure", 1, 5.0, always))
    bench = benches[0]
    bench.clock.sleep_until(bench.clock.monotonic_s() + 0.2)
    pot = bench.virtual.pot()
    assert (pot.supply_open, pot.vent_open) == (False, True)


def test_a_trip_leaves_what_it_was_judged_on_and_from_when_on_readings_are_in_doubt(short, tmp_path):
    outcome, _ = run(short, tmp_path, struck=("measure", 1, 5.0, breaks("gauge_offset")))
    trip = events(outcome, "trip")[0]
    assert trip["code"] == "GAUGES_DISAGREE"
    assert trip["t_s"] - 5.0 < trip["invalid_from_s"] < trip["t_s"]
    assert abs(trip["gauge_bar"] - trip["second_gauge_bar"]) > 0.03
    assert (trip["gauge_status"], trip["intent"], trip["lid_closed"]) == ("ok", "keep", True)


def test_cells_that_were_dropped_to_ambient_are_to_rest(short, tmp_path):
    view = View()
    outcome, _ = run(short, tmp_path, view=view, struck=("measure", 2, 5.0, breaks("gauge_offset")))
    rest = events(outcome, "rest")
    assert len(rest) == 1
    assert any("leave them at ambient pressure until" in text for _, text in view.said)
    calm, _ = run(short, tmp_path / "calm", view=view)
    assert events(calm, "rest") == []


def test_the_run_says_how_much_oxygen_it_may_use_and_that_the_room_is_not_monitored(short, tmp_path):
    view = View()
    outcome, _ = run(short, tmp_path, view=view)
    assert any(text.endswith("the run is stopped at 60 L.") for _, text in view.said)
    assert "Room oxygen was not monitored." in [note["text"] for note in events(outcome, "note")]


def test_readings_that_can_no_longer_be_written_are_shown(short, tmp_path):
    def fill_the_disk(*_):
        raise RecordWriteError(28, "No space left on device")

    view = View()
    outcome, pot = run(short, tmp_path, view=view, struck=("measure", 2, 5.0, fill_the_disk))
    assert outcome.code == "RECORD_LOST"
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02
    shown = [
        text for _, text in view.said if re.match(r" *\d+\.\d s  abort  1\.\d{4} and 1\.\d{4} bar", text)
    ]
    assert 5 <= len(shown) <= 10


@pytest.mark.parametrize("bore_mm", [0.3, 0.5])
def test_a_flow_purge_passes_what_it_says_and_a_wide_supply_is_no_blocked_vent(short, tmp_path, bore_mm):
    from rig.setup.bench_file import parse_bench
    from rig_configs.files.checked_toml import TomlText
    from rig_configs.files.shipped_files import open_config

    text = open_config("benches", "virtual_bench").text
    wide = text.replace("[virtual]\n", f"[virtual]\nsupply_restrictor_mm = {bore_mm}\n")
    outcome, pot = run(short, tmp_path, bench=parse_bench(TomlText("wide.toml", wide)))
    assert outcome.how == "completed"
    claimed_l = events(outcome, "purge")[0]["volumes"]
    before_and_after_l = 0.15 + 0.33
    assert pot.gas_used_l == pytest.approx(claimed_l + before_and_after_l, rel=0.08)


def test_a_supply_too_coarse_for_its_pot_is_reported(short, tmp_path):
    from rig.setup.bench_file import parse_bench
    from rig_configs.files.checked_toml import TomlText
    from rig_configs.files.shipped_files import open_config

    text = open_config("benches", "virtual_bench").text
    wide = text.replace("[virtual]\n", "[virtual]\nsupply_restrictor_mm = 0.8\n")
    view = View()
    run(short, tmp_path / "wide", view=view, bench=parse_bench(TomlText("wide.toml", wide)))
    told = [text for _, text in view.said if "finer restrictor" in text]
    assert len(told) == 1
    assert 3.5 < float(re.search(r"lets in (\d\.\d) mbar", told[0]).group(1)) < 6.0
    run(short, tmp_path / "fine", view=view)
    assert len([text for _, text in view.said if "finer restrictor" in text]) == 1


def test_a_monitored_room_stands_in_the_record_and_ends_the_run_when_it_is_enriched(short, tmp_path):
    from rig.setup.bench_file import parse_bench
    from rig_configs.files.checked_toml import TomlText
    from rig_configs.files.shipped_files import open_config

    monitor = (
        '\n[instruments.room]\nrole = "room_oxygen"\ndriver = "modbus_room_oxygen"\naddress = "virtual"\n'
    )
    watched = parse_bench(TomlText("room.toml", open_config("benches", "virtual_bench").text + monitor))
    calm, _ = run(short, tmp_path / "calm", bench=watched)
    kept = next(note["text"] for note in events(calm, "note") if "Room oxygen" in note["text"])
    assert re.fullmatch(r"Room oxygen was monitored: 2[01]\.\d to 2[01]\.\d %\.", kept)
    rises = once(lambda bench, _, t_s: bench.virtual.inject(FaultSpec("room_oxygen", t_s, value=23.2)))
    told, _ = run(short, tmp_path / "told", bench=watched, struck=("measure", 2, 2.0, rises))
    assert told.how == "completed"
    assert [alarm["code"] for alarm in events(told, "alarm")] == ["ROOM_OXYGEN_RISES"]
    strike = ("measure", 2, 2.0, breaks("room_oxygen"))
    enriched, pot = run(short, tmp_path / "out", bench=watched, struck=strike)
    assert (enriched.how, enriched.code) == ("tripped", "ROOM_OXYGEN")
    assert abs(pot.pressure_bar - pot.room_pressure_bar) < 0.02


class AsksToStop(View):
    """A person who presses Ctrl-C instead of answering, once for each question."""

    def __init__(self, stop, at_once_s=1e9):
        super().__init__()
        self._stop, self._at_once_s = stop, at_once_s
        self._withdrawn = threading.Event()
        self.left_alone = 0

    def update(self, snapshot):
        if snapshot.elapsed_s >= self._at_once_s:
            self._at_once_s = 1e9
            self._stop.request("Ctrl-C", StopLevel.NOW)

    def ask(self, prompt):
        self.asked.append(prompt)
        self._withdrawn.clear()
        self._stop.request("Ctrl-C")
        self.left_alone += not self._withdrawn.wait(120.0)
        return

    def withdraw(self):
        self._withdrawn.set()


@pytest.mark.parametrize(
    ("faults", "at_once_s", "how", "codes"),
    [
        ({"cylinder_empty": 200.0}, 1e9, "stopped", ["mend_no_response"]),
        ({"vent_stuck_shut": 200.0, "supply_stuck_open": 200.0}, 1e9, "tripped", ["not_vented"]),
        # The most urgent stop was already requested; the question is open anyway, and has to end.
        ({"vent_stuck_shut": 400.0}, 420.0, "aborted", ["not_vented"]),
    ],
)
def test_ctrl_c_ends_a_question_on_a_bench_whose_time_stands_still_meanwhile(
    short, tmp_path, faults, at_once_s, how, codes
):
    stop = StopRequest()
    view = AsksToStop(stop, at_once_s)
    cells = load_cells("six_cells")[:2]
    specs = tuple(FaultSpec(name, at_s) for name, at_s in faults.items())
    with open_bench(load_bench("virtual_bench"), cells=cells, mode="direct", seed=417, faults=specs) as bench:
        outcome = run_session(bench, RunRequest(short, cells, LIMITS, tmp_path, "R. Mote"), view, stop)
    assert ([prompt.code for prompt in view.asked], view.left_alone) == (codes, 0)
    assert outcome.how == how
    assert check_record(outcome.record) == []


def test_a_barometer_that_falls_silent_is_reported_and_not_recorded_as_read(short, tmp_path):
    view = View()
    outcome, _ = run(short, tmp_path, view=view, struck=("measure", 1, 5.0, breaks("barometer_link_lost")))
    assert outcome.how == "completed"
    cautions = [text for severity, text in view.said if severity == "caution" and "barometer" in text]
    assert len(cautions) == 1
    assert "no longer answers" in cautions[0]
    assert cautions[0] in [note["text"] for note in events(outcome, "note")]
    first, last = events(outcome, "vented_zero")
    assert first["barometer_bar"] == pytest.approx(1.0, abs=0.1)
    assert last["barometer_bar"] is None
    back, _ = run(short, tmp_path / "back", struck=("measure", 1, 5.0, breaks("barometer_link_lost", 30.0)))
    assert "The barometer answers again." in [note["text"] for note in events(back, "note")]
