"""The plan: calculated before any gas, and compared with the limits."""

from __future__ import annotations

import json

import pytest

from rig.setup.bench_file import load_bench, parse_bench
from rig.setup.plan import make_plan
from rig.setup.procedure import load_procedure, parse_procedure
from rig_configs.files.checked_toml import FileError, TomlText
from rig_configs.files.shipped_files import open_config

BENCH = load_bench("virtual_bench")
FULL = open_config("procedures", "full").text


def test_plan_adds_up_ramps_holds_and_gas() -> None:
    plan = make_plan(BENCH, load_procedure("full"), barometer_bar=1.0)
    holds = [step for step in plan.parts if step.what == "hold"]
    assert [step.po2_bar for step in holds] == [1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 1.8, 1.6, 1.4, 1.2, 1.0]
    # one step of 0.2 bar at 0.5 bar/min, in gas of less than pure oxygen
    assert holds[1].ramp_s == pytest.approx(60 * 0.2 / plan.oxygen_fraction / 0.5)
    # first filling from the barometer, six more from 1.05 bar, then the steps up; 1 L of pot
    purge_l = 1.0 + 6 * 0.95
    steps_l = 2.0 / plan.oxygen_fraction - 1.05
    assert plan.gas_l == pytest.approx(purge_l + steps_l, rel=0.01)
    assert plan.duration_s < plan.longest_s
    # the leak test fills the first hold at the highest pressure, for any cells
    assert plan.longest_s - plan.duration_s == pytest.approx(60.0 * 11)
    assert holds[5].duration_s - holds[5].ramp_s == pytest.approx(30.0 + 90.0 + 1.0)


def test_step_below_the_barometer_is_held_at_it_and_said_so() -> None:
    plan = make_plan(BENCH, load_procedure("full"), barometer_bar=1.03)
    assert next(step for step in plan.parts if step.number == 1).to_bar == 1.03
    assert any("held at the barometer" in remark for remark in plan.remarks)


def test_purge_that_cannot_reach_its_own_rule_is_refused() -> None:
    few = parse_procedure(TomlText("few.toml", FULL.replace("swings = 7", "swings = 3")))
    with pytest.raises(FileError, match=r"few\.toml:\d+: purge\.swings: leaves 0\.\d+ oxygen"):
        make_plan(BENCH, few)


def test_run_that_needs_more_gas_than_allowed_is_refused() -> None:
    text = open_config("benches", "virtual_bench").text.replace("most_gas_l = 60.0", "most_gas_l = 5.0")
    with pytest.raises(FileError, match=r"limits\.most_gas_l: 5 L are allowed, full\.toml needs 7\.\d L"):
        make_plan(parse_bench(TomlText("mean.toml", text)), load_procedure("full"))


@pytest.mark.parametrize(("ramp", "cautioned"), [("1.0", False), ("1.1", True)])
def test_a_ramp_that_stresses_cells_is_remarked_on_and_so_is_the_limit_of_oxygen(ramp, cautioned) -> None:
    text = open_config("benches", "virtual_bench").text
    fast = text.replace("ramp_bar_per_min = 0.5", f"ramp_bar_per_min = {ramp}")
    remarks = make_plan(parse_bench(TomlText("fast.toml", fast)), load_procedure("full")).remarks
    assert any("stresses cells" in remark for remark in remarks) is cautioned
    assert "A run that has used 60 L of oxygen is ended (most_gas_l)." in remarks


def test_flow_purge_is_calculated_by_volumes() -> None:
    text = FULL.replace('method = "swings"', 'method = "flow"\nflow_volumes = 8')
    plan = make_plan(BENCH, parse_procedure(TomlText("flow.toml", text)), barometer_bar=1.0)
    purge = next(step for step in plan.parts if step.what.startswith("purge"))
    assert purge.gas_l == pytest.approx(8.0)


def test_plan_is_json() -> None:
    data = json.loads(json.dumps(make_plan(BENCH, load_procedure("quick")).as_dict()))
    assert data["schema"] == "leadline.plan/1"
    assert data["gas_l"] > 0


def test_only_where_a_person_opens_the_cylinder_is_time_planned_for_it() -> None:
    quick = load_procedure("quick")
    by_hand = make_plan(load_bench("virtual_hand_pot"), quick)
    assert [part["what"] for part in by_hand.as_dict()["steps"]][:3] == [
        "ambient air",
        "opening the cylinder",
        "purge, 7 swings",
    ]
    assert "opening the cylinder" not in [part["what"] for part in make_plan(BENCH, quick).as_dict()["steps"]]
