"""Facts of the trade, end to end. All of the numbers are rules of thumb: common practice, no source."""

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from grading.document import dumps, to_json
from grading.gas import FOOT_OF_SEAWATER_BAR, STANDARD_ATMOSPHERE_BAR, pressure_at_depth_bar
from grading.judgement.grade import grade
from grading.judgement.limits import load_limits
from grading.papers.rows import cell_rows
from grading.sources.any_source import load_source

_spec = importlib.util.spec_from_file_location("simulated_run", Path(__file__).with_name("simulated_run.py"))
simulated_run = sys.modules.setdefault("simulated_run", importlib.util.module_from_spec(_spec))
if not hasattr(simulated_run, "Cell"):
    _spec.loader.exec_module(simulated_run)

HEADER = "cell,step,gas,direction,pressure_bar,oxygen_fraction,temperature_c,mv"
STEPS = (1.0, 1.2, 1.4, 1.6, 1.8, 2.0)


@pytest.fixture
def graded(tmp_path):
    """Grade cells given as {serial: function of PO2 in bar giving mV}, rising and falling, air first."""

    def run(cells):
        rows = [HEADER]
        for serial, response in cells.items():
            rows.append(f"{serial},0,air,up,1.0130,0.20946,21.0,{response(0.20946 * 1.013 * 0.9877):.3f}")
            held = [(po2, "up") for po2 in STEPS] + [(po2, "down") for po2 in STEPS[-2::-1]]
            for step, (po2, direction) in enumerate(held, start=1):
                rows.append(f"{serial},{step},oxygen,{direction},{po2:.4f},1.0000,21.0,{response(po2):.3f}")
        path = tmp_path / "readings.csv"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        result = grade(load_source(path), load_limits("general"))
        return {cell.info.cell: cell for cell in result.cells}

    return run


def value(cell, key, nominal=None):
    return next(f for f in cell.figures if f.key == key and f.nominal_po2_bar == nominal).value


def test_a_new_cell_gives_about_50_mv_and_a_linear_one_100_mv_at_2_bar(graded):
    cell = graded({"TB-0417": lambda p: 50.0 * p})["TB-0417"]
    assert cell.grade == "pass"
    assert value(cell, "oxygen_output_mv") == pytest.approx(50.0, abs=0.01)
    assert value(cell, "air_output_mv") == pytest.approx(10.5, abs=0.05)
    top = next(step for step in cell.detail.steps if step.nominal_po2_bar == 2.0)
    assert top.output_mv == pytest.approx(100.0, abs=0.01)
    assert top.shows_bar == pytest.approx(2.0, abs=0.001)


def test_new_cells_differ_by_a_few_millivolts_and_each_is_calibrated_alone(graded):
    slopes = np.random.default_rng(12).uniform(43.0, 62.0, 12)
    cells = graded({f"TB-{417 + i:04d}": lambda p, slope=slope: slope * p for i, slope in enumerate(slopes)})
    for cell, slope in zip(cells.values(), slopes, strict=True):
        assert cell.grade == "pass"
        assert value(cell, "oxygen_output_mv") == pytest.approx(slope, abs=0.01)
        # A straight cell has no indication error at any PO2, for any output.
        for po2 in STEPS[1:]:
            assert value(cell, "indication_error_percent", po2) == pytest.approx(0.0, abs=0.01)


def test_the_age_of_a_cell_and_its_date_code_change_nothing_but_the_printed_date_code(tmp_path):
    straight, bent = simulated_run.Cell("TB-0417"), simulated_run.Cell("OS-1090", ceiling_mv=75.0)
    seen = {}
    for code in ("", "2015-03", "2026-02"):
        cells = (replace(straight, date_code=code), replace(bent, date_code=code))
        levels = (1.02, 1.62, 2.02, 1.02)
        folder = simulated_run.write_run(tmp_path / f"made {code}", cells, levels, hold_s=40.0)
        grading = grade(load_source(folder), load_limits("general"))
        printed = [row for cell in grading.cells for row in cell_rows(cell) if row[0] == "Date code"]
        assert printed == [["Date code", code]] * (2 if code else 0)
        seen[code] = dumps(
            to_json(
                replace(
                    grading,
                    source="",
                    conditions=replace(grading.conditions, record_sha256=""),
                    cells=tuple(replace(c, info=replace(c.info, date_code="")) for c in grading.cells),
                )
            )
        )
        assert [cell.grade for cell in grading.cells] == ["pass", "reject"]
    assert seen["2015-03"] == seen["2026-02"] == seen[""]


