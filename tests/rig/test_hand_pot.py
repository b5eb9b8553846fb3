"""What is typed and shown at a hand pot, piece by piece; whole runs are in tests/faults."""

from __future__ import annotations

import os
import pty
import threading
import time
from datetime import date
from types import SimpleNamespace

import pytest

from drivers.system_clock import SystemClock
from rig.cli.main import main
from rig.hand.cues import CRACK_BAR, advise
from rig.hand.typed_pressure import TypedWrong, both_ways, read_pressure
from rig.job.simulated_person import SimulatedPerson
from rig.loop.dialogue import Dialogue, NoAnswer, clock_runs
from rig.loop.loop import StopAsked
from rig.loop.stop import StopRequest
from rig.safety.scan import Scan
from rig.setup.bench_file import load_bench
from rig.terminal.valve_keys import KeyHands
from rig.view import Action, Cue, Move, Prompt, Snapshot, Valve, Wanted


@pytest.mark.parametrize(
    ("text", "absolute_bar"),
    [
        ("1.6 bara", 1.6),
        ("0.6barg", 1.6),
        ("1600 mbara", 1.6),
        ("1013.25 hPa", 1.01325),
        ("160 kPaa", 1.6),
        ("23.206 psia", 1.6),
        ("8.702 psig", 1.6),
        ("-0.01 barg", 0.99),
    ],
)
def test_a_pressure_with_its_unit_is_read(text, absolute_bar):
    assert read_pressure(text).absolute_bar(1.0) == pytest.approx(absolute_bar, abs=1e-4)
    assert read_pressure(text).gauge_bar(1.0) == pytest.approx(absolute_bar - 1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("16", "has no unit"),
        ("1,6 bara", "has a comma"),
        ("1,6", "has a comma"),
        ("1.6 bar", "does not say absolute or gauge"),
        ("1.6 atm", "'atm' is not known"),
        ("", "is not a pressure"),
        ("yes", "is not a pressure"),
    ],
)
def test_anything_else_gets_one_line_that_says_what_would_be_right(text, words):
    with pytest.raises(TypedWrong) as wrong:
        read_pressure(text)
    assert words in str(wrong.value)
    assert "for example 1.6 bara (absolute) or 0.6 barg (gauge)" in str(wrong.value)
    assert "\n" not in str(wrong.value)


def test_a_dial_is_typed_in_its_own_units():
    assert both_ways(2.01325, 1.01325) == "2.013 bar absolute = 1.00 bar gauge (14.5 psi gauge)"
    assert both_ways(1.0112, 1.0130) == "1.011 bar absolute = 0.00 bar gauge (0.0 psi gauge)"
    assert both_ways(1.0130, 1.0132) == "1.013 bar absolute = 0.00 bar gauge (0.0 psi gauge)"


@pytest.mark.parametrize("up", [True, False])
@pytest.mark.parametrize("rate", [0.2, 0.5, 1.0, 2.0])
def test_close_now_comes_one_reaction_before_the_target(up, rate):
    sign = 1.0 if up else -1.0
    lead_bar = rate / 60.0 * 1.5
    late = advise(1.6, 1.6 - sign * (lead_bar + 0.002), sign * rate, up=up)
    early = advise(1.6, 1.6 - sign * (lead_bar + 0.012), sign * rate, up=up)
    assert late.action is Action.CLOSE
    assert "NOW" in late.text
    assert early.action is not Action.CLOSE


def test_the_cue_shows_distance_and_rate_and_slows_fast_hands():
    assert advise(1.6, 1.2, 0.0, up=True).action is Action.OPEN
    steady = advise(1.6, 1.2, 0.45, up=True)
    assert steady.action is Action.WAIT
    assert steady.to_go_bar == pytest.approx(0.4)
    assert steady.rate_bar_per_min == 0.45
    assert "400 mbar to go, +0.45 bar/min" in steady.text
    assert advise(1.6, 1.2, 1.3, up=True).action is Action.SLOWER
    assert advise(1.6, 1.2, 2.3, up=True).action is Action.CLOSE
    opens = advise(1.6, 1.6 - 0.9 * CRACK_BAR, 0.2, up=True)
    shuts = advise(1.6, 1.6 - 0.9 * CRACK_BAR, 0.4, up=True)
    assert opens.action is shuts.action is Action.CRACK
    assert opens.text.startswith("OPEN SUPPLY A CRACK")
    assert shuts.text.startswith("SUPPLY DOWN TO A CRACK")
    assert advise(1.2, 1.6, -0.45, up=False).valve is Valve.VENT


