"""What counts as cells that do not fall with the gauges, before any hold in oxygen."""

import pytest

from grading.record.format import Reading
from rig.safety.falling_cells import (
    LEAST_FALL_BAR,
    LEAST_PART,
    LOOKED_AT_EVERY_BAR,
    RISES_FOR_S,
    ROSE_BAR,
    FallingCells,
)
from rig.safety.set_point import Intent

ROOM_BAR = 1.0


def readings(*output_mv):
    return {
        socket: Reading(None, "no_value") if mv is None else Reading(mv)
        for socket, mv in enumerate(output_mv, start=1)
    }


def fallen(from_bar, to_bar, full_mv, left_mv, *, intent=Intent.OPEN, seconds=60.0):
    """What cells show that are at `full_mv` before the gauges fall, and at `left_mv` afterwards."""
    cells = FallingCells()
    for n in range(4):
        cells.look(float(n), Intent.UP, from_bar, readings(*full_mv))
    cells.look(4.0, intent, from_bar, readings(*full_mv))
    for n in range(4):
        cells.look(4.0 + seconds + n, intent, to_bar, readings(*left_mv))
    return cells.over_bar(7.0 + seconds, to_bar, ROOM_BAR)


@pytest.mark.parametrize("intent", [Intent.DOWN, Intent.OPEN, Intent.FREE])
def test_cells_that_stay_where_they_were_show_the_pressure_that_was(intent):
    assert fallen(1.5, 1.0, (40, 50, 45), (40, 50, 45), intent=intent) == pytest.approx(0.5)


def test_cells_that_follow_the_gauges_contradict_nothing():
    assert fallen(1.5, 1.0, (40, 50, 45), (27, 33, 30)) is None
    assert fallen(1.5, 1.0, (40, 50, 45), (33.3, 41.6, 37.5)) is None


def test_less_than_half_of_the_fall_does_not_follow():
    just = 1.0 - 0.5 * (1.0 - 1.0 / 1.5)
    assert fallen(1.5, 1.0, (40, 40), (40 * just, 40 * just)) is None
    assert fallen(1.5, 1.0, (40, 40), (40 * just + 0.01,) * 2) == pytest.approx(0.25, abs=1e-3)


def test_the_second_highest_counts_and_one_alone_counts_too():
    assert fallen(1.5, 1.0, (40, 40, 40), (40, 27, 27)) is None
    assert fallen(1.5, 1.0, (40, 40, 40), (40, 39, 27)) == pytest.approx(0.4625)
    assert fallen(1.5, 1.0, (40,), (40,)) == pytest.approx(0.5)


def test_gauges_that_leave_the_pot_in_the_middle_of_a_fall_are_found():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 2.0, readings(80, 80))
    for n, pressure_bar in enumerate((2.0, 1.8, 1.6, 1.4)):
        for part in range(4):
            output_mv = 40.0 * pressure_bar
            cells.look(20.0 * n + part, Intent.DOWN, pressure_bar, readings(output_mv, output_mv))
    for n, pressure_bar in enumerate((1.3, 1.2, 1.1, 1.0)):
        cells.look(80.0 + 20.0 * n, Intent.DOWN, pressure_bar, readings(56, 56))
    assert cells.over_bar(140.0, 1.0, ROOM_BAR) == pytest.approx(0.3)


def test_cells_that_lag_behind_a_fall_show_nothing_once_they_have_come_down():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 2.0, readings(80, 80))
    lag = {0: 80.0}
    for tick in range(1, 400):
        pressure_bar = max(1.0, 2.0 - 0.01 * tick)
        lag[tick] = lag[tick - 1] + 0.1 * (40.0 * pressure_bar - lag[tick - 1])
        cells.look(float(tick), Intent.DOWN, pressure_bar, readings(lag[tick], lag[tick]))
        assert tick < 100 or cells.over_bar(float(tick), pressure_bar, ROOM_BAR) is None or tick < 120
    assert cells.over_bar(399.0, 1.0, ROOM_BAR) is None


def test_a_small_fall_is_not_looked_at():
    assert fallen(1.0 + 0.99 * LEAST_FALL_BAR, 1.0, (40, 40), (40, 40)) is None
    assert fallen(1.0 + LEAST_FALL_BAR + 1e-9, 1.0, (40, 40), (40, 40)) is not None


def test_a_cell_that_lags_is_taken_from_where_it_rises_to():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 1.5, readings(30, 30))
    cells.look(1.0, Intent.OPEN, 1.4, readings(30, 30))
    for n in range(5):
        cells.look(RISES_FOR_S - 4.0 + n, Intent.OPEN, 1.2, readings(40, 40))
    for n in range(4):
        cells.look(60.0 + n, Intent.OPEN, 1.0, readings(32, 32))
    assert cells.over_bar(63.0, 1.0, ROOM_BAR) is None


