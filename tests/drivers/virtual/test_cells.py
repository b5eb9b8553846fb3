"""The invented cells against independent calculations of what their mechanism must do."""

import math

import pytest

from drivers.virtual.cells import (
    SIX_CELLS,
    Cell,
    CellModel,
    drawer_of,
    drawn_population,
    model_of,
    truth_of,
)
from drivers.virtual_spec import VirtualBenchError

BY_SERIAL = {model.serial: model for model in SIX_CELLS}
NOISELESS = {"noise_mv": 0.0, "wander_percent": 0.0}


def breakpoint_of(seconds: float, po2_bar: float, temperature_k: float = 0.0):
    return (round(seconds * 1e6), po2_bar, po2_bar, temperature_k, temperature_k)


def quiet(serial: str = "TB-0417", **changes) -> CellModel:
    fields = {name: getattr(BY_SERIAL[serial], name) for name in CellModel.__dataclass_fields__}
    return CellModel(**(fields | NOISELESS | changes))


def answer(model: CellModel, path, at_s: float) -> float:
    """Output at `at_s` for a PO2 path of (seconds, bar) corners."""
    past = [breakpoint_of(*path[0])]
    cell = Cell(model, 1, past, seed=1)
    past += [breakpoint_of(*corner) for corner in path[1:]]
    return cell.output_mv(round(at_s * 1e6))


def test_the_new_cell_gives_about_50_mv_and_twice_that_at_2_bar():
    # Facts of the trade (common practice, no source): about 50 mV at PO2 1.0, 100 mV at 2.0.
    truth = truth_of(BY_SERIAL["TB-0417"])
    assert truth.output_at_1_bar_mv == pytest.approx(50.0, abs=1.0)
    assert abs(truth.indication_error_percent[2.0]) < 0.5
    assert truth.linear_to_bar is None or truth.linear_to_bar > 2.2


def test_the_old_cell_is_low_but_linear():
    # Common practice, no source: 40 mV at 1.0 is old but good if it gives 80 mV at 2.0.
    model = BY_SERIAL["OS-1123"]
    assert model.steady_mv(1.0) == pytest.approx(40.5, abs=0.6)
    assert model.steady_mv(2.0) == pytest.approx(81.0, abs=1.2)


@pytest.mark.parametrize(("serial", "low_bar", "high_bar"), [("TB-0388", 1.45, 1.58), ("OS-1090", 1.4, 1.55)])
def test_the_ceilings_are_lost_before_1_6_bar_and_far_off_at_2(serial, low_bar, high_bar):
    truth = truth_of(BY_SERIAL[serial])
    assert low_bar < truth.linear_to_bar < high_bar
    assert truth.indication_error_percent[1.2] > -2.5
    assert truth.indication_error_percent[2.0] < -10.0


def test_the_hard_ceiling_is_harder_than_the_soft_one():
    soft, hard = BY_SERIAL["TB-0388"], BY_SERIAL["OS-1090"]
    assert hard.steady_mv(4.0) / hard.steady_mv(2.0) < 1.1
    assert soft.steady_mv(4.0) / soft.steady_mv(2.0) > 1.25


def test_linear_to_is_where_the_error_is_five_percent():
    for model in SIX_CELLS:
        linear_to = truth_of(model).linear_to_bar
        if linear_to is not None:
            assert model.indication_error_percent(linear_to) == pytest.approx(-5.0, abs=1e-3)