@pytest.mark.parametrize(
    ("valve", "target_bar", "turned_valve"), [(Valve.SUPPLY, 1.8, "supply"), (Valve.VENT, 1.2, "vent")]
)
def test_the_simulated_person_acts_on_the_numbers_of_a_question_and_not_on_its_words(
    valve, target_bar, turned_valve
):
    turned = []
    pot = SimpleNamespace(pressure_bar=1.5, room_pressure_bar=1.0)
    person = SimulatedPerson(
        Keyboard(),
        lambda name, opening: turned.append((str(name), opening)),
        lambda: pot,
        load_bench("virtual_hand_pot"),
        today=date(2026, 3, 2),
    )
    person.act(Cue(Valve.SUPPLY, Action.REST, "xyzzy"), Scan())
    turned.clear()
    person.put(Prompt("moved", "xyzzy", ("DONE",), move=Move(valve, target_bar)), 0.0)
    for tick in range(10):
        person.cue(None, Scan(t_s=float(tick)))
    assert turned
    assert {name for name, _ in turned} == {turned_valve}
    assert person.take(10.0) is None
    pot.pressure_bar = target_bar
    person.cue(None, Scan(t_s=11.0))
    assert turned[-1] == (turned_valve, 0.0)
    assert person.take(11.0) == "DONE"


@pytest.mark.parametrize(
    ("wanted", "answer"),
    [
        (Wanted.PLATE_PRESSURE, "3 bara"),
        (Wanted.RELIEF_DUE, "2026-09-18"),
        (Wanted.BAROMETER, "1000.0 hPa"),
        (Wanted.DIAL, "0.50 barg"),
        (Wanted.TRIP_CODE, "HANDS_IDLE"),
        (Wanted.BENCH_VALUE, "0.5"),
        (Wanted.TEXT, None),
    ],
)
def test_the_simulated_person_answers_what_is_wanted_whatever_the_words(wanted, answer):
    bench = load_bench("virtual_hand_pot")
    person = SimulatedPerson(
        Keyboard(), lambda *_: None, at_ease, bench, today=date(2026, 3, 2), first_out="HANDS_IDLE"
    )
    assert person.ask(Prompt("xyzzy", "xyzzy", wanted=wanted, bench_key="volume_l")) == answer


def test_the_shipped_pot_can_be_practised_on_from_the_command_line(tmp_path, capsys):
    code = main(
        [
            "run",
            "virtual_hand_pot",
            "-p",
            "quick",
            "-c",
            "three_cells",
            "-o",
            str(tmp_path),
            "--no-certificates",
        ]
    )
    out = capsys.readouterr().out
    assert code == 0
    for words in ("Type EYES.", "simulated person", "mbar to go", "you may open the lid now, slowly"):
        assert words in out
    assert main(["archive", "check", str(tmp_path)]) == 0


def test_a_meter_read_by_eye_is_sent_to_the_readings_table(tmp_path, capsys):
    text = load_bench("virtual_hand_pot").text
    before, _, rest = text.partition("[instruments.meter]")
    after = rest[rest.index("[instruments.gauge]") :]
    meter = (
        '[instruments.meter]\nrole = "voltmeter"\ndriver = "typed_voltmeter"\naddress = "virtual"\n'
        "[instruments.meter.options]\nsockets = [1, 2, 3]\n\n"
    )
    file = tmp_path / "by_eye.toml"
    file.write_text(before + meter + after)
    assert main(["run", str(file), "-c", "three_cells", "-o", str(tmp_path / "out")]) == 2
    said = capsys.readouterr()
    assert said.err.count("typed_voltmeter") == 1
    line = file.read_text().splitlines().index('driver = "typed_voltmeter"') + 1
    assert f"by_eye.toml:{line}: instruments.meter.driver: " in said.err
    assert "leadline grade table.csv" in said.err
    assert not (tmp_path / "out").exists()


