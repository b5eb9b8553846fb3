"""Ticks stay on their time line; missed ticks are skipped and counted."""

from datetime import UTC, datetime

import pytest

from rig.loop.schedule import Schedule


class SteppedClock:
    def __init__(self):
        self.now = 100.0

    def monotonic_s(self):
        return self.now

    def utc(self):
        return datetime(2026, 3, 2, tzinfo=UTC)

    def sleep_until(self, monotonic_s):
        self.now = max(self.now, monotonic_s)


def test_ticks_fall_on_multiples_of_the_interval():
    clock = SteppedClock()
    schedule = Schedule(clock, 0.2)
    missed = [schedule.wait() for _ in range(5)]
    assert missed == [0] * 5
    assert schedule.tick == 4
    assert schedule.now_s == pytest.approx(0.8)


def test_a_late_tick_comes_at_once_and_the_next_is_on_time_again():
    clock = SteppedClock()
    schedule = Schedule(clock, 0.2)
    schedule.wait()
    clock.now += 0.3
    assert schedule.wait() == 0
    assert schedule.now_s == pytest.approx(0.3)
    assert schedule.wait() == 0
    assert schedule.now_s == pytest.approx(0.4)


def test_missed_ticks_are_skipped_and_counted_and_never_made_up():
    clock = SteppedClock()
    schedule = Schedule(clock, 0.2)
    schedule.wait()
    clock.now += 1.05
    assert schedule.wait() == 4
    assert schedule.tick == 5
    assert schedule.wait() == 0
    assert schedule.now_s == pytest.approx(1.2)