def test_settled_output_solves_the_balance_of_flux_and_cathode():
    # S (p - c) = i and k(i) c = i, checked without the elimination that the model uses.
    for model in SIX_CELLS:
        for po2_bar in (0.21, 1.0, 1.6, 2.0):
            output = model.steady_mv(po2_bar) - model.zero_mv
            left_bar = po2_bar - output / model.sensitivity_mv_per_bar
            rate = (
                model.sensitivity_mv_per_bar
                * model.cathode_surplus
                * math.exp(-output / model.ohmic_scale_mv - math.asinh(output / (2 * model.anode_scale_mv)))
                * (1.0 - output / model.anode_limit_mv) ** model.anode_order
            )
            assert rate * left_bar == pytest.approx(output, rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("model", SIX_CELLS, ids=lambda model: model.serial)
def test_a_long_hold_settles_at_the_settled_output(model):
    still = quiet(model.serial, fade_at_2_bar=0.0)
    for po2_bar in (0.2095, 1.0, 1.37, 1.6, 2.0):
        # Between grid points of the table the straight line is off by a few microvolts at a hard knee.
        settled = answer(still, [(0.0, po2_bar), (600.0, po2_bar)], 600.0)
        assert settled == pytest.approx(still.steady_mv(po2_bar), abs=2e-3)


def test_t90_of_a_membrane_is_ln_20_of_its_time_constant():
    # Planar diffusion: 1 + 2 sum (-1)^n exp(-n^2 t/tau) = 0.9 at t = 2.9956 tau (ln 20, to four digits).
    for model in SIX_CELLS:
        assert truth_of(model).t90_s == pytest.approx(2.9957 * model.membrane_s, rel=2e-4)
    assert 4.5 < truth_of(BY_SERIAL["TB-0417"]).t90_s < 5.5
    assert truth_of(BY_SERIAL["TB-0402"]).t90_s == pytest.approx(20.0, abs=0.2)


@pytest.mark.parametrize(("low_bar", "high_bar"), [(1.0, 1.2), (1.2, 1.0)])
def test_the_output_reaches_90_percent_of_a_step_at_t90(low_bar, high_bar):
    model = quiet()
    t90_s = truth_of(model).t90_s
    path = [(0.0, low_bar), (1.0, low_bar), (1.000001, high_bar), (61.0, high_bar)]
    start, end = model.steady_mv(low_bar), model.steady_mv(high_bar)
    assert (answer(model, path, 1.0 + t90_s) - start) / (end - start) == pytest.approx(0.9, abs=2e-3)


def test_a_ramp_is_answered_exactly_however_it_is_cut_up():
    model = quiet("TB-0402")
    whole = answer(model, [(0.0, 1.0), (30.0, 2.0)], 30.0)
    pieces = answer(model, [(0.0, 1.0)] + [(k * 0.1, 1.0 + k * 0.1 / 30.0) for k in range(1, 301)], 30.0)
    assert whole == pytest.approx(pieces, abs=1e-9)
    # Long after the start of a ramp the series lags by sum of gain times time constant: pi^2/12 * 2 * tau,
    # less what the five modes of the bench leave out.
    slope = 1.0 / 30.0
    lag = sum((2.0 if n < 5 else 1.0) * (-1.0) ** (n + 1) * model.membrane_s / n**2 for n in range(1, 6))
    late = answer(model, [(0.0, 1.0), (120.0, 1.0 + 120.0 * slope)], 120.0)
    assert late == pytest.approx(model.steady_mv(1.0 + 120.0 * slope - lag * slope), abs=0.05)


def test_reading_more_often_changes_nothing():
    path = [(0.0, 1.0), (10.0, 1.6), (40.0, 1.6)]
    past = [breakpoint_of(*path[0])]
    cell = Cell(BY_SERIAL["TB-0417"], 1, past, seed=3)
    past += [breakpoint_of(*corner) for corner in path[1:]]
    often = [cell.output_mv(round(0.2e6 * k)) for k in range(1, 201)]
    assert answer(quiet(), path, 40.0) == pytest.approx(often[-1], abs=0.05)
    once = Cell(BY_SERIAL["TB-0417"], 1, past, seed=3)
    assert once.output_mv(40_000_000) == pytest.approx(often[-1], abs=1e-9)


def test_the_fading_cell_loses_over_two_percent_a_minute_at_the_top_only():
    model = quiet("OS-1131")
    for po2_bar, least, most in ((1.0, 0.0, 0.02), (1.6, 0.0, 0.7), (2.0, 2.0, 4.0)):
        path = [(0.0, 0.21), (60.0, 0.21), (90.0, po2_bar), (300.0, po2_bar)]
        past = [breakpoint_of(*path[0])]
        cell = Cell(model, 1, past, seed=1)
        past += [breakpoint_of(*corner) for corner in path[1:]]
        early = cell.output_mv(125_000_000)
        late = cell.output_mv(185_000_000)
        assert least <= (early - late) / early * 100.0 <= most
    assert truth_of(model).fade_percent_per_min > 2.0


def test_the_thermistor_takes_out_most_of_the_temperature():
    model = quiet(compensation_error_per_k=0.001)
    past = [breakpoint_of(0.0, 1.0), breakpoint_of(600.0, 1.0, temperature_k=5.0)]
    warm = Cell(model, 1, past, seed=1).output_mv(600_000_000)
    assert warm / model.steady_mv(1.0) - 1.0 == pytest.approx(0.005, abs=3e-4)


def test_a_warm_room_brings_a_ceiling_in_earlier_and_leaves_a_linear_cell_alone():
    hard = BY_SERIAL["OS-1090"]
    cool, warm = truth_of(hard, 19.0), truth_of(hard, 22.0)
    # 3 K at 3 %/K: the same current is reached at a PO2 lower by some 9 %.
    assert warm.linear_to_bar / cool.linear_to_bar == pytest.approx(math.exp(-0.09), abs=0.03)
    new = BY_SERIAL["TB-0417"]
    assert truth_of(new, 22.0).output_at_1_bar_mv == pytest.approx(new.steady_mv(1.0) * 1.002, rel=1e-3)


@pytest.mark.parametrize("model", SIX_CELLS, ids=lambda model: model.serial)
def test_the_truth_at_a_temperature_is_what_the_cell_settles_at(model):
    still = quiet(model.serial, fade_at_2_bar=0.0)
    for po2_bar in (0.2095, 1.0, 1.6):
        past = [breakpoint_of(0.0, po2_bar, 2.0), breakpoint_of(600.0, po2_bar, 2.0)]
        settled = Cell(still, 1, past, seed=1).output_mv(600_000_000)
        assert settled == pytest.approx(still.settled_mv(po2_bar, 22.0), abs=2e-3)


@pytest.mark.parametrize(("contact", "least_sd", "most_sd"), [("open", 0.5, 10.0), ("noisy", 0.5, 5.0)])
def test_a_bad_contact_is_noisy(contact, least_sd, most_sd):
    past = [breakpoint_of(0.0, 1.0), breakpoint_of(100.0, 1.0)]
    cell = Cell(BY_SERIAL["TB-0417"], 1, past, seed=5)
    cell.contact = contact
    readings = [cell.output_mv(200_000 * k) for k in range(1, 400)]
    mean = sum(readings) / len(readings)
    sd = math.sqrt(sum((value - mean) ** 2 for value in readings) / len(readings))
    assert least_sd < sd < most_sd


def test_a_serial_that_no_drawer_holds_is_the_same_healthy_cell_every_time():
    first, second = model_of("TB-9999", {}), model_of("TB-9999", {})
    assert first == second
    truth = truth_of(first)
    assert 40.0 < truth.output_at_1_bar_mv < 60.0
    assert 4.5 <= truth.t90_s <= 5.5
    assert truth.linear_to_bar is None or truth.linear_to_bar > 2.3
    assert model_of("TB-9998", {}) != first


def test_a_population_is_drawn_by_its_seed_and_mostly_healthy():
    cells = drawn_population(400, seed=3)
    assert cells == drawn_population(400, seed=3)
    assert cells != drawn_population(400, seed=4)
    assert len({cell.serial for cell in cells}) == 400
    kinds = [cell.kind for cell in cells]
    assert 0.68 < kinds.count("healthy") / 400 < 0.82
    assert {"ageing", "current limited, soft", "current limited, hard"} <= set(kinds)


def test_a_drawer_that_does_not_exist_is_refused_with_what_there_is():
    with pytest.raises(VirtualBenchError, match="six_cells"):
        drawer_of("seven_cells", 1)
    with pytest.raises(VirtualBenchError, match="population:N"):
        drawer_of("population:0", 1)
