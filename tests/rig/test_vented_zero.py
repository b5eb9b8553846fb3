"""The vented-zero check: a gauge in another unit must be found before any gas."""

from __future__ import annotations

import pytest

from rig.safety.vented_zero import PotPressure, pot_pressure, vented_zero_problems


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


def pressure(barometer_bar: float | None = 0.975, **series_bar: list[float]) -> PotPressure:
    return pot_pressure(series_bar, barometer_bar, zero_bar=0.008, apart_bar=0.030)


def still(bar: float) -> list[float]:
    return [bar + 0.0001 * (-1) ** index for index in range(10)]


def rising(bar: float, by_bar: float) -> list[float]:
    return [value + by_bar * index / 9 for index, value in enumerate(still(bar))]


def test_a_reading_above_the_barometer_that_no_unit_explains_is_pressure() -> None:
    assert pressure(a=still(0.976), b=still(0.974)) == PotPressure()
    assert pressure(a=still(1.20), b=still(1.21)).found.endswith("the pot is under pressure")
    assert pressure(a=still(1.20)).found.endswith("the pot may be under pressure")
    assert pressure(a=still(1.20), b=still(0.975)).found.endswith("the pot may be under pressure")
    assert pressure(a=rising(1.20, 0.03)).found.endswith("and rises: the pot is under pressure")
    assert pressure(a=rising(1.20, -0.03)).found.endswith("and falls: the pot is under pressure")


def test_a_wrong_unit_is_no_pressure() -> None:
    for factor in (14.5038, 100.0, 1000.0, 0.1, 1.0 / 1.01325):
        assert pressure(a=still(0.975 * factor), b=still(0.975 * factor)).found == ""


@pytest.mark.parametrize("barometer_bar", [None, 0.5])
def test_pressure_is_seen_without_a_barometer(barometer_bar: float | None) -> None:
    assert "1.08 bar" in pressure(barometer_bar, a=still(1.20), b=still(1.21)).found
    assert pressure(barometer_bar, a=still(1.02), b=still(1.02)) == PotPressure()


def test_a_reading_that_moves_is_noticed_and_noise_is_not() -> None:
    assert pressure(a=rising(0.975, 0.006)).moves
    assert not pressure(a=rising(0.975, 0.002)).moves
    assert not pressure(a=[0.975, 0.985, 0.972, 0.98, 0.97, 0.982, 0.975, 0.988, 0.97, 0.98]).moves
