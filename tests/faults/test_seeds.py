"""Seeds of random faults on random pots, judged on the bench's truth. The night takes ten thousand."""

import pytest
from fault_bench import broken_invariants, left_to_hands, run_seed, seed_plan
from run_seeds import replay_line

_CHUNK = 20


def _hold_seeds_against_invariants(first, faults):
    for seed in range(first, first + _CHUNK):
        broken = broken_invariants(run_seed(seed, faults))
        assert not broken, f"{broken}; again: {replay_line(seed, faults)}"


@pytest.mark.parametrize("first", range(1, 201, _CHUNK))
def test_single_faults_break_no_invariant(first):
    _hold_seeds_against_invariants(first, 1)


@pytest.mark.parametrize("first", range(1, 61, _CHUNK))
def test_double_faults_break_no_invariant(first):
    _hold_seeds_against_invariants(first, 2)


@pytest.mark.parametrize("first", range(1, 41, _CHUNK))
def test_fault_free_runs_complete(first):
    for seed in range(first, first + _CHUNK):
        run = run_seed(seed, 0)
        assert run.how == "completed", f"{run.code}; again: {replay_line(seed, 0)}"


@pytest.mark.parametrize(
    ("seed", "faults"), [(1693, 1), (9503, 1), (784, 2), (2393, 2), (2979, 2), (4776, 2)]
)
def test_what_a_night_of_seeds_has_found_stays_mended(seed, faults):
    run = run_seed(seed, faults)
    assert broken_invariants(run) == []
    assert run.how == "tripped"


def test_a_dead_program_and_a_stuck_valve_are_left_to_hands_alone():
    run = run_seed(1885, 2)
    assert {fault.name for fault in run.faults} == {"supply_stuck_open", "killed"}
    assert left_to_hands(run)
    assert broken_invariants(run) == []
    assert not left_to_hands(run_seed(1693, 1))


def test_a_seed_replays_exactly():
    one, again = run_seed(7, 1), run_seed(7, 1)
    assert one.sink.events == again.sink.events
    assert one.truth == again.truth


def test_a_seed_fixes_faults_pot_and_purge():
    assert seed_plan(12, 2) == seed_plan(12, 2)
    assert seed_plan(12, 2) != seed_plan(13, 2)


@pytest.mark.parametrize("seed", [2, 5, 11, 23])
def test_records_of_broken_runs_are_readable(seed, tmp_path):
    run = run_seed(seed, 1, record=tmp_path)
    assert broken_invariants(run) == []