def test_a_later_rise_is_no_part_of_the_fall():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 1.5, readings(40, 40))
    cells.look(1.0, Intent.OPEN, 1.4, readings(40, 40))
    for n in range(4):
        cells.look(RISES_FOR_S + 2.0 + n, Intent.OPEN, 1.0, readings(60, 60))
    assert cells.over_bar(RISES_FOR_S + 5.0, 1.0, ROOM_BAR) == pytest.approx(1.25)


def test_nothing_is_shown_before_a_fall_without_readings_and_by_dead_or_stale_cells():
    cells = FallingCells()
    assert cells.over_bar(0.0, 1.0, ROOM_BAR) is None
    cells.look(0.0, Intent.OPEN, 1.0, readings(40, 40))
    assert cells.over_bar(0.0, 0.5, ROOM_BAR) is None
    cells.look(1.0, Intent.UP, 1.5, readings(40, 40))
    assert cells.over_bar(1.0, 1.0, ROOM_BAR) is None
    cells.look(2.0, Intent.OPEN, 1.5, None)
    assert cells.over_bar(2.0, 1.0, ROOM_BAR) == pytest.approx(0.5)
    assert cells.over_bar(5.9, 1.0, ROOM_BAR) is not None
    assert cells.over_bar(6.1, 1.0, ROOM_BAR) is None
    assert fallen(1.5, 1.0, (1.0, 1.0), (1.0, 1.0)) is None
    assert fallen(1.5, 1.0, (40, 40), (None, None)) is None


def test_a_filling_that_the_gauges_answer_begins_anew():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 2.0, readings(80, 80))
    cells.look(1.0, Intent.DOWN, 2.0, readings(80, 80))
    cells.look(2.0, Intent.DOWN, 1.05, readings(80, 80))
    for n in range(4):
        cells.look(3.0 + n, Intent.UP, 1.5, readings(40, 40))
    cells.look(7.0, Intent.UP, None, readings(40, 40))
    cells.look(8.0, Intent.OPEN, 1.5, readings(40, 40))
    assert cells.over_bar(8.0, 1.0, ROOM_BAR) == pytest.approx(0.5)


@pytest.mark.parametrize(("risen_bar", "forgotten"), [(0.029, False), (0.031, True)])
def test_a_fall_counts_on_where_the_gauges_answer_no_filling(risen_bar, forgotten):
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 1.5, readings(60, 60))
    cells.look(1.0, Intent.DOWN, 1.5, readings(60, 60))
    cells.look(2.0, Intent.DOWN, 1.0, readings(60, 60))
    cells.look(3.0, Intent.UP, 1.0 + risen_bar, readings(60, 60))
    cells.look(4.0, Intent.OPEN, 1.0, readings(60, 60))
    assert (cells.over_bar(4.0, 1.0, ROOM_BAR) is None) is forgotten


def test_a_flow_ends_a_fall_since_the_gas_changes_without_a_rise():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 1.5, readings(20, 20))
    cells.look(1.0, Intent.DOWN, 1.5, readings(20, 20))
    cells.look(2.0, Intent.OPEN, 1.01, readings(15, 15))
    cells.look(3.0, Intent.FLOW, 1.02, readings(40, 40))
    for n in range(4):
        cells.look(4.0 + n, Intent.OPEN, 1.0, readings(40, 40))
    assert cells.over_bar(7.0, 1.0, ROOM_BAR) is None


def test_the_judgements_are_these():
    assert (LEAST_FALL_BAR, LEAST_PART, RISES_FOR_S) == (0.10, 0.5, 30.0)
    assert (LOOKED_AT_EVERY_BAR, ROSE_BAR) == (0.05, 0.03)


def test_the_pressure_now_counts_and_not_only_where_the_fall_began():
    # Half of the fall from 2.0 to 1.6 bar leaves 0.9 of the output.
    assert fallen(2.0, 1.6, (80, 80), (71.9, 71.9)) is None
    assert fallen(2.0, 1.6, (80, 80), (72.1, 72.1)) == pytest.approx(0.8025)


def test_a_cell_counts_from_a_millivolt_on():
    assert fallen(1.5, 1.0, (1.01, 1.01), (1.01, 1.01)) is not None
    assert fallen(1.5, 1.0, (0.99, 0.99), (0.99, 0.99)) is None


def test_a_rise_at_the_end_of_its_time_still_counts_and_gauges_without_a_reading_begin_no_step():
    cells = FallingCells()
    cells.look(0.0, Intent.UP, 1.5, readings(30, 30))
    cells.look(1.0, Intent.OPEN, 1.5, readings(30, 30))
    for n in range(4):
        cells.look(RISES_FOR_S - 2.0 + n, Intent.OPEN, None, readings(60, 60))
    for n in range(4):
        cells.look(60.0 + n, Intent.OPEN, 1.0, readings(44, 44))
    assert cells.over_bar(63.0, 1.0, ROOM_BAR) is None
