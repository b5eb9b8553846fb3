"""The cells as a witness of pressure: what they show, when they are believed, what they never do."""

import pytest

from grading.record.format import Reading
from rig.safety.cell_witness import (
    AIR_DOUBT_BAR,
    READ_HIGH_PART,
    RENEWED_EVERY_S,
    STALE_S,
    TYPED_DOUBT_BAR,
    CellWitness,
    cells_read_high,
    threshold_bar,
)

ROOM_BAR = 1.0
THREE = {1: 50.0, 2: 40.0, 3: 45.0}
FRESH_BAR = threshold_bar(0.0, 3)


def readings(output_mv, offset_s=0.0):
    return {
        socket: Reading(None, mv) if isinstance(mv, str) else Reading(mv, "ok", offset_s)
        for socket, mv in output_mv.items()
    }


def at(pressure_bar, cells=None):
    return {socket: mv * pressure_bar for socket, mv in (THREE if cells is None else cells).items()}


def witness(*holds_bar, cells=None, supply=1.0, **more):
    """A witness with one reference a hold, a minute apart, the last at 0 s."""
    found = CellWitness(supply, **more)
    for number, pressure_bar in enumerate(holds_bar):
        found.renew(60.0 * (number + 1 - len(holds_bar)), at(pressure_bar, cells), pressure_bar, 1.0)
    return found


def shown(found, output_mv, t_s=0.0, ambient_bar=ROOM_BAR):
    found.look(t_s, readings(output_mv))
    return found.judge(t_s, ambient_bar)


def test_the_judgements_are_these():
    assert (AIR_DOUBT_BAR, TYPED_DOUBT_BAR, STALE_S, RENEWED_EVERY_S) == (0.1, 0.012, 5.0, 30.0)
    assert READ_HIGH_PART == 0.008
    assert threshold_bar(0.0, 2) == FRESH_BAR


def test_the_threshold_grows_with_the_age_of_the_reference():
    # From tests/benchmarks/cell_witness.py: 6 mbar and 0.7 mbar a minute.
    assert threshold_bar(0.0, 4) == pytest.approx(0.006)
    assert threshold_bar(60.0, 4) == pytest.approx(0.0067)
    assert threshold_bar(1200.0, 4) == pytest.approx(0.020)
    assert threshold_bar(0.0, 5) == pytest.approx(0.00625)
    assert threshold_bar(0.0, 8) == pytest.approx(0.007)


def test_cells_show_the_pressure_above_the_room():
    watches, over_bar = shown(witness(1.0), at(1.061))
    assert watches
    assert over_bar == pytest.approx(0.061)
    assert shown(witness(1.0), at(1.061), ambient_bar=0.98)[1] == pytest.approx(0.081)


@pytest.mark.parametrize("age_s", [0.0, 300.0, 1200.0])
def test_they_are_believed_from_the_threshold_on(age_s):
    limit_bar = threshold_bar(age_s, 3)
    assert shown(witness(1.0), at(1.0 + 0.99 * limit_bar), age_s) == (True, None)
    assert shown(witness(1.0), at(1.0 + 1.01 * limit_bar), age_s)[1] is not None


def test_a_typed_reference_is_believed_less():
    typed = {"pressure_is_typed": True}
    border_bar = FRESH_BAR + TYPED_DOUBT_BAR
    assert shown(witness(1.0, **typed), at(1.0 + 0.99 * border_bar)) == (True, None)
    assert shown(witness(1.0, **typed), at(1.0 + 1.01 * border_bar))[1] is not None


def test_low_cells_show_no_pressure_and_confirm_nothing():
    assert shown(witness(1.0), at(0.2)) == (True, None)


def test_the_second_highest_cell_counts():
    one_high = {**at(1.0), 1: 80.0}
    assert shown(witness(1.0), one_high) == (True, None)
    two_high = {**at(1.0), 1: 80.0, 3: 45.0 * 1.1}
    assert shown(witness(1.0), two_high)[1] == pytest.approx(0.1)


