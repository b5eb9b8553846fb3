"""Ramps and holds of the dosed valves on the virtual pot: within ramp limit and stated band."""

import math

import numpy as np
import pytest

from drivers.virtual_spec import VirtualInstrument, VirtualSpec
from grading.record.format import SampleRow
from rig.loop.acquisition import Acquisition, Instruments
from rig.loop.loop import Loop
from rig.loop.run_log import RunLog
from rig.loop.schedule import Schedule
from rig.loop.stop import StopRequest
from rig.pressure.dosed_valves import DosedValves
from rig.pressure.gate import Gate
from rig.pressure.ramp import ramp_to
from rig.pressure.shot_model import ShotModel
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import SetPoint
from rig.safety.states import Command, Machine
from rig.safety.vent_drive import vent_drive_bar

RAMP_BAR_PER_MIN = 0.5


class RowSink:
    def __init__(self):
        self.t_s, self.pressure_bar, self.valves = [], [], []

    def sample(self, row: SampleRow):
        self.t_s.append(row.t_s)
        self.pressure_bar.append(row.pressure_bar.value)

    def event(self, kind, t_s, utc, /, **data):
        if kind == "valve":
            self.valves.append(data)

    def end(self, how, why, utc):
        pass


class Pot:
    """A virtual pot under control, in the state in which gas may be let in."""

    def __init__(self, volume_l, seed):
        from drivers.catalogue import start_virtual

        roles = {
            "gauge_a": ("gauge", "modbus_gauge"),
            "gauge_b": ("second_gauge", "modbus_gauge"),
            "barometer": ("barometer", "modbus_gauge"),
            "valves": ("valves", "modbus_valves"),
        }
        self.virtual = start_virtual(
            VirtualSpec(
                mode="direct",
                seed=seed,
                volume_l=volume_l,
                supply_pressure_bar=3.5,
                instruments={name: VirtualInstrument(*role) for name, role in roles.items()},
            )
        )
        parts = self.virtual.instruments
        self.limits = SafetyLimits(
            3.5, 2.2, 2.3, ramp_bar_per_min=RAMP_BAR_PER_MIN, volume_l=volume_l, most_gas_l=60.0
        )
        schedule, set_point, machine = Schedule(self.virtual.clock, 0.2), SetPoint(), Machine()
        log = RunLog(self.virtual.clock, schedule)
        self.sink = RowSink()
        log.attach(self.sink)
        instruments = Instruments(
            parts["gauge_a"], second_gauge=parts["gauge_b"], barometer=parts["barometer"]
        )
        acquisition = Acquisition(instruments, schedule, set_point, self.limits, (), suspended=lambda: 0.0)
        gate = Gate(
            parts["valves"],
            machine,
            self.limits,
            lambda: acquisition.scan,
            schedule,
            log,
            two_gauges=True,
            owner_token=7,
        )
        self.drive = DosedValves(gate, set_point, self.limits, schedule)
        self.loop = Loop(
            machine=machine,
            schedule=schedule,
            clock=self.virtual.clock,
            acquisition=acquisition,
            set_point=set_point,
            limits=self.limits,
            stop=StopRequest(),
            log=log,
            sockets=(),
            gate=gate,
            gas_used_l=lambda: self.drive.gas_used_l,
            on_tick=lambda scan, row: None,
        )
        gate.claim()
        gate.de_energise()
        acquisition.read_barometer_now()
        machine.fire(Command.CLEAR, "test")
        for _ in range(10):
            self.loop.tick()
        for command in (
            Command.DONE,
            Command.RESET,
            Command.DONE,
            Command.START,
            Command.DONE,
        ):
            machine.fire(command, "test")

    def go_and_keep(self, target_bar, keep_s=60.0):
        """Ramp, keep, and return the kept pressures in bar."""
        scan = ramp_to(self.loop, self.drive, target_bar)
        self.drive.begin_keep(scan, target_bar)
        first = len(self.sink.pressure_bar)
        while len(self.sink.pressure_bar) - first < keep_s / 0.2:
            self.drive.keep(self.loop.tick())
        return np.array(self.sink.pressure_bar[first:])

    def ramps_bar_per_min(self):
        """Change over every ten seconds, in bar/min."""
        p = np.array(self.sink.pressure_bar)
        return np.abs(p[50:] - p[:-50]) * 6.0


@pytest.fixture(params=[(0.3, 1), (1.0, 2), (3.0, 3)], ids=lambda p: f"{p[0]}L")
def pot(request):
    pot = Pot(*request.param)
    yield pot
    pot.virtual.stop()


def test_steps_are_reached_within_five_millibar_and_kept(pot):
    for target_bar in (1.2, 1.4, 1.6, 1.8, 2.0, 1.8, 1.6, 1.4, 1.2):
        kept = pot.go_and_keep(target_bar)
        assert np.max(kept) - target_bar < 0.005
        assert np.min(kept) - target_bar > -0.005
        assert abs(np.mean(kept[-100:]) - target_bar) < 0.002


def test_ramps_stay_within_the_limit_both_ways(pot):
    for target_bar in (1.5, 2.0, 1.5, 1.1):
        pot.go_and_keep(target_bar, keep_s=20.0)
    ramps = pot.ramps_bar_per_min()
    moving = ramps[ramps > 0.5 * RAMP_BAR_PER_MIN]
    assert np.percentile(moving, 95) <= RAMP_BAR_PER_MIN
    assert np.max(ramps) < 1.15 * RAMP_BAR_PER_MIN
    assert np.median(moving) > 0.8 * RAMP_BAR_PER_MIN


