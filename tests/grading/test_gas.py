import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from grading import gas
from grading.uncertainty import complex_step_jacobian


def test_a_loop_of_oxygen_at_six_metres_is_po2_1_6():
    # Common practice, no source: 6 m (20 ft) of seawater is the depth for pure oxygen at 1.6 bar.
    assert gas.po2_bar(gas.pressure_at_depth_bar(6.0), 1.0) == pytest.approx(1.6, abs=0.02)
    twenty_feet = gas.STANDARD_ATMOSPHERE_BAR + 20.0 * gas.FOOT_OF_SEAWATER_BAR
    assert twenty_feet == pytest.approx(1.6, abs=0.03)


def test_depth_and_pressure_are_inverse():
    assert gas.depth_of_pressure_msw(gas.pressure_at_depth_bar(17.3, 0.95), 0.95) == pytest.approx(17.3)


def test_ambient_air_loses_its_water_vapour_first():
    dry = gas.po2_in_air_bar(1.01325, 0.0, 20.0)
    assert dry == pytest.approx(0.20946 * 1.01325)
    humid = gas.po2_in_air_bar(1.01325, 1.0, 20.0)
    assert dry - humid == pytest.approx(0.20946 * 0.02339, rel=1e-3)


def test_altitude_enters_through_the_barometer_alone():
    low, high = gas.po2_in_air_bar(np.array([1.01325, 0.79495]), 0.0, 20.0)
    assert high / low == pytest.approx(0.79495 / 1.01325)


def test_everything_works_on_arrays_of_any_shape():
    pressure = np.linspace(0.9, 2.1, 6).reshape(2, 3)
    assert gas.po2_bar(pressure, 0.99, 0.3, np.full((2, 3), 21.0)).shape == (2, 3)
    assert gas.saturation_pressure_bar(np.array([[5.0, 20.0]])).shape == (1, 2)


def test_everything_can_be_differentiated_by_the_complex_step():
    def chain(x):
        po2 = gas.po2_bar(x[..., 0], x[..., 1], x[..., 2], x[..., 3])
        return np.stack([po2, gas.standard_pressure_bar(x[..., 4])], axis=-1)

    x = np.array([1.01, 0.2095, 0.5, 22.0, 800.0])
    value, jacobian = complex_step_jacobian(chain, x)
    for i, h in enumerate([1e-5, 1e-6, 1e-4, 1e-3, 1e-1]):
        step = np.zeros(5)
        step[i] = h
        assert jacobian[:, i] == pytest.approx((chain(x + step) - chain(x - step)) / (2 * h), abs=1e-9)
    assert value == pytest.approx(chain(x))


@given(
    start=st.floats(0.0, 1.0),
    supply=st.floats(0.5, 1.0),
    swings=st.lists(st.tuples(st.floats(0.1, 1.0), st.floats(1.1, 4.0)), min_size=1, max_size=12),
)
def test_swings_bring_the_pot_ever_nearer_to_the_supply(start, supply, swings):
    low, high = zip(*swings, strict=True)
    before = start
    for n in range(1, len(swings) + 1):
        now = gas.fraction_after_swings(start, supply, low[:n], high[:n]).oxygen_fraction
        assert abs(supply - now) <= abs(supply - before) + 1e-15
        assert min(start, supply) - 1e-15 <= now <= max(start, supply) + 1e-15
        before = now


def test_gas_without_a_stated_humidity_is_dry_and_at_20_degrees_when_moist():
    assert gas.po2_bar(2.0, 0.5) == pytest.approx(1.0, abs=1e-12)
    # Vapour pressure of water at 20 degrees: 2.339 kPa (IAPWS-95).
    assert gas.po2_bar(1.0, 0.5, 1.0) == pytest.approx(0.5 * (1.0 - 0.02339), abs=1e-5)


def test_a_purge_with_a_poorer_gas_is_as_doubtful_as_one_with_a_richer():
    richer = gas.fraction_after_swings(0.21, 0.995, [1.0] * 4, [2.0] * 4)
    poorer = gas.fraction_after_swings(0.995, 0.21, [1.0] * 4, [2.0] * 4)
    assert poorer.u_mixing == pytest.approx(richer.u_mixing)
    assert poorer.u_mixing > 0.0


def test_a_bottle_whose_purity_is_not_in_doubt_adds_none():
    for purged in (
        gas.fraction_after_swings(0.21, 0.995, [1.0] * 4, [2.0] * 4),
        gas.fraction_after_flow(0.21, 0.995, 3.0),
    ):
        assert purged.u_oxygen_fraction == purged.u_mixing


@pytest.mark.parametrize("volumes", [0.0, 0.25])
def test_a_short_flow_leaves_most_of_the_first_gas(volumes):
    assert gas.remainder_after_flow(volumes) == pytest.approx(1.0 - volumes + volumes**2 / 2, abs=0.003)


def test_flow_purge_follows_the_exponential():
    found = gas.fraction_after_flow(0.21, 0.995, 3.0)
    assert found.oxygen_fraction == pytest.approx(0.995 - 0.785 * np.exp(-3.0))


def test_purge_uncertainty_holds_supply_and_mixing():
    perfect = gas.fraction_after_swings(
        0.21, 0.995, [1.0] * 7, [2.0] * 7, u_supply=0.002, least_efficiency=1.0
    )
    assert perfect.u_mixing == 0.0
    assert perfect.u_oxygen_fraction == pytest.approx(0.002 * (1 - 2.0**-7))
    doubtful = gas.fraction_after_swings(0.21, 0.995, [1.0] * 7, [2.0] * 7, u_supply=0.002)
    # The worst mixing leaves 2^(-0.8 * 7) of the air.
    worst = 0.785 * (2.0 ** (-0.8 * 7) - 2.0**-7)
    assert doubtful.u_mixing == pytest.approx(worst / np.sqrt(3.0))
    assert doubtful.u_oxygen_fraction == pytest.approx(np.hypot(doubtful.u_mixing, 0.002 * (1 - 2.0**-7)))
    thorough = gas.fraction_after_swings(0.21, 0.995, [1.0] * 14, [2.0] * 14, u_supply=0.002)
    assert thorough.u_mixing < doubtful.u_mixing / 20


@pytest.mark.parametrize(
    ("call", "what"),
    [
        (lambda: gas.fraction_after_swings(0.2, 0.99, [1.0], [0.9]), "below its high"),
        (lambda: gas.fraction_after_swings(0.2, 0.99, [1.0], [1.0]), "below its high"),
        (lambda: gas.fraction_after_swings(0.2, 0.99, [0.0], [0.9]), "above 0 bar"),
        (lambda: gas.fraction_after_swings(0.2, 0.99, [1.0, 2.0], [2.0, 1.5]), "below its high"),
        (lambda: gas.fraction_after_swings(0.2, 0.99, [1.0, 1.0], [2.0]), "has one of each"),
        (lambda: gas.fraction_after_flow(0.2, 0.99, -1.0), "negative"),
        (lambda: gas.fraction_after_flow(0.2, 0.99, 1.0, least_efficiency=0.0), "efficiency"),
        (lambda: gas.fraction_after_flow(0.2, 0.99, 1.0, least_efficiency=1.5), "efficiency"),
    ],
)
def test_what_cannot_be_is_refused_in_words(call, what):
    with pytest.raises(ValueError, match=what):
        call()