def test_of_five_cells_the_second_highest_counts():
    five = dict.fromkeys(range(1, 6), 50.0)
    assert shown(witness(1.0, cells=five), {1: 60.0, 2: 55.0, 3: 50.0, 4: 45.0, 5: 40.0})[1] == pytest.approx(
        0.1
    )


def test_more_cells_are_believed_later():
    eight = dict.fromkeys(range(1, 9), 50.0)
    assert shown(witness(1.0, cells=eight), at(1.0069, eight)) == (True, None)
    assert shown(witness(1.0, cells=eight), at(1.0071, eight))[1] is not None


def test_the_threshold_itself_is_not_believed():
    assert shown(witness(1.0), at(FRESH_BAR), ambient_bar=0.0) == (True, None)


def test_the_age_counts_from_the_last_hold():
    found = CellWitness(1.0)
    found.renew(600.0, at(1.0), 1.0, 1.0)
    assert shown(found, at(1.0068), 660.0)[1] == pytest.approx(0.0068)


def test_only_living_cells_with_a_reference_count():
    assert shown(witness(), at(1.5)) == (False, None)
    assert shown(witness(1.0), {7: 75.0, 8: 75.0}) == (False, None)
    assert shown(witness(1.0), {1: "open", 2: "open"}) == (False, None)
    assert shown(witness(1.0, cells={1: 50.0, 2: 40.0}), at(1.5)) == (True, pytest.approx(0.5))


def test_one_cell_alone_needs_a_tenth_of_a_bar():
    one = {1: 50.0}
    assert witness(1.0, cells=one).has_reference
    assert shown(witness(1.0, cells=one), {1: 54.9}) == (False, None)
    assert shown(witness(1.0, cells=one), {1: 55.1}) == (False, pytest.approx(0.102))
    assert shown(witness(1.0), {1: 75.0, 2: "open"}) == (False, pytest.approx(0.5))
    assert shown(witness(1.0, cells={1: 50.0, 2: 1.0}), {1: 75.0, 2: 40.0}) == (False, pytest.approx(0.5))
    old = witness(1.0, cells=one, pressure_is_typed=True)
    old.look(9600.0, readings({1: 56.0}))
    assert old.judge(9600.0, ROOM_BAR) == (False, None)


def test_a_cell_that_goes_blank_is_left_out_at_once():
    found = witness(1.0)
    found.look(0.0, readings(at(1.5)))
    found.look(1.0, readings({**at(1.5), 1: "open", 2: "open"}))
    assert found.judge(1.0, ROOM_BAR) == (False, pytest.approx(0.5))
    found.look(2.0, readings({3: "open"}))
    assert found.judge(2.0, ROOM_BAR) == (False, None)


def test_a_cell_that_rises_past_the_meters_range_is_as_high_as_its_last_readings():
    found = witness(1.0)
    found.look(0.0, readings(at(1.7)))
    found.look(1.0, readings(at(1.9)))
    for t_s in range(2, 20):
        found.look(float(t_s), readings({1: "over", 2: "over", 3: 20.0}))
    assert found.judge(19.0, ROOM_BAR)[1] == pytest.approx(0.8)
    at_rest = witness(1.0)
    at_rest.look(0.0, readings(at(1.9)))
    at_rest.look(1.0, readings(at(1.005 * 1.9)))
    at_rest.look(2.0, readings({1: "over", 2: "over", 3: "over"}))
    assert at_rest.judge(2.0, ROOM_BAR) == (False, None)
    never = witness(1.0)
    never.look(0.0, readings({1: "over", 2: "over", 3: 45.0}))
    assert never.judge(0.0, ROOM_BAR) == (False, None)


def test_stale_readings_are_no_witness():
    found = witness(1.0)
    found.look(0.0, readings(at(1.5)))
    assert found.judge(STALE_S, ROOM_BAR)[0]
    assert found.judge(STALE_S + 0.1, ROOM_BAR) == (False, None)
    late = witness(1.0)
    late.look(0.0, readings(at(1.5), offset_s=0.2))
    assert late.judge(STALE_S + 0.1, ROOM_BAR)[0]


