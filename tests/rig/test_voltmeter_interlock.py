"""The interlock of a voltmeter that repeats itself, and from when on its readings are in doubt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.run.trip_evidence import invalid_from_s
from rig.safety.interlocks import INTERLOCKS, Response, first_trip
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan
from rig.safety.set_point import Intent

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
LOCK = next(lock for lock in INTERLOCKS if lock.code == "VOLTMETER_LOST")


def frozen(**more) -> Scan:
    base = Scan(t_s=100.0, intent=Intent.KEEP, voltmeter_varies=True, scans_alike=16, scans_differed_s=93.0)
    return replace(base, **more)


def test_a_frozen_meter_holds_the_run_and_says_so():
    trip = first_trip(frozen(), LIMITS)
    assert (trip.code, trip.response) == ("VOLTMETER_LOST", Response.HOLD)
    assert "same scan 16 times in a row" in trip.text
    assert first_trip(frozen(scans_alike=15), LIMITS) is None
    assert first_trip(frozen(voltmeter_varies=False, scans_alike=500), LIMITS) is None


def test_digits_that_do_not_follow_the_pressure_are_frozen_however_coarse():
    coarse = frozen(voltmeter_varies=False, scans_alike=3, scans_alike_over_bar=0.16, cells_reading=2)
    assert "moved by 160 mbar" in first_trip(coarse, LIMITS).text
    assert first_trip(replace(coarse, scans_alike_over_bar=0.15), LIMITS) is None
    assert first_trip(replace(coarse, scans_alike=1), LIMITS) is None
    # One limited cell alone may show the same on a coarse meter.
    assert first_trip(replace(coarse, cells_reading=1), LIMITS) is None


def test_every_repeated_scan_is_in_doubt_and_not_only_the_last_seconds():
    trip = first_trip(frozen(), LIMITS)
    assert invalid_from_s(trip, frozen(t_s=200.0)) == 93.0
    assert invalid_from_s(trip, frozen(t_s=110.0)) == pytest.approx(110.0 - LOCK.limit_s)
    silent = frozen(t_s=200.0, scans_alike=1, voltmeter_bad=9)
    assert invalid_from_s(trip, silent) == pytest.approx(200.0 - LOCK.limit_s)
