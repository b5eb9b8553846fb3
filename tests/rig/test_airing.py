"""The pot is aired before the reading in air: what is asked, what the cells show, what earlier runs know."""

import pytest

from drivers.ports import ValveState
from grading.document import write_results
from grading.results import CellInfo, CellResult, Figure, Grading, RunConditions
from rig.between_runs.air_history import known_air_mv
from rig.loop.dialogue import TRIES, NoAnswer
from rig.loop.loop import Tripped
from rig.phases.airing import AIRED, Airing
from rig.phases.hold import HoldResult
from rig.safety.scan import Scan


class Log:
    def __init__(self):
        self.notes = []

    def event(self, kind, **data):
        self.notes.append(data["text"])


class Loop:
    def __init__(self):
        self.log, self.scan = Log(), Scan()


class Dialogue:
    """Gives the answer, with the lid as the next entry of `lids` says until then; three tries."""

    def __init__(self, loop, lids=(), answers=True):
        self.asked, self.refused, self._loop, self._lids, self._answers = [], [], loop, lids, answers

    def confirm(self, code, text, word, *, timeout_s, watch, lid_off_s, contradiction):
        for lid in (*self._lids, *[()] * TRIES)[:TRIES]:
            self.asked.append(word)
            for closed in lid:
                self._loop.scan.valves = ValveState(False, True, closed, 0, False)
                watch(self._loop.scan)
            if not self._answers:
                raise NoAnswer("Nobody answered.")
            problem = contradiction()
            if problem is None:
                return
            self.refused.append(problem)
        raise NoAnswer(f"No usable answer: {problem}")


def airing(known=None, *, asks=True, **person):
    loop = Loop()
    dialogue = Dialogue(loop, **person)
    return Airing(loop, dialogue, known or {}, asks=asks), dialogue, loop.log


def hold(first_mv, output_mv):
    return HoldResult("settled", {}, output_mv, 1.0, first_mv)


def test_nobody_is_asked_where_nobody_is_there():
    made, dialogue, _ = airing(asks=False)
    made.air()
    assert dialogue.asked == []


def test_a_person_airs_the_pot_and_the_record_says_who_saw_it():
    made, dialogue, log = airing()
    made.air()
    assert dialogue.asked == [AIRED]
    assert log.notes[0].endswith("by the word of the operator.")
    made, dialogue, log = airing(lids=[(True, False, False, True)])
    made.air()
    assert dialogue.asked == [AIRED]
    assert "the lid switch saw the lid open and shut" in log.notes[0]


def test_a_lid_that_its_switch_never_saw_open_is_asked_about_once_more():
    made, dialogue, log = airing(lids=[(True, True)])
    made.air()
    assert dialogue.asked == [AIRED] * 2
    assert "has not seen the lid open" in dialogue.refused[0]
    assert "by the word of the operator; the lid switch has not seen the lid open" in log.notes[0]
    made, dialogue, log = airing(lids=[(True, True), (False, True)])
    made.air()
    assert dialogue.asked == [AIRED] * 2
    assert "the lid switch saw the lid open and shut" in log.notes[0]


@pytest.mark.parametrize(
    ("person", "says"),
    [({"answers": False}, "Nobody has confirmed"), ({"lids": [(True, False)]}, "says that the lid is open")],
)
def test_a_pot_that_nobody_aired_or_shut_again_gets_no_gas(person, says):
    made, _, _ = airing(**person)
    with pytest.raises(Tripped, match=says):
        made.air()


def test_cells_that_all_move_in_air_show_that_the_gas_changes():
    made, _, _ = airing()
    made.judge(hold({1: 10.0, 2: 11.0}, {1: 10.05, 2: 11.4}), {})
    with pytest.raises(Tripped, match="the gas in the pot is changing") as rising:
        made.judge(hold({1: 10.0, 2: 11.0}, {1: 10.3, 2: 11.4}), {})
    assert "a supply valve that leaks" in rising.value.trip.do_now
    with pytest.raises(Tripped, match="the gas in the pot is changing") as falling:
        made.judge(hold({1: 10.0, 2: 11.0}, {1: 9.7, 2: 10.6}), {})
    assert "leaks" not in falling.value.trip.do_now


@pytest.mark.parametrize(
    ("known", "now", "stops"),
    [
        ({1: 10.0, 2: 11.0}, {1: 10.7, 2: 11.8}, True),
        ({1: 10.0, 2: 11.0}, {1: 10.7, 2: 11.2}, False),
        ({1: 10.0, 2: 11.0}, {1: 9.0, 2: 10.0}, False),
        ({1: 10.0}, {1: 10.7, 2: 11.8}, False),
        ({1: 10.0}, {1: 11.2}, True),
        ({1: 10.0}, {1: 10.9}, False),
        ({1: 10.0, 2: 11.0}, {1: 10.51, 2: 11.56}, True),
        ({1: 10.0, 2: 11.0}, {1: 10.49, 2: 11.8}, False),
        ({}, {1: 20.0, 2: 22.0}, False),
    ],
)
def test_cells_that_all_read_higher_than_in_their_last_record_show_enriched_air(known, now, stops):
    made, _, _ = airing(known)
    if not stops:
        made.judge(hold(now, now), now)
        return
    with pytest.raises(Tripped, match="more oxygen than air"):
        made.judge(hold(now, now), now)


def kept(folder, name, air_mv, grade="pass", *, simulated=False):
    figure = Figure("air_output_mv", "mV", air_mv, 0.1)
    cell = CellResult(CellInfo("TB-0417"), grade, (), (), (figure,))
    conditions = RunConditions(simulated=simulated)
    (folder / name).mkdir(parents=True)
    write_results(folder / name, Grading("", "record", "general", "1", "", "", conditions, (cell,)))


def test_the_newest_graded_reading_in_air_counts(tmp_path):
    assert known_air_mv(tmp_path / "none", ["TB-0417"], simulated=False) == {}
    kept(tmp_path, "2026-03-01T100000Z-0001", 10.1)
    kept(tmp_path, "2026-03-02T100000Z-0002", 10.3)
    kept(tmp_path, "2026-03-03T100000Z-0003", 19.9, "ungraded")
    kept(tmp_path, "2026-03-04T100000Z-0004", 12.0, simulated=True)
    (tmp_path / "2026-03-05T100000Z-0005").mkdir()
    (tmp_path / "2026-03-05T100000Z-0005" / "results.json").write_text("{")
    assert known_air_mv(tmp_path, ["TB-0417", "OS-1123"], simulated=False) == {"TB-0417": 10.3}
    assert known_air_mv(tmp_path, ["TB-0417"], simulated=True) == {"TB-0417": 12.0}