def test_the_last_four_readings_are_averaged():
    found = witness(1.0)
    for t_s, pressure_bar in enumerate((9.0, 1.0, 1.0, 1.0, 1.4)):
        found.look(float(t_s), readings(at(pressure_bar)))
    assert found.judge(4.0, ROOM_BAR)[1] == pytest.approx(0.1)


def test_a_hold_near_ambient_replaces_the_others():
    found = witness(1.0)
    found.renew(0.0, at(0.98), 1.0, 1.0)
    assert shown(found, at(0.98 * 1.05))[1] == pytest.approx(0.05)


def test_a_ceiling_at_a_high_pressure_does_not_make_a_pot_look_full():
    for pressure_bar, over_bar in ((1.0, None), (1.05, pytest.approx(0.05))):
        found = witness(1.0)
        found.renew(600.0, at(1.8), 2.0, 1.0)
        assert shown(found, at(pressure_bar), 600.0) == (True, over_bar)


def test_the_border_of_near_ambient():
    for pressure_bar, over_bar in ((1.19, 0.05 / 0.98), (1.2, 0.03)):
        found = witness(1.0)
        found.renew(0.0, at(0.98 * pressure_bar), pressure_bar, 1.0)
        ratio = 1.03 if over_bar == 0.03 else 0.98 * (1.0 + over_bar)
        assert shown(found, at(ratio))[1] == pytest.approx(over_bar)


def test_a_cell_that_joins_at_a_higher_hold_is_kept_with_the_others():
    found = witness(1.0, cells={1: 50.0, 2: 40.0})
    found.renew(0.0, {1: 100.0, 3: 90.0}, 2.0, 1.0)
    assert shown(found, {2: 44.0, 3: 49.5})[1] == pytest.approx(0.1)


def test_a_hold_of_one_cell_does_not_replace_the_reference_of_several():
    found = witness(1.0)
    found.renew(600.0, {1: 20.0}, 1.0, 1.0)
    assert shown(found, {1: 52.0, 2: 41.6}, 600.0)[1] == pytest.approx(0.04)


def test_a_dead_cell_gives_no_reference():
    found = CellWitness(1.0)
    found.renew(0.0, {1: 50.0, 2: 1.0, 3: 45.0}, 1.0, 1.0)
    assert shown(found, {2: 60.0}) == (False, None)


def test_cells_that_read_higher_than_they_can_give_no_reference():
    for rise, taken in ((1.029, True), (1.031, False)):
        found = witness(1.0)
        found.renew(0.0, at(rise), 1.0, 1.0)
        assert (shown(found, at(rise))[1] is None) is taken
    one = witness(1.0)
    one.renew(0.0, {**at(0.98), 1: 80.0}, 1.0, 1.0)
    assert shown(one, {1: 80.0 * 1.05, 2: 0.98 * 42.0})[1] == pytest.approx(0.05)
    pair = {1: 50.0, 2: 40.0}
    two = witness(1.0, cells=pair)
    two.renew(0.0, at(1.05, pair), 1.0, 1.0)
    assert shown(two, at(1.05, pair))[1] == pytest.approx(0.05)
    border = witness(1.0, cells=pair)
    border.renew(0.0, {1: 51.5, 2: 41.2}, 1.0, 1.0)
    assert shown(border, {1: 51.5, 2: 41.2}) == (True, None)


def test_richer_gas_explains_a_higher_reading():
    found = CellWitness(1.0)
    found.renew(0.0, at(0.9), 1.0, 0.9)
    found.renew(0.0, at(0.99), 1.0, 0.99)
    assert shown(found, at(0.99)) == (True, None)
    same = CellWitness(1.0)
    same.renew(0.0, at(0.9), 1.0, 0.9)
    same.renew(0.0, at(0.945), 1.0, 0.9)
    assert shown(same, at(0.945))[1] == pytest.approx(0.05)
    poorer = CellWitness(1.0)
    poorer.renew(0.0, at(0.95), 1.0, 0.95)
    poorer.renew(0.0, at(0.97), 1.0, 0.9)
    assert shown(poorer, at(0.97)) == (True, None)


