"""What is said of a pot that could not be shown to be vented: the worst that a living gauge tells."""

import pytest

from rig.phases.ending import is_vented, not_vented_text
from rig.safety.limits import SafetyLimits
from rig.safety.scan import Scan

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"pressure_bar": 1.6, "pressure_b_bar": 1.6}, "NOT VENTED: +587 mbar against ambient, 461 N"),
        ({"pressure_bar": 1.012, "pressure_b_bar": 1.6}, "NOT VENTED: +587 mbar"),
        (
            {"pressure_bar": 0.893, "pressure_b_bar": 1.012},
            "NOT CONFIRMED: the gauges read 0.893 and 1.012 bar",
        ),
        ({"pressure_bar": 1.6, "bad": 3}, "NOT CONFIRMED: no gauge"),
        ({"pressure_bar": 1.6, "same": 10}, "NOT CONFIRMED: no gauge"),
        ({"pressure_bar": 1.6, "barometer_bar": None}, "NOT CONFIRMED: no gauge"),
    ],
)
def test_what_is_told_of_a_pot_that_is_not_known_to_be_vented(changes, told):
    scan = Scan(**{"barometer_bar": 1.013, **changes})
    assert not is_vented(scan, LIMITS.vented_bar)
    assert not_vented_text(scan, LIMITS).startswith(told)