class TickingLoop:
    """As much of a loop as a dialogue needs; a tick takes 5 ms of real time."""

    def __init__(self):
        self.log = SimpleNamespace(event=lambda kind, **data: self.events.append((kind, data)))
        self.events = []
        self.ticks = 0
        self.begun_s = time.monotonic()

    @property
    def now_s(self):
        return time.monotonic() - self.begun_s

    def tick(self):
        time.sleep(0.005)
        self.ticks += 1
        return SimpleNamespace(t_s=self.now_s)


class Keyboard:
    """A view whose person types once `ready` returns, or never."""

    def __init__(self, *answers, ready=lambda: None):
        self.answers = list(answers)
        self.ready = ready
        self.said = []
        self.withdrawn = threading.Event()

    def say(self, text, severity="info"):
        self.said.append(text)

    def ask(self, prompt):
        if not self.answers:
            self.withdrawn.wait(prompt.timeout_s + 5.0)
            return None
        self.ready()
        return self.answers.pop(0)

    def withdraw(self):
        self.withdrawn.set()


def picture(cue):
    """A picture with no readings, only a cue for the hands."""
    unknown = dict.fromkeys(
        (
            "pressure_bar",
            "target_bar",
            "barometer_bar",
            "po2_bar",
            "temperature_c",
            "ramp_bar_per_min",
        )
    )
    return Snapshot(
        elapsed_s=0.0,
        left_s=0.0,
        progress=0.0,
        state="EXECUTE",
        now="",
        next="",
        gas_used_l=0.0,
        cells=(),
        cue=cue,
        **unknown,
    )


def at_ease():
    """A pot at 1.5 bar in a room at 1.0 bar."""
    return SimpleNamespace(pressure_bar=1.5, room_pressure_bar=1.0)


def test_the_pot_is_watched_while_somebody_types():
    loop, seen = TickingLoop(), []

    def for_five_ticks():
        until = loop.ticks + 5
        while loop.ticks < until:
            time.sleep(0.001)

    view = Keyboard("yes", "", "OPEN", ready=for_five_ticks)
    dialogue = Dialogue(loop, view, StopRequest(), time_runs=True)
    dialogue.confirm("vent", "Vent open?", "OPEN", watch=seen.append)
    assert loop.ticks >= 15
    assert len(seen) == loop.ticks
    assert [kind for kind, _ in loop.events] == ["prompt", "answer"] * 3
    assert loop.events[-1][1]["answer"] == "OPEN"


def test_a_question_ends_unanswered_after_its_time():
    view = Keyboard()
    dialogue = Dialogue(TickingLoop(), view, StopRequest(), time_runs=True)
    with pytest.raises(NoAnswer, match=r"Nobody answered within 0 s"):
        dialogue.confirm("vent", "Vent open?", "OPEN", timeout_s=0.2)
    assert view.withdrawn.is_set()


def test_where_there_is_no_keyboard_no_time_is_said_to_have_passed():
    class NoKeyboard(Keyboard):
        def ask(self, prompt):
            return None

    dialogue = Dialogue(TickingLoop(), NoKeyboard(), StopRequest(), time_runs=True)
    with pytest.raises(NoAnswer, match="there is no keyboard here"):
        dialogue.confirm("vent", "Vent open?", "OPEN", timeout_s=600.0)


def test_a_stop_takes_the_question_back():
    view, stop = Keyboard(), StopRequest()
    dialogue = Dialogue(TickingLoop(), view, stop, time_runs=True)
    threading.Timer(0.1, stop.request, ("Ctrl-C",)).start()
    with pytest.raises(StopAsked):
        dialogue.ask(Prompt("vent", "Vent open?", timeout_s=5.0))
    assert view.withdrawn.is_set()
    dialogue.before_gas = False
    view.answers = ["SHUT"]
    assert dialogue.ask(Prompt("shut", "Shut?", timeout_s=5.0)) == "SHUT"