def test_the_pressure_is_read_first_in_every_scan(monkeypatch):
    pot, asked = Pot(1.0, 4), []
    for name, part in pot.virtual.instruments.items():
        for call in ("read_pressure_bar", "read_barometer_bar", "read_state", "beat", "read_owner"):
            plain = getattr(part, call, None)
            if plain is not None:

                def noted(*values, plain=plain, name=name):
                    asked.append(name)
                    return plain(*values)

                monkeypatch.setattr(part, call, noted, raising=False)
    seen = set()
    for _ in range(100):
        asked.clear()
        pot.loop.tick()
        assert asked[0] == "gauge_a"
        assert asked[1:].count("gauge_a") == 0
        seen.update(asked)
    pot.virtual.stop()
    assert seen == {"gauge_a", "gauge_b", "barometer", "valves"}


def test_filling_never_vents_and_every_shot_is_timed_by_the_device(pot):
    pot.go_and_keep(1.6)
    assert not [v for v in pot.sink.valves if v["valve"] == "vent" and v["action"] == "shot"]
    shots = [v["duration_ms"] for v in pot.sink.valves if v["action"] == "shot"]
    assert all(15 <= ms <= 500 for ms in shots)


def test_no_shot_is_asked_for_while_the_last_one_still_runs(pot):
    gate = pot.loop.gate
    gate.shut_vent()
    pot.loop.tick()
    for shoot in (lambda: gate.shoot_vent(300), lambda: gate.shoot_supply(300, 0.001)):
        assert shoot()
        pot.loop.tick()
        assert not shoot()
        pot.loop.tick()
        assert shoot()
    assert pot.loop.scan.disobeyed == 0
    assert not [v for v in pot.sink.valves if "failure" in v]


class StubbornPot:
    """A pot whose pressure stays the same whatever is let in or out, as when gas warms or cools."""

    longest_shot_ms = 500
    interval_s = 0.2

    def __init__(self):
        self.shots = []

    def shut_vent(self):
        return True

    def shoot_vent(self, duration_ms):
        self.shots.append(duration_ms)
        return True

    def shoot_supply(self, duration_ms, _rise_bar):
        self.shots.append(duration_ms)
        return True


@pytest.mark.parametrize(("off_bar", "reached"), [(0.0016, False), (0.0018, False), (0.0014, True)])
@pytest.mark.parametrize("way", [1.0, -1.0], ids=["above", "below"])
def test_there_is_no_pressure_that_is_neither_reached_nor_worked_at(way, off_bar, reached):
    gate, set_point, limits = StubbornPot(), SetPoint(), SafetyLimits(3.5, 2.2, 2.3)
    drive = DosedValves(gate, set_point, limits, gate)
    scan = Scan(gauge=GaugeState(1.8 + 0.05 * way), barometer_bar=1.0)
    drive.begin_move(1.8, scan)
    set_point.now_bar = 1.8
    scan.gauge.pressure_bar = 1.8 + off_bar * way
    arrived = [drive.move(scan) for _ in range(100)]
    assert arrived[-1] is reached
    assert bool(gate.shots) is not reached
    assert set_point.weak_groups == 0


def test_gas_used_is_counted(pot):
    pot.go_and_keep(2.0)
    let_in_l = (2.0 - pot.loop.scan.barometer_bar) * pot.limits.volume_l
    assert pot.drive.gas_used_l == pytest.approx(let_in_l, rel=0.15)


def test_vent_drive_follows_iso_6358():
    assert vent_drive_bar(1.0, 1.0) == 0.0
    assert vent_drive_bar(0.9, 1.0) == 0.0
    assert vent_drive_bar(4.0, 1.0) == 4.0
    # Subcritical: p * sqrt(1 - ((r - b) / (1 - b))^2) with b = 0.3.
    assert vent_drive_bar(2.0, 1.0) == pytest.approx(2.0 * math.sqrt(1.0 - (0.2 / 0.7) ** 2))


def shoot(model, rate, groups, ms=100, longest=False):
    """Give groups of shots to a pot that answers with `rate` bar per ms; return the last ratio."""
    pressure, ratio = 1.0, None
    model.begin(pressure, 1.0)
    for _ in range(groups):
        for _ in range(8):
            model.add(ms, 1.0, longest)
            pressure += ms * rate
        ratio = model.judge(pressure)
    return ratio


@pytest.mark.parametrize("rate", [0.00002, 0.00005, 0.0002])
def test_the_effect_of_a_shot_is_learned_from_any_first_guess(rate):
    model = ShotModel(0.00013)
    shoot(model, rate, groups=12)
    assert model.rate == pytest.approx(rate, rel=0.02)


def test_a_longer_shot_is_calculated_without_counting_the_late_shutting_twice():
    """Shots of 40 ms that let gas in for 50 ms: one of 300 ms lets it in for 310 ms."""
    model = ShotModel(0.0001)
    shoot(model, 0.0001 * 50 / 40, groups=12, ms=40)
    assert model.effect(300) == pytest.approx(0.0001 * 310, rel=0.02)


def test_shots_that_do_nothing_are_weak_and_teach_nothing():
    model = ShotModel(0.0001)
    shoot(model, 0.0001, groups=6)
    learned = model.rate
    ratio = shoot(model, 0.0, groups=1)
    assert model.is_weak(ratio)
    assert model.rate == learned


def test_the_longest_shots_without_effect_are_weak_even_before_anything_is_learned():
    model = ShotModel(0.0001)
    assert model.is_weak(shoot(model, 0.0, groups=1, longest=True))
    assert not model.learned


def test_a_supply_that_grows_by_more_than_six_tenths_is_strong():
    model = ShotModel(0.0001)
    shoot(model, 0.0001, groups=6)
    shoot(model, 0.00015, groups=1)
    assert not model.is_strong()
    shoot(model, 0.00017, groups=1)
    assert model.is_strong()
