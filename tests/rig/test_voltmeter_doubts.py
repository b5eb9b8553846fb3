"""A voltmeter that repeats itself, and channels that are exchanged: the pure parts."""

from __future__ import annotations

import random

import pytest

from grading.record.format import Reading
from rig.loop.cell_watch import CellWatch
from rig.loop.repeated_scans import RepeatedScans


def scans(noise_mv: float, digit_mv: float, count: int, cells: int = 2, drift_mv: float = 0.0, seed: int = 1):
    """Scans of cells near 50 mV with white noise, rounded to a digit."""
    draw = random.Random(seed)
    for number in range(count):
        yield {
            socket: round((50.0 + socket + drift_mv * number + draw.gauss(0.0, noise_mv)) / digit_mv)
            * digit_mv
            for socket in range(1, cells + 1)
        }


def fed(readings, *, at_rest: bool = True, refresh_s: float = 0.05) -> RepeatedScans:
    repeated = RepeatedScans()
    for number, output_mv in enumerate(readings):
        repeated.take(0.4 * number, output_mv, refresh_s, at_rest)
    return repeated


@pytest.mark.parametrize("cells", [1, 2, 8])
def test_a_usual_meter_is_seen_to_vary_within_ten_seconds(cells):
    assert fed(scans(0.0015, 0.0001, 25, cells)).varies


@pytest.mark.parametrize(
    ("noise_mv", "drift_mv"), [(0.003, 0.0), (0.03, 0.0), (0.0, 0.01), (0.02, -0.002), (0.0, 0.0)]
)
def test_a_handheld_meter_is_never_called_varying(noise_mv, drift_mv):
    assert not fed(scans(noise_mv, 0.1, 5000, 6, drift_mv)).varies


def test_a_swinging_pressure_is_not_noise():
    def swinging():
        for number in range(400):
            yield {1: round(500.0 + 50.0 * ((number % 20) - 10)) / 10.0}

    assert not fed(swinging(), at_rest=False).varies


def test_a_slow_module_that_is_asked_too_often_is_not_frozen():
    fresh = list(scans(0.003, 0.000004, 40))
    often = [fresh[number // 5] for number in range(200)]
    repeated = RepeatedScans()
    most = 0
    for number, output_mv in enumerate(often):
        repeated.take(0.4 * number, output_mv, 2.0, at_rest=True)
        most = max(most, repeated.alike)
    assert repeated.varies
    assert most <= 2


def test_repeats_are_counted_from_the_last_scan_that_differed():
    readings = list(scans(0.0015, 0.0001, 30))
    repeated = fed([*readings, *[readings[-1]] * 15])
    assert repeated.alike == 16
    assert repeated.live_s == pytest.approx(0.4 * 29)


def test_white_noise_of_one_cell_repeats_far_less_often_than_the_limit_asks():
    """The least noise that is called varying: one digit (k = 1)."""
    repeated, most = RepeatedScans(), 0
    for number, output_mv in enumerate(scans(0.1, 0.1, 20_000, cells=1)):
        repeated.take(0.4 * number, output_mv, 0.05, at_rest=True)
        most = max(most, repeated.alike)
    assert repeated.varies
    assert most <= 11


class Bench:
    """Two or more cells on a bench, scanned every 0.4 s."""

    def __init__(self, per_bar, noise_part=3e-5, seed=2):
        self.watch = CellWatch(range(1, len(per_bar) + 1))
        self.per_bar = list(per_bar)
        self.draw = random.Random(seed)
        self.noise_part = noise_part
        self.t_s = 0.0
        self.found = []

    def scan(self, pressure_bar, times=1):
        for _ in range(times):
            self.t_s += 0.4
            output = {
                socket: Reading(50.0 * part * pressure_bar * (1.0 + self.draw.gauss(0.0, self.noise_part)))
                for socket, part in enumerate(self.per_bar, start=1)
            }
            found = self.watch.look(self.t_s, output, pressure_bar, in_oxygen=True)
            self.found += [(each.socket, each.finding) for each in found]

    def swap(self):
        self.per_bar[0], self.per_bar[1] = self.per_bar[1], self.per_bar[0]


@pytest.mark.parametrize("apart", [0.003, 0.03, 0.4])
def test_channels_exchanged_in_a_hold_are_seen_and_both_cells_dropped(apart):
    bench = Bench([1.0, 1.0 + apart, 0.9])
    bench.scan(1.5, 20)
    bench.swap()
    bench.scan(1.5, 6)
    assert bench.found == [(1, "swapped"), (2, "swapped")]
    assert bench.watch.swapped == bench.watch.gone == {1, 2}


def test_channels_exchanged_after_two_scans_of_a_run_are_seen():
    bench = Bench([1.0, 1.05])
    bench.scan(1.0, 2)
    bench.swap()
    bench.scan(1.0, 5)
    assert bench.found == [(1, "swapped"), (2, "swapped")]


def test_channels_exchanged_on_a_ramp_are_seen():
    bench = Bench([1.0, 1.05, 0.9])
    for number in range(40):
        if number == 20:
            bench.swap()
        bench.scan(1.0 + 0.006 * number)
    assert bench.found == [(1, "swapped"), (2, "swapped")]


def test_equal_cells_cannot_be_told_apart():
    bench = Bench([1.0, 1.0005])
    bench.scan(1.5, 20)
    bench.swap()
    bench.scan(1.5, 20)
    assert bench.found == []


def test_a_cell_that_jumps_alone_and_noisy_cells_are_not_exchanged():
    jumps = Bench([1.0, 1.05])
    jumps.scan(1.5, 20)
    jumps.per_bar[1] = 1.0 / 1.05
    jumps.scan(1.5, 20)
    assert "swapped" not in {finding for _, finding in jumps.found}
    noisy = Bench([1.0, 1.01, 1.02, 0.99, 0.98, 1.03], noise_part=0.005)
    noisy.scan(1.5, 3000)
    assert noisy.found == []


def holds(*outputs_and_po2):
    watch = CellWatch((1, 2, 3))
    found = []
    for output_mv, po2_bar in outputs_and_po2:
        found += watch.hold_ended(dict(zip((1, 2, 3), output_mv, strict=True)), po2_bar)
    return [(each.socket, each.finding) for each in found]


def test_channels_exchanged_between_two_holds_are_seen_by_what_each_reads_for_its_po2():
    assert holds(((50.0, 53.0, 49.0), 1.0), ((84.8, 80.0, 78.4), 1.6)) == [(1, "swapped"), (2, "swapped")]


def test_a_hold_without_a_known_pressure_is_left_out():
    assert holds(((50.0, 53.0, 49.0), 1.0), ((84.8, 80.0, 78.4), 0.0)) == []


def test_a_cell_that_bends_below_another_is_not_exchanged_with_it():
    assert holds(((50.0, 53.0, 49.0), 1.0), ((80.0, 75.5, 78.4), 1.6)) == []
    assert holds(((50.0, 50.5, 49.8), 1.0), ((80.8, 80.0, 79.7), 1.6)) == []
