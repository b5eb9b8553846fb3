"""Every drive asks the same permissive before it lets gas in, and again during filling."""

from operator import attrgetter
from types import SimpleNamespace

import pytest

from drivers.ports import ReadingStatus
from rig.hand.drive import HandDrive
from rig.loop.loop import Tripped
from rig.loop.run_log import RunLog
from rig.loop.schedule import Schedule
from rig.pressure.controller_drive import ControlledPressure
from rig.safety.drive_words import Drive
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import SetPoint
from rig.safety.states import STATE_RULES, State
from rig.view import Action, Valve

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)


class Nobody:
    def say(self, text, severity="info"):
        pass


class Controller:
    def __init__(self):
        self.orders = []

    def __getattr__(self, name):
        return lambda *values: self.orders.append(name)


class Bench:
    """One drive at a pot whose scan and state a test writes."""

    def __init__(self, drive, two_gauges=True):
        self.scan = Scan(
            t_s=1.0,
            gauge=GaugeState(1.2, ReadingStatus.OK),
            second_gauge=GaugeState(1.2, ReadingStatus.OK),
            barometer_bar=1.0,
            drive=drive,
        )
        self.machine = SimpleNamespace(state=State.EXECUTE, rule=STATE_RULES[State.EXECUTE])
        self.controller, self.cue = Controller(), None
        clock = SimpleNamespace(monotonic_s=lambda: 0.0, utc=lambda: None, sleep_until=lambda _s: None)
        schedule = Schedule(clock, 0.2)
        parts = (self.machine, LIMITS, SetPoint())
        log = RunLog(clock, schedule)
        if drive is Drive.HANDS:
            self.drive = HandDrive(
                *parts, log, lambda: self.scan, Nobody(), self._show, two_gauges=two_gauges
            )
        else:
            self.drive = ControlledPressure(
                self.controller, *parts, schedule, log, lambda: self.scan, watch_link=False
            )

    def _show(self, cue):
        self.cue = cue

    def change(self, field, value):
        *path, name = field.split(".")
        setattr(attrgetter(*path)(self.scan) if path else self.scan, name, value)

    def let_in(self, target_bar=1.6):
        self.drive.begin_move(target_bar, self.scan)

    @property
    def lets_in(self):
        return bool(self.controller.orders) or self.hands_are_to(Action.OPEN)

    def hands_are_to(self, action):
        """Whether the cue asks for that action at the supply."""
        return self.cue is not None and (self.cue.valve, self.cue.action) == (Valve.SUPPLY, action)


MOVERS = (Drive.CONTROLLER, Drive.HANDS)


@pytest.mark.parametrize("drive", MOVERS)
def test_gas_is_let_in_where_nothing_forbids_it(drive):
    bench = Bench(drive)
    bench.let_in(2.2)
    assert bench.lets_in


@pytest.mark.parametrize("drive", MOVERS)
@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("gauge.failed_readings", 1, "the pressure gauge has no valid reading"),
        ("second_gauge.failed_readings", 1, "the second gauge has no valid reading"),
        ("scans_apart", 1, "disagree by more than 30 mbar"),
        ("free_bytes", 1, "MB are needed"),
        ("second_gauge.pressure_bar", 2.21, "above the filling stop"),
    ],
)
def test_a_refusal_ends_the_run_before_any_gas(drive, field, value, words):
    bench = Bench(drive)
    bench.change(field, value)
    with pytest.raises(Tripped) as refused:
        bench.let_in()
    assert refused.value.trip.code == "NOT_PERMITTED"
    assert words in refused.value.trip.text
    assert not bench.lets_in


@pytest.mark.parametrize("drive", MOVERS)
def test_no_target_above_the_filling_stop_and_no_filling_after_a_trip(drive):
    bench = Bench(drive)
    with pytest.raises(Tripped, match=r"2\.201 bar is above the filling stop at 2\.20 bar"):
        bench.let_in(2.201)
    bench.machine.rule = STATE_RULES[State.STOPPING]
    with pytest.raises(Tripped, match="no gas is let in while STOPPING"):
        bench.let_in()
    assert not bench.lets_in


@pytest.mark.parametrize("drive", MOVERS)
def test_letting_out_is_never_refused(drive):
    bench = Bench(drive)
    bench.change("second_gauge.failed_readings", 9)
    bench.machine.rule = STATE_RULES[State.STOPPING]
    bench.let_in(1.05)


def test_a_hand_pot_with_one_gauge_does_not_wait_for_a_second():
    bench = Bench(Drive.HANDS, two_gauges=False)
    bench.scan.second_gauge = GaugeState(failed_readings=3)
    bench.let_in()
    assert bench.lets_in


@pytest.mark.parametrize(
    ("field", "value", "usual"),
    [
        ("gauge.failed_readings", 1, 0),
        ("second_gauge.failed_readings", 1, 0),
        ("scans_apart", 1, 0),
        ("free_bytes", 1, None),
    ],
)
def test_hands_are_shown_the_cue_to_close_as_soon_as_a_permissive_refuses(field, value, usual):
    bench = Bench(Drive.HANDS)
    bench.let_in()
    assert bench.hands_are_to(Action.OPEN)
    bench.change(field, value)
    bench.drive.move(bench.scan)
    assert bench.hands_are_to(Action.CLOSE)
    assert bench.cue.text.startswith("CLOSE SUPPLY NOW: ")
    bench.change(field, usual)
    bench.drive.move(bench.scan)
    assert bench.hands_are_to(Action.OPEN)
