"""The vented-zero check: a gauge in another unit must be found before any gas."""

from __future__ import annotations

import pytest

from rig.safety.vented_zero import vented_zero_problems


def check(a_bar: float, b_bar: float, barometer_bar: float = 0.975) -> tuple[str, ...]:
    return vented_zero_problems(
        {"gauge_a": a_bar, "gauge_b": b_bar}, barometer_bar, zero_bar=0.008, apart_bar=0.006
    )


@pytest.mark.parametrize("barometer_bar", [0.90, 0.975, 1.04])
def test_good_gauges_pass_at_any_altitude(barometer_bar: float) -> None:
    assert check(barometer_bar + 0.001, barometer_bar - 0.002, barometer_bar) == ()


@pytest.mark.parametrize("barometer_bar", [0.90, 0.975, 1.04])
@pytest.mark.parametrize(
    ("in_its_unit", "reported"),
    [
        (lambda bar: 0.0 * bar + 0.002, "gauge pressure: set it to absolute"),
        (lambda bar: bar * 14.5038, "psi"),
        (lambda bar: bar * 100.0, "kPa"),
        (lambda bar: bar * 1000.0, "mbar or hPa"),
        (lambda bar: bar * 0.1, "MPa"),
        (lambda bar: bar / 1.01325, "atm"),
    ],
)
def test_wrong_unit_is_named(barometer_bar, in_its_unit, reported) -> None:  # type: ignore[no-untyped-def]
    reading = in_its_unit(barometer_bar)
    found = check(reading, reading, barometer_bar)
    assert len(found) == 2  # the same mistake on both gauges is no agreement
    assert all(reported in text for text in found)


def test_offset_without_a_unit_to_explain_it_is_reported_in_mbar() -> None:
    (found,) = check(0.975 - 0.12, 0.975)
    assert "-120 mbar, 8 mbar are allowed" in found
    assert "seems" not in found


def test_gauges_that_disagree_within_the_zero_are_reported() -> None:
    (found,) = check(0.975 + 0.004, 0.975 - 0.004)
    assert "gauge_a and gauge_b are 8 mbar apart; 6 mbar are allowed" in found


def test_impossible_barometer_is_reported_before_any_gauge_is_judged() -> None:
    (found,) = check(0.975, 0.975, barometer_bar=0.55)
    assert "the barometer reads 0.5500 bar" in found
    (found,) = check(0.975, 0.975, barometer_bar=97.5)
    assert "kPa" in found
