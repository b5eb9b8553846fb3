"""The decision rule against JCGM 106:2012 and published risk figures.

The global risks of the resistor example (1500 ohm within 0.2 ohm, production spread 0.12 ohm, measurement
0.04 ohm: parameters from memory) are those of suncal 1.7.1, `risk.PFA` and `risk.PFR`.
"""

import numpy as np
import pytest
from scipy.stats import norm

from grading.judgement.decision import decide, probability_of_conformity


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_conformity_probability_of_table_1(probability, z):
    # JCGM 106 table 1: a value z standard uncertainties inside a single limit.
    assert probability_of_conformity(10.0 - z, 1.0, (None, 10.0)) == pytest.approx(probability, abs=0.002)
    assert probability_of_conformity(10.0 + z, 1.0, (10.0, None)) == pytest.approx(probability, abs=0.002)


@pytest.mark.parametrize(
    ("guard_in_u", "risk"), [(0.0, 0.5), (0.5, 0.1587), (0.83, 0.0485), (1.0, 0.0228), (1.5, 0.00135)]
)
def test_specific_risk_at_the_acceptance_limit_of_ilac_g8(guard_in_u, risk):
    # ILAC-G8:09/2019, guard bands w = r U with U = 2 u: risk of a value right at the acceptance limit.
    u = 0.5
    value = 20.0 - guard_in_u * 2.0 * u
    assert 1.0 - probability_of_conformity(value, u, (None, 20.0)) == pytest.approx(risk, abs=5e-4)


def global_risk(guard_ohm):
    """Consumer's and producer's risk when `decide` accepts with a guard band."""
    nominal, tolerance, spread, u = 1500.0, 0.2, 0.12, 0.04
    truth = nominal + np.linspace(-8, 8, 8001) * spread
    weight = norm.pdf(truth, nominal, spread) * (truth[1] - truth[0])
    limits = (nominal - tolerance, nominal + tolerance)
    # The edges of what is accepted, found from the rule itself on a fine scale.
    readings = nominal + np.linspace(-0.4, 0.4, 16001)
    if guard_ohm >= 0:
        passed = [decide(y, guard_ohm, limits, (None, None)).grade == "pass" for y in readings]
    else:
        wide = (limits[0] + guard_ohm, limits[1] - guard_ohm)
        passed = [decide(y, 0.0, wide, (None, None)).grade == "pass" for y in readings]
    accepted = readings[np.array(passed)]
    low, high = accepted.min() - 2.5e-5, accepted.max() + 2.5e-5
    accept = norm.cdf(high, truth, u) - norm.cdf(low, truth, u)
    good = np.abs(truth - nominal) <= tolerance
    return np.sum(weight * accept * ~good), np.sum(weight * (1 - accept) * good)


@pytest.mark.parametrize(
    ("guard_ohm", "consumer", "producer"),
    [(0.0, 0.01894, 0.03721), (0.04, 0.00433, 0.1147), (-0.04, 0.0449, 0.0071)],
    ids=["simple acceptance", "guarded acceptance", "guarded rejection"],
)
def test_global_risk_of_the_resistor_example(guard_ohm, consumer, producer):
    rc, rp = global_risk(guard_ohm)
    assert rc == pytest.approx(consumer, abs=1.5e-4)
    assert rp == pytest.approx(producer, abs=3e-4)
