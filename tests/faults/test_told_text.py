"""Which texts claim something about the gas, and that a claim is held to the pot of that moment."""

from dataclasses import replace

import pytest
from told_text import ToldText, claims

from drivers.virtual_spec import PotTruth

_EMPTY = PotTruth(0, 1.0, 2.0, 1.0, 20, 0.9, False, True, False, 0, False, False, True, 1.0)


@pytest.mark.parametrize(
    ("text", "claimed"),
    [
        ("The pot is vented now.", {"vented"}),
        ("All steps done; the pot is vented.", {"vented"}),
        ("vented", {"vented"}),
        ("No pressure by two sources for 10 s, vent open: you may open the lid now, slowly.", {"vented"}),
        ("No pressure by the dial: the lid may be opened.", {"vented"}),
        ("Vented, the pot is at 1.013 bar. What does your dial read?", {"vented"}),
        ("De-energised: supply shut, vent open.", {"supply shut"}),
        ("Supply shut; venting on the ramp.", {"supply shut"}),
        ("The pot reads vented. It is watched for 60 s.", {"vented"}),
        ("VENTED was typed: a person has read no pressure on the dial.", set()),
        ("The gauges show no pressure now. The alarm stays in the record.", set()),
        ("NOT VENTED: +61 mbar against ambient, 48 N on the lid.", set()),
        ("NOT CONFIRMED: no gauge can show whether the pot is vented.", set()),
        ("The pot could not be vented after the last step.", set()),
        ("Keep the lid shut until the gauge on the pot shows no pressure.", set()),
        ("Type VENTED once the dial on the pot shows no pressure.", set()),
        ("Close the bottle; find the leak with the pot vented.", set()),
        ("The pot is under pressure: it is vented first and checked then.", set()),
        ("Asked for: supply shut, pressure let out as the screen says.", set()),
        ("Regulator knob fully out? Supply valve shut, vent open?", set()),
        ("The second gauge answers, but with no pressure (no_value).", set()),
        ("The command to de-energise got no answer: the valves may not have moved.", set()),
        ("No valve has power.", set()),
        ("No pressure was read for 60.2 s: this program or the computer stood still.", set()),
        ("The lid was not allowed to be opened: the dial shows pressure", set()),
    ],
)
def test_what_a_text_claims(text, claimed):
    assert claims(text) == claimed


class Pot:
    """A pot that a test sets by hand."""

    def __init__(self):
        self.truth = _EMPTY
        self.now_s = 10.0

    def told(self):
        return ToldText(lambda: self.truth, lambda: self.now_s)


def test_vented_is_held_to_fifty_millibar_above_the_room():
    pot = Pot()
    told = pot.told()
    pot.truth = replace(_EMPTY, pressure_bar=1.04)
    told.hear("The pot is vented now.")
    assert told.broken == []
    pot.now_s, pot.truth = 11.0, replace(_EMPTY, pressure_bar=1.06)
    told.hear_event("note", {"text": "The pot is vented now."})
    told.hear_event("answer", {"answer": "VENTED"})
    assert told.broken == ["at 11.0 s, +0.060 bar in the pot: 'The pot is vented now.'"]


def test_a_supply_called_shut_has_the_time_that_a_solenoid_takes():
    pot = Pot()
    told = pot.told()
    pot.truth = replace(_EMPTY, supply_open=True)
    told.hear("De-energised: supply shut, vent open.")
    pot.now_s = 10.05
    told.look()
    pot.now_s, pot.truth = 10.2, _EMPTY
    told.look()
    assert told.broken == []
    pot.truth = replace(_EMPTY, supply_open=True)
    told.hear("De-energised: supply shut, vent open.")
    pot.now_s = 10.4
    told.look()
    assert told.broken == ["at 10.2 s, the supply flows: 'De-energised: supply shut, vent open.'"]