def test_an_old_cell_at_40_mv_is_good_if_it_gives_80_mv_at_2_bar(graded):
    cell = graded({"OS-1123": lambda p: 40.0 * p})["OS-1123"]
    assert value(cell, "indication_error_percent", 2.0) == pytest.approx(0.0, abs=0.01)
    assert cell.grade in ("pass", "watch")
    not_passed = {figure.key for figure in cell.figures if figure.grade in ("watch", "reject")}
    assert not_passed <= {"air_output_mv", "oxygen_output_mv"}


def test_an_old_cell_that_bends_is_not_good(graded):
    cell = graded({"OS-1123": lambda p: min(40.0 * p, 64.0)})["OS-1123"]
    assert cell.grade == "reject"
    assert any(text.startswith("Current limited") for text in cell.diagnosis)


def test_a_loop_of_oxygen_at_6_m_or_20_ft_is_at_1_6_bar():
    assert pressure_at_depth_bar(6.0) == pytest.approx(1.6, abs=0.02)
    twenty_feet_bar = STANDARD_ATMOSPHERE_BAR + 20.0 * FOOT_OF_SEAWATER_BAR
    assert twenty_feet_bar == pytest.approx(1.6, abs=0.03)


def test_a_cell_that_shows_1_4_at_1_6_is_bad(graded):
    cell = graded({"OS-1090": lambda p: 50.0 * p if p < 1.3 else 70.0})["OS-1090"]
    assert cell.grade == "reject"
    assert "shows 1.40 where the truth is 1.60 bar" in cell.detail.statements[0]
    reported = " ".join(cell.reasons)
    assert "1.6 bar" in reported
    assert "12.5 % low" in reported
    assert value(cell, "indication_error_percent", 1.6) == pytest.approx(-12.5, abs=0.01)


def test_a_cell_with_a_ceiling_can_show_1_3_at_a_true_1_6_to_1_7(graded):
    # Straight to 1.2 bar; from there the output creeps from 60 to 65 mV while PO2 goes on to 1.65 bar.
    cell = graded({"TB-0388": lambda p: 50.0 * p if p <= 1.2 else 60.0 + (p - 1.2) * 5.0 / 0.45})["TB-0388"]
    assert cell.grade == "reject"
    truth = dict(cell.detail.true_po2_when_display_says)[1.3]
    assert 1.6 <= truth <= 1.7
    assert any(text.startswith("When it shows 1.30, the truth is 1.65") for text in cell.detail.statements)


def test_a_table_jotted_down_in_round_numbers_is_enough_for_a_pass_and_for_a_reject(tmp_path):
    rows = [
        "TB-0417,0,air,up,1.0,0.2095,20,10.5",
        "TB-0417,1,oxygen,up,1.0,1.0,20,50",
        "TB-0417,2,oxygen,up,1.6,1.0,20,80",
        "OS-1090,0,air,up,1.0,0.2095,20,10.5",
        "OS-1090,1,oxygen,up,1.0,1.0,20,50",
        "OS-1090,2,oxygen,up,1.6,1.0,20,70",
    ]
    path = tmp_path / "jotted.csv"
    path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    straight, bent = grade(load_source(path), load_limits("general")).cells
    assert (straight.grade, bent.grade) == ("pass", "reject")


def test_two_points_cannot_see_a_ceiling_above_them(graded):
    cell = graded({"OS-1090": lambda p: min(50.0 * p, 82.0)})["OS-1090"]
    assert value(cell, "air_slope_agreement_percent") == pytest.approx(0.0, abs=0.5)
    assert value(cell, "indication_error_percent", 1.6) == pytest.approx(0.0, abs=0.01)
    assert cell.grade == "reject"


def test_no_sentence_calls_a_cell_safe(graded):
    cells = graded({"TB-0417": lambda p: 50.0 * p, "OS-1090": lambda p: min(50.0 * p, 70.0)})
    for cell in cells.values():
        for text in (*cell.reasons, *cell.diagnosis, *cell.detail.statements):
            assert "safe" not in text.lower()
            assert "fit to dive" not in text.lower()
