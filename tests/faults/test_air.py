"""A pot that holds no fresh air before the test: whole runs, judged on the true gas and on the grades."""

import pytest
from graded_run import GradedRun, by_flow, graded_run


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
