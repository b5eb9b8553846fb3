"""Gas arithmetic against released values, an independent property library and published worked examples."""

import pytest
from CoolProp.CoolProp import PropsSI

from grading import gas


@pytest.mark.parametrize(
    ("kelvin", "pascal"),
    [(273.16, 611.657), (373.1243, 0.101325e6), (647.096 - 1e-9, 22.064e6)],
    ids=["triple point", "boiling point", "critical point"],
)
def test_saturation_pressure_gives_the_check_values_of_the_iapws_release(kelvin, pascal):
    # IAPWS SR1-86(1992), table 1, from memory.
    assert gas.saturation_pressure_bar(kelvin - 273.15) * 1e5 == pytest.approx(pascal, rel=2e-6)


@pytest.mark.parametrize("temperature_c", [5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0])
def test_saturation_pressure_agrees_with_iapws_95_by_coolprop(temperature_c):
    reference = PropsSI("P", "T", temperature_c + 273.15, "Q", 0, "Water")
    assert gas.saturation_pressure_bar(temperature_c) * 1e5 == pytest.approx(reference, rel=7.5e-5)


@pytest.mark.parametrize(
    ("geopotential_m", "pascal"),
    [(0, 101325.0), (500, 95460.8), (1000, 89874.6), (1500, 84556.0), (2000, 79495.2), (3000, 70108.5)],
)
def test_standard_atmosphere_of_iso_2533(geopotential_m, pascal):
    assert gas.standard_pressure_bar(geopotential_m) * 1e5 == pytest.approx(pascal, abs=0.06)


@pytest.mark.parametrize(("geometric_m", "pascal"), [(1000, 89876.278), (2000, 79501.411), (3000, 70121.144)])
def test_standard_atmosphere_by_geometric_altitude(geometric_m, pascal):
    # Values of the ambiance package 1.3.1, which takes geometric altitude after ISO 2533.
    found = gas.standard_pressure_bar(gas.geopotential_altitude_m(geometric_m)) * 1e5
    assert found == pytest.approx(pascal, rel=1e-7)


def test_pressure_purging_of_a_vessel_as_published_by_a_tank_maker():
    # tankspan.com, page on safety: nitrogen to 1.5 bar gauge and vented; air left after each of four cycles.
    published = [0.40, 0.16, 0.06, 0.025]
    left = [gas.remainder_after_swings([1.0] * n, [2.5] * n) for n in range(1, 5)]
    assert left == pytest.approx(published, abs=0.005)


@pytest.mark.parametrize(
    ("low_bar", "high_bar", "cycles"),
    [(20.0 / 760.0 * gas.STANDARD_ATMOSPHERE_BAR, gas.STANDARD_ATMOSPHERE_BAR, 4), (14.7, 94.7, 7)],
    ids=["vacuum to 20 mmHg", "pressure to 80 psig"],
)
def test_inerting_a_thousand_gallon_vessel_crowl_and_louvar(low_bar, high_bar, cycles):
    # Crowl and Louvar, Chemical Process Safety, examples on inerting from 21 % to 1 ppm oxygen (from memory):
    # 3.37 vacuum cycles, so 4; 6.58 pressure cycles, so 7. A ratio of pressures has no unit.
    left = [0.21 * gas.remainder_after_swings([low_bar] * n, [high_bar] * n) for n in (cycles - 1, cycles)]
    assert left[1] < 1e-6 < left[0]


def test_purging_the_pot_with_one_to_two_bar_swings():
    # Halving by hand: 0.995 - 0.7855 / 2^n.
    for n in range(1, 9):
        found = gas.fraction_after_swings(0.2095, 0.995, [1.0] * n, [2.0] * n)
        assert found.oxygen_fraction == pytest.approx(0.995 - 0.7855 / 2**n, abs=1e-12)


def test_divers_units():
    # EN 13319: 10 m of seawater are 1 bar, from a density of 1019.7 kg/m3.
    assert gas.pressure_at_depth_bar(10.0) - gas.STANDARD_ATMOSPHERE_BAR == pytest.approx(
        1019.7 * 9.80665 * 10.0 * 1e-5, rel=2e-5
    )
    # US Navy: one foot of seawater is 3063.03 Pa.
    assert pytest.approx(3063.03, abs=0.01) == gas.FOOT_OF_SEAWATER_BAR * 1e5
    assert pytest.approx(6894.757, abs=0.001) == gas.PSI_BAR * 1e5
    # BIPM: the standard atmosphere is 101.325 kPa.
    assert pytest.approx(gas.STANDARD_ATMOSPHERE_BAR) == 101.325 * gas.KILOPASCAL_BAR
