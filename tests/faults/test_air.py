"""A pot that holds no fresh air before the test: whole runs, judged on the true gas and on the grades."""

import pytest
from graded_run import GradedRun, by_flow, graded_run

from drivers.virtual_spec import FaultSpec
from grading.record.format import FileText
from rig.cli.main import main
from rig.job.simulated_person import person_at
from rig.loop.stop import StopRequest
from rig.phases.airing import AIRED
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.setup.bench import load_bench, open_bench
from rig.setup.cells import load_cells
from rig.setup.procedure import load_procedure

AIR = 0.2075
"""Oxygen in the room's air with its water vapour."""
LIMITS = FileText(name="general", file="general.toml", text="")


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("records")


@pytest.fixture(scope="module")
def sound(out) -> GradedRun:
    """A run without a fault, whose grading is kept: what later runs know of the cells."""
    from grading.document import write_results

    run = graded_run(out, procedure=by_flow("quick"), cells=2)
    write_results(run.record, run.grading)
    return run


def no_good_cell_is_rejected(run):
    assert "reject" not in run.grades.values(), run.reasons


@pytest.mark.parametrize("fraction", [0.23, 0.25, 0.4, 0.6])
def test_a_pot_never_aired_rejects_no_cell(tmp_path, fraction):
    run = graded_run(tmp_path, procedure=by_flow("quick"), cells=2, faults=[f"pot_enriched={fraction}@0"])
    no_good_cell_is_rejected(run)
    assert set(run.grades.values()) == {"ungraded"}
    assert any("uspect" in text and "air" in text for text in run.said)


def test_what_to_do_with_a_pot_never_aired_is_said_and_not_repeated_at_the_end(tmp_path, capsys):
    procedure = tmp_path / "quick.toml"
    procedure.write_text(by_flow("quick").text)
    records = str(tmp_path / "records")
    asked = ["run", "virtual_bench", "-p", str(procedure), "-c", "six_cells", "--out", records]
    assert main([*asked, "--inject", "pot_enriched=0.6@0"]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "Run tripped: GAS_SUSPECT; the cells above say why." in told
    # Once when it happens, once as the reason of every cell.
    assert told.count("take the lid off for a minute, put it back, and start again") == 2


def test_a_pot_never_aired_is_seen_before_any_gas_where_the_cells_are_known(out, sound):
    run = graded_run(out, procedure=by_flow("quick"), cells=2, faults=["pot_enriched=0.25@0"])
    assert run.outcome.code == "AIR_SUSPECT"
    assert run.truth.oxygen_fraction < 0.3
    assert any("take the lid off" in text for text in run.said)
    no_good_cell_is_rejected(run)


def test_a_sound_second_run_of_known_cells_is_not_stopped(out, sound):
    run = graded_run(out, procedure=by_flow("quick"), cells=2, seed=418)
    assert run.outcome.how == "completed"


@pytest.mark.parametrize("ml_per_s", [0.5, 0.05, 0.03])
def test_a_supply_that_seeps_rejects_no_cell(tmp_path, ml_per_s):
    run = graded_run(tmp_path, procedure=by_flow("quick"), cells=2, faults=[f"supply_seeps={ml_per_s}@0"])
    no_good_cell_is_rejected(run)
    leaks = [event["verdict"] for event in run.events("leak")]
    if leaks == ["rises"]:
        air = [one for cell in run.grading.cells for one in cell.figures if one.key.startswith("air_")]
        assert all(one.grade is None and "enriched" in one.reason for one in air)
    else:
        assert run.outcome.how == "tripped"


class Screen:
    """Shows nothing, and ends the run when the cylinder is to be opened."""

    show_every_s = float("inf")

    def __init__(self, read_pot, stop):
        self.said, self.oxygen_fraction = [], None
        self._read_pot, self._stop = read_pot, stop

    def update(self, snapshot):
        pass

    def say(self, text, severity="info"):
        self.said.append(text)
        if "Open the cylinder valve slowly" in text:
            self.oxygen_fraction = self._read_pot().oxygen_fraction
            self._stop.request("Ctrl-C")

    def withdraw(self):
        pass


@pytest.mark.parametrize(("aired", "fraction"), [(False, AIR), (True, 0.4)])
def test_the_person_at_a_hand_pot_airs_it_unless_it_was_stated(tmp_path, aired, fraction):
    file, cells = load_bench("virtual_hand_pot"), load_cells("three_cells")
    stop = StopRequest()
    enriched = (FaultSpec("pot_enriched", 0.0, value=0.4),)
    with open_bench(file, cells=cells, seed=417, mode="direct", faults=enriched) as bench:
        screen = Screen(bench.virtual.pot, stop)
        person = person_at(bench.virtual, screen, file, tmp_path)
        request = RunRequest(load_procedure("quick"), cells, LIMITS, tmp_path, "R. Mote", aired=aired)
        outcome = run_session(bench, request, person, stop)
    assert outcome.how == "stopped"
    assert screen.oxygen_fraction == pytest.approx(fraction, abs=0.01)
    assert any("take the lid off" in text for text in screen.said) is not aired
    assert any(f"> {AIRED}" in text for text in screen.said) is not aired
