"""Preflight and the rig itself: who drives it now, and what its last run left."""

from __future__ import annotations

from datetime import datetime

import pytest

from rig.between_runs.last_run import watched_limits
from rig.between_runs.lock import hold_rig
from rig.between_runs.memory import Remembered, write_memory
from rig.cli.main import main
from rig.run.checks import Check
from rig.run.last_run_check import RigHeld, held_alone
from rig.setup.bench_file import BenchFile, load_bench

STARTED = datetime(2026, 3, 2, 10, 0).isoformat() + "Z"


@pytest.fixture
def bench() -> BenchFile:
    return load_bench("solenoid_bench")


def no_caution(text: str) -> None:
    raise AssertionError(text)


def left(bench: BenchFile, tmp_path, **more) -> dict[str, Check]:
    limits = more.pop("limits", watched_limits(bench))
    with hold_rig(bench, no_caution) as memories:
        for memory in memories:
            write_memory(memory, Remembered(bench.name, "records/x-1", STARTED, limits, **more))
    with held_alone(bench, tmp_path) as checks:
        return {check.what: check for check in checks}


def test_while_a_run_holds_the_rig_no_instrument_is_asked_and_nobody_is_told_to_switch_it_off(
    bench, tmp_path, capsys
):
    with hold_rig(bench, no_caution):
        assert main(["preflight", "solenoid_bench", "--out", str(tmp_path)]) == 3
    said = " ".join(capsys.readouterr().out.split())
    assert "another program on this computer drives this rig" in said
    assert "leave the rig alone" in said
    assert "Not ready" in said
    assert "switch the block off" not in said
    assert "answers" not in said


def test_a_preflight_holds_the_rig_so_that_no_run_starts_meanwhile(bench, tmp_path):
    with held_alone(bench, tmp_path), pytest.raises(RigHeld), held_alone(bench, tmp_path):
        pass


def test_a_trip_that_nobody_has_cleared_is_not_ready_and_says_what_to_type(bench, tmp_path):
    check = left(bench, tmp_path, how="tripped", code="GAUGE_STUCK", text="The gauge is stuck.")["last run"]
    assert check.verdict == "fail"
    assert "GAUGE_STUCK: The gauge is stuck." in check.found
    assert "--clear GAUGE_STUCK" in check.to_do


def test_a_run_that_never_ended_is_not_ready(bench, tmp_path):
    check = left(bench, tmp_path)["last run"]
    assert (check.verdict, "INTERRUPTED" in check.to_do) == ("fail", True)
    assert "what the pot holds is not known" in check.found


@pytest.mark.parametrize("more", [{"how": "completed"}, {"how": "tripped", "code": "LEAK", "cleared": True}])
def test_a_run_that_left_nothing_is_ready(bench, tmp_path, more):
    checks = left(bench, tmp_path, **more)
    assert [check.verdict for check in checks.values()] == ["ok"]


def test_limits_that_were_edited_since_are_named(bench, tmp_path):
    before = {**watched_limits(bench), "trip_pressure_bar": 2.25}
    check = left(bench, tmp_path, how="completed", limits=before)["limits"]
    assert check.verdict == "caution"
    assert "trip_pressure_bar 2.25 -> 2.3" in check.found
    assert "--clear LIMITS-" in check.to_do
