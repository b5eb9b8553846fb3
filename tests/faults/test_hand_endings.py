"""How a run at a hand pot ends after something went wrong: what the person is asked, told and left with."""

from __future__ import annotations

from typing import Any

import pytest
from operators import Obedient
from test_lid import hand_bench, run

from drivers.virtual_spec import FaultSpec
from rig.between_runs.last_run import last_recorded
from rig.safety.scan import Scan
from rig.view import Action, Cue, Prompt, Valve


class Habit(Obedient):
    """Types whatever ends the question, and never looks at the dial at the end."""

    def answer(self, prompt: Prompt) -> str | None:
        if prompt.code == "not_vented_dial":
            return "0 barg"
        return prompt.choices[0] if prompt.choices else super().answer(prompt)


class LeavesSupplyOpen(Obedient):
    """Keeps the supply open through the first filling, and obeys the alarm only so many seconds later."""

    late_s = 8.0

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._alarmed_s: float | None = None

    def act(self, cue: Cue | None, scan: Scan) -> None:
        fills = cue is not None and cue.valve is Valve.SUPPLY and scan.highest_bar is not None
        if cue is not None and cue.action is Action.OPEN_FULLY and self._opening[Valve.SUPPLY] > 0.0:
            self._alarmed_s = scan.t_s if self._alarmed_s is None else self._alarmed_s
            if scan.t_s - self._alarmed_s < self.late_s:
                return
        elif fills and cue.action in (Action.CLOSE, Action.SLOWER) and not self._alarmed_s:
            return
        super().act(cue, scan)


class ObeysLate(LeavesSupplyOpen):
    late_s = 45.0


class SneaksSupply(Obedient):
    """Opens the supply a crack with the vent shut, once a question or a word has come."""

    at_question = True
    sneaks = False

    def answer(self, prompt: Prompt) -> str | None:
        self.sneaks = self.sneaks or (self.at_question and prompt.code == "dial_lid")
        return super().answer(prompt)

    def say(self, text: str, severity: Any = "info") -> None:
        self.sneaks = self.sneaks or "you may open the lid" in text
        super().say(text, severity)

    def cue(self, cue: Cue | None, scan: Scan) -> None:
        if not self.sneaks:
            super().cue(cue, scan)
            return
        self._set(Valve.VENT, 0.0)
        self._set(Valve.SUPPLY, 0.03)


class SneaksAtTheLid(SneaksSupply):
    at_question = False


class ReadsTwice(Obedient):
    """Reads 0.3 bar on the dial first, and nothing a moment later."""

    read = 0

    def answer(self, prompt: Prompt) -> str | None:
        if prompt.code == "dial_lid":
            self.read += 1
            return "0.3 barg" if self.read == 1 else "0 barg"
        return super().answer(prompt)


def alarms(done: Any) -> list[tuple[float, str]]:
    return [(event.t_s, str(event.data["code"])) for event in done.events("alarm")]


def test_a_word_typed_by_habit_is_asked_for_a_few_times_and_refused_with_its_reason(tmp_path):
    done = run(tmp_path, Habit, hand_bench(), (FaultSpec("tee_clogged", 0.0), "COMPLETING", None, 0.2))
    assert done.truth.pressure_bar - done.truth.room_pressure_bar > 0.05
    asked = [event.data["code"] for event in done.events("prompt") if "vented" in event.data["code"]]
    assert 1 <= len(asked) <= 4
    assert set(asked) == {"not_vented_dial"}
    whys = [text for text, _ in done.screen.said if "this answer does not count, because the cells" in text]
    assert len([text for text in whys if not text.startswith(("As before", "NOT CONFIRMED: this"))]) <= 1
    assert whys
    assert not done.screen.lid_texts
    assert "NOT CONFIRMED" in done.outcome.why
    assert done.said("may have been decompressed fast")


def test_a_person_has_some_seconds_before_a_rise_is_reported_against_the_order(tmp_path):
    done = run(tmp_path, LeavesSupplyOpen, hand_bench())
    assert [code for _, code in alarms(done)] == []
    assert done.outcome.how == "tripped"
    assert len(done.screen.lid_texts) == 1


def test_after_a_rise_that_is_over_the_lid_is_asked_for_and_the_alarm_is_in_the_past_tense(tmp_path):
    done = run(tmp_path, ObeysLate, hand_bench())
    (trip,) = done.events("trip")
    (rises_s, _), *_ = alarms(done)
    assert rises_s - trip.t_s >= 15.0
    assert not done.said("drop everything")
    assert done.said("although you were asked to shut the supply and to open the vent")
    asked = [event.data["code"] for event in done.events("prompt")]
    assert asked[-2:] == ["cylinder_shut", "dial_lid"]
    assert done.outcome.code == trip.data["code"]
    assert "The pressure rose to" in done.outcome.why
    assert done.said("Before that an alarm was sounded: The pressure rose to")
    assert not done.said("whether it is vented is not known")
    box = done.screen.snapshots[-1].alarm or ""
    assert box.startswith(trip.data["text"])
    assert "bar now" not in box


@pytest.mark.parametrize("person", [SneaksSupply, SneaksAtTheLid])
def test_gas_that_comes_in_around_the_lid_is_seen(tmp_path, person):
    done = run(tmp_path, person, hand_bench())
    assert done.outcome.code == "NOT_VENTED"
    assert len(done.screen.lid_texts) == (person is SneaksAtTheLid)
    over = [pot.pressure_bar - pot.room_pressure_bar for pot in done.screen.lid_texts]
    assert max(over, default=0.0) < 0.003
    assert done.said("the pressure rises, by") or done.said("after the lid was allowed")


def test_a_gauge_that_is_shut_off_is_named_and_its_reading_is_given(tmp_path):
    done = run(tmp_path, Obedient, hand_bench(), (FaultSpec("gauge_manifold_shut", 0.0), "EXECUTE", 1, 30.0))
    assert done.said("The gauge may be shut off from the pot: compare it with the dial.")
    assert not done.said("cells were decompressed fast")
    assert done.said("mbar against ambient or")
    assert not done.screen.lid_texts
    left = last_recorded(tmp_path, hand_bench())
    assert left is not None
    assert "At its end the pot was not shown to be vented: NOT VENTED" in left.text


def test_a_dial_that_has_shown_pressure_is_read_twice_more(tmp_path):
    done = run(tmp_path, ReadsTwice, hand_bench())
    read_s = [event.t_s for event in done.events("answer") if event.data["code"] == "dial_lid"]
    assert len(read_s) == 3
    assert read_s[2] - read_s[1] >= 10.0
    assert len(done.screen.lid_texts) == 1