def test_a_filling_since_the_reference_may_have_made_the_gas_richer():
    found = CellWitness(1.0)
    found.renew(0.0, at(0.9), 1.0, 0.9)
    assert shown(found, at(0.99))[1] == pytest.approx(0.1)
    found.filled()
    assert shown(found, at(0.99)) == (True, None)
    found.renew(0.0, at(0.9), 1.0, 0.9)
    assert shown(found, at(0.99))[1] == pytest.approx(0.05, abs=0.06)


def test_the_bottle_is_the_richest_gas():
    found = CellWitness(0.95)
    found.renew(0.0, at(0.9), 1.0, 0.9)
    found.filled()
    for _ in range(4):
        found.look(0.0, readings(at(0.9 * 0.95 / 0.9 * 1.05)))
    assert found.judge(0.0, ROOM_BAR)[1] == pytest.approx(0.05)


def test_before_any_oxygen_a_po2_above_the_room_proves_pressure_whatever_the_gas():
    found = CellWitness(1.0)
    found.air(at(0.21), 0.21)
    assert shown(found, at(0.21)) == (True, None)
    assert shown(found, at(1.0)) == (True, None)
    found = CellWitness(1.0)
    found.air(at(0.21), 0.21)
    found.filled()
    assert shown(found, at(1.0 + 0.99 * AIR_DOUBT_BAR)) == (True, None)
    found = CellWitness(1.0)
    found.air(at(0.21), 0.21)
    assert shown(found, at(1.0 + 1.01 * AIR_DOUBT_BAR))[1] == pytest.approx(1.01 * AIR_DOUBT_BAR)


def test_a_cell_that_is_dead_in_air_gives_no_slope():
    found = CellWitness(1.0)
    found.air({1: 10.5, 2: 1.0, 3: 1.001}, 0.21)
    assert shown(found, {2: 100.0}) == (False, None)
    assert shown(found, {3: 100.0})[1] is not None


def test_a_first_hold_that_the_air_reading_contradicts_is_no_reference():
    for times, over_bar in ((1.09, 0.05), (1.11, 0.1655)):
        found = CellWitness(1.0)
        found.air(at(0.21), 0.21)
        found.renew(0.0, at(times), 1.0, 1.0)
        assert shown(found, at(1.05 * times))[1] == pytest.approx(over_bar)


MANY = dict.fromkeys(range(1, 5), 50.0)


def high(part, count=2):
    return {s: mv * (1.0 + part if s <= count else 0.9) for s, mv in MANY.items()}


def test_cells_that_read_above_the_line_are_found_by_the_second_highest():
    still = {"minutes": 0.0, "gas_doubt_part": 0.0}
    assert cells_read_high(MANY, high(0.02), **still) == pytest.approx(0.02)
    assert cells_read_high(MANY, high(0.02, count=1), **still) is None
    assert cells_read_high(MANY, high(0.99 * READ_HIGH_PART), **still) is None
    assert cells_read_high(MANY, high(1.01 * READ_HIGH_PART), **still) is not None


def test_time_and_gas_excuse_some_of_it():
    # 0.8 % and 0.03 % a minute: 1.1 % after ten minutes.
    for part, found in ((0.0109, False), (0.0111, True)):
        got = cells_read_high(MANY, high(part), minutes=10.0, gas_doubt_part=0.0)
        assert (got is not None) is found
    assert cells_read_high(MANY, high(0.5), minutes=0.0, gas_doubt_part=0.492) is None
    for part, found in ((0.0179, False), (0.0181, True)):
        got = cells_read_high(MANY, high(part), minutes=0.0, gas_doubt_part=0.01)
        assert (got is not None) is found


def test_it_takes_three_cells_that_were_alive_at_the_calibration_hold():
    still = {"minutes": 0.0, "gas_doubt_part": 0.0}
    now = high(0.02)
    assert cells_read_high({1: 50.0, 2: 50.0}, now, **still) is None
    assert cells_read_high({1: 50.0, 2: 50.0, 3: 1.0}, now, **still) is None
    assert cells_read_high({1: 50.0, 2: 50.0, 3: 1.001}, now, **still) is not None
    assert cells_read_high({1: 50.0, 2: 50.0, 3: 50.0}, {1: 51.0, 2: 51.0}, **still) is None
