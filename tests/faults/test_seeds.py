"""Seeds of random faults on random pots, judged on the bench's truth. The night takes ten thousand."""

import hashlib

import pytest
from fault_bench import When, broken_invariants, left_to_hands, run_faults, run_plan, run_seed, seed_plan
from run_seeds import replay_line
from seed_benches import BY_HABIT, BY_HAND, CONTROLLER, KINDS, SOLENOID
from seed_plans import COMMON, FAMILIES, LATER_FAULTS, NONE, RESPONSE, TRIPLE, plan_of
from seed_tasks import Task

from drivers.virtual_spec import FaultSpec

_CHUNK = 20
_SEEDS_OF_A_KIND = (1, 2)


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


def test_the_oldest_seeds_keep_their_meaning_for_ever():
    plans = [(seed, faults, seed_plan(seed, faults)) for faults in (0, 1, 2) for seed in range(1, 301)]
    assert hashlib.sha256(repr(plans).encode()).hexdigest()[:16] == "7531502de33ea712"


@pytest.mark.parametrize("kind", KINDS)
def test_a_later_seed_fixes_its_plan_and_the_bench_can_have_every_fault_of_it(kind):
    for family in FAMILIES:
        plan = plan_of(family, 12, kind)
        assert plan == plan_of(family, 12, kind)
        assert plan != plan_of(family, 13, kind)
    plans = [plan_of(family, seed, kind) for family in (COMMON, TRIPLE) for seed in range(60)]
    drawn = {fault.name for plan in plans for fault in plan.faults}
    valves = {"valves_busy", "de_energise_busy", "beats_refused", "foreign_master"}
    assert drawn.isdisjoint(valves) == (kind != SOLENOID)
    assert len(drawn & set(LATER_FAULTS)) >= 6
    assert all(len({fault.name for fault in plan.faults}) == len(plan.faults) for plan in plans)
    assert (BY_HABIT in {plan.operator for plan in plans}) == (kind in BY_HAND)


_CASES = [
    (kind, family)
    for kind in KINDS
    for family in FAMILIES
    if kind != SOLENOID or family in (RESPONSE, TRIPLE, COMMON)
]


@pytest.mark.parametrize(("kind", "family"), _CASES, ids=["-".join(case) for case in _CASES])
def test_every_kind_of_bench_keeps_the_invariants(kind, family):
    for seed in _SEEDS_OF_A_KIND:
        run = run_plan(plan_of(family, seed, kind))
        again = Task(seed, bench=kind, of_family=family).replay_line()
        assert broken_invariants(run) == [], f"again: {again}"
        if family == NONE:
            assert run.how == "completed", f"{run.code}; again: {again}"


def test_the_second_fault_strikes_within_five_seconds_of_the_answer_to_the_first():
    plan = plan_of(RESPONSE, 1, SOLENOID)
    run = run_plan(plan)
    first, second = run.faults
    answered_s = min(
        t_s for kind, t_s, _ in run.sink.events if kind in ("trip", "alarm") and t_s >= first.at_s
    )
    assert plan.response is not None
    assert second.name == plan.response.name
    assert 0.0 <= second.at_s - answered_s <= 5.0


def test_a_program_killed_on_a_controller_bench_leaves_the_pot_to_hands():
    """README says so: nothing in software vents what a controller goes on holding."""
    run = run_faults((FaultSpec("killed", 0.0),), seed=3, bench=CONTROLLER, when=When("measure", 2, 8.0))
    assert run.how == "killed"
    assert run.truth_later.pressure_bar > run.truth_later.room_pressure_bar + 0.2
    assert left_to_hands(run)
    assert broken_invariants(run) == []


def test_a_grade_is_read_from_what_the_run_recorded():
    run = run_plan(plan_of(NONE, 1, CONTROLLER))
    assert run.grades() == dict.fromkeys((1, 2, 3, 4), "pass")
    assert len(run.sink.holds) >= 4
    for hold in run.sink.holds:
        assert hold.recorded_mv == pytest.approx(hold.true_mv, rel=2e-3)
