"""The message for a pot that could not be shown to be vented: the highest reading of a working gauge."""

import pytest

from rig.phases.ending import is_vented, not_vented_text
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)


@pytest.mark.parametrize(
    ("changes", "reported"),
    [
        (
            {"gauge": GaugeState(1.6), "second_gauge": GaugeState(1.6)},
            "NOT VENTED: +587 mbar against ambient, 461 N",
        ),
        ({"gauge": GaugeState(1.012), "second_gauge": GaugeState(1.6)}, "NOT VENTED: +587 mbar"),
        (
            {"gauge": GaugeState(0.893), "second_gauge": GaugeState(1.012)},
            "NOT CONFIRMED: the gauges read 0.893 and 1.012 bar",
        ),
        ({"gauge": GaugeState(1.6, failed_readings=3)}, "NOT CONFIRMED: no gauge"),
        ({"gauge": GaugeState(1.6, identical_readings=10)}, "NOT CONFIRMED: no gauge"),
        ({"gauge": GaugeState(1.6), "barometer_bar": None}, "NOT CONFIRMED: no gauge"),
    ],
)
def test_what_is_reported_of_a_pot_that_is_not_known_to_be_vented(changes, reported):
    scan = Scan(**{"barometer_bar": 1.013, **changes})
    assert not is_vented(scan, LIMITS.vented_bar)
    assert not_vented_text(scan, LIMITS).startswith(reported)