def test_a_question_for_which_time_stands_still_still_answers_the_suspend_key():
    waited = threading.Event()
    view = Keyboard("yes", ready=lambda: waited.wait(5.0))
    dialogue = Dialogue(TickingLoop(), view, StopRequest(), time_runs=False, while_waiting=waited.set)
    assert dialogue.ask(Prompt("vent", "Vent open?", timeout_s=5.0)) == "yes"
    assert waited.is_set()


def test_the_computers_clock_runs_by_itself():
    assert clock_runs(SystemClock())
    assert not clock_runs(SimpleNamespace(monotonic_s=lambda: 1.0))


def test_keys_turn_the_valves_in_fine_steps():
    turned = []
    hands = KeyHands(Keyboard(), lambda valve, opening: turned.append((valve, opening)), at_ease)
    for key in "zSSsx?Vvo":
        hands.press(key)
    assert [valve for valve, _ in turned] == ["vent", *["supply"] * 4, "vent", "vent", "vent"]
    openings = [opening for _, opening in turned]
    assert openings[0] == 0.0
    assert 0.0 < openings[1] < openings[2] < 0.05
    assert openings[3] == openings[1]
    assert openings[4] == 0.0
    assert openings[-1] == 1.0


def test_own_hands_are_shown_what_a_person_at_the_pot_would_read(monkeypatch):
    shown = []
    screen = Keyboard()
    screen.update = shown.append
    hands = KeyHands(screen, lambda valve, opening: None, at_ease, ("The plate says 3 bara.",))
    hands.press("S")
    hands.update(picture(Cue(Valve.SUPPLY, Action.OPEN, "OPEN SUPPLY a little")))
    hands.update(picture(None))
    assert [snapshot.cue_text for snapshot in shown] == [
        "OPEN SUPPLY a little   [supply 1 %, vent 100 %, dial 0.50 barg]",
        "supply 1 %, vent 100 %, dial 0.50 barg",
    ]
    monkeypatch.setattr("rig.terminal.valve_keys.keys_pressed", lambda within_s: None)
    with hands:
        pass
    assert screen.said[1:] == ["The plate says 3 bara.", "The barometer on the wall reads 1000.0 hPa."]


def test_keys_are_letters_while_a_question_stands(monkeypatch):
    outer, inner = pty.openpty()
    terminal = os.fdopen(inner, "r")
    monkeypatch.setattr("sys.stdin", terminal)
    turned = []
    asked, answer = threading.Event(), threading.Event()
    view = Keyboard("SHUT", ready=lambda: asked.set() or answer.wait(60.0))
    with KeyHands(view, lambda valve, opening: turned.append((valve, opening)), at_ease) as hands:
        asker = threading.Thread(target=hands.ask, args=(Prompt("shut", "Shut?"),))
        asker.start()
        assert asked.wait(60.0)
        os.write(outer, b"x")
        time.sleep(0.1)
        assert turned == []
        answer.set()
        asker.join()
        until_s = time.monotonic() + 60.0
        while not turned and time.monotonic() < until_s:
            time.sleep(0.02)
    assert turned == [("supply", 0.0)]
    terminal.close()
    os.close(outer)


def test_own_hands_are_for_a_virtual_hand_pot_at_a_terminal(capsys):
    assert main(["run", "virtual_bench", "-c", "six_cells", "--my-hands"]) == 2
    assert "take virtual_hand_pot" in capsys.readouterr().err


def test_a_target_that_was_passed_says_how_far_and_no_rate_is_a_negative_zero():
    past = advise(2.0, 2.059, -0.001, up=True)
    assert past.text.endswith("59 mbar too far, +0.00 bar/min")
    assert "0 mbar to go" in advise(2.0, 2.0002, 0.0, up=True).text
