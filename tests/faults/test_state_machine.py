"""Any order of waits, faults, stops, kills and starts: the pot stays below its margin and is not forgotten.

The program under test owns its loop; here it runs in a separate thread whose clock hands control back
whenever it has waited for as long as a rule allows. Only one of the two threads ever runs, so that an example
is the same every time, and hypothesis can shrink it to the rules that matter.

The commit's gate takes `EXAMPLES` examples, always the same ones. For a night:
LEADLINE_EXAMPLES=2000 pytest tests/faults/test_state_machine.py --timeout 36000
"""

import os
import shutil
import tempfile
import threading
from datetime import datetime
from pathlib import Path

import pytest
from fault_bench import (
    CELLS,
    LAYERS_REMOVED,
    LIMITS,
    MARGIN_BAR,
    VENTED_BAR,
    VOLUMES_L,
    WORKING_PRESSURE_BAR,
    Killed,
    SeedSink,
    SilentView,
    seed_bench,
    seed_procedure,
)
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from wire_check import every_fault

from drivers.virtual_spec import FaultSpec
from grading.record.reader import read_record
from grading.record.writer import RecordWriter
from rig.loop.stop import StopLevel, StopRequest
from rig.run.request import RunRequest
from rig.run.session import run_session
from rig.safety_documents.faults import PROGRAM_FAULTS
from rig.setup.bench import open_bench

EXAMPLES = 30
_NIGHT = os.environ.get("LEADLINE_EXAMPLES")
_HUNG_S = 120.0
_LONGEST_RUN_S = 4000.0
_MOST_FAULTS = 2
_VALVES = ("supply_stuck_open", "vent_stuck_shut", "vent_blocked", "vent_stuck_open")
_FAULTS = [case for case in every_fault() if case[0] not in (*LAYERS_REMOVED, *PROGRAM_FAULTS)]


class PausingClock:
    """The bench's clock as the program sees it: waiting beyond what is allowed hands control back."""

    def __init__(self, program):
        self._program = program
        self._clock = program.bench_clock

    def monotonic_s(self) -> float:
        return self._clock.monotonic_s()

    def utc(self) -> datetime:
        return self._clock.utc()

    def sleep_until(self, monotonic_s: float) -> None:
        self._program.pause_before(monotonic_s)
        self._clock.sleep_until(monotonic_s)


class Program:
    """One start of the program, which runs only while `run_for` waits for it."""

    def __init__(self, bench, bench_clock, method, folder):
        self.bench_clock = bench_clock
        self.stop = StopRequest()
        self.view = SilentView(now_s=bench_clock.monotonic_s)
        self.outcome = None
        self.record = None
        self.sink = None
        self._folder = folder
        self._allowed_s = bench_clock.monotonic_s()
        self._killed = False
        self._error = None
        self._go, self._paused = threading.Event(), threading.Event()
        self._bench = bench
        bench.clock = PausingClock(self)
        self._thread = threading.Thread(target=self._run, args=(seed_procedure(method),), daemon=True)
        self._thread.start()
        self._hand_over()

    @property
    def alive(self):
        return self._thread.is_alive()

    @property
    def knows(self):
        """Whether the person at the rig knows that the pot may be under pressure."""
        refused = self.outcome is not None and self.outcome.how == "refused"
        alarmed = any("NOT VENTED" in text or "NOT CONFIRMED" in text for text in self.view.said)
        return refused or (alarmed and not self._killed)

    def run_for(self, seconds):
        self._allowed_s = self.bench_clock.monotonic_s() + seconds
        if self.alive:
            self._hand_over()
        self.bench_clock.sleep_until(self._allowed_s)

    def kill(self):
        self._killed = True
        self._hand_over()
        assert not self.alive

    def fill_disk(self):
        if self.sink is not None:
            self.sink.strike_at("disk_full", 0.0)

    def pause_before(self, monotonic_s):
        while monotonic_s > self._allowed_s and not self._killed:
            self._paused.set()
            self._wait_for_the_turn()
        if self._killed:
            raise Killed

    def _wait_for_the_turn(self):
        assert self._go.wait(_HUNG_S)
        self._go.clear()

    def _hand_over(self):
        self._paused.clear()
        self._go.set()
        assert self._paused.wait(_HUNG_S)
        if self._error is not None:
            raise self._error
        if self.outcome is not None or self._killed:
            self._thread.join(_HUNG_S)

    def _run(self, procedure):
        try:
            self._wait_for_the_turn()
            self.outcome = run_session(
                self._bench,
                RunRequest(procedure, CELLS, LIMITS, self._folder, "seeds"),
                self.view,
                self.stop,
                sink=self._make_sink,
            )
        except Killed:
            pass
        except BaseException as error:
            self._error = error
        finally:
            self._paused.set()

    def _make_sink(self, header):
        writer = RecordWriter.create(self._folder, header, self.bench_clock.utc(), sync=False)
        self.record = writer.path
        self.sink = SeedSink(self.stop, {}, writer)
        self.sink.read_truth = self._bench.virtual.pot
        return self.sink


class RigMachine(RuleBasedStateMachine):
    """The program, the person at it, and everything that can break."""

    def __init__(self):
        super().__init__()
        self.bench = None

    @initialize(
        seed=st.integers(1, 50),
        volume_l=st.sampled_from(VOLUMES_L),
        method=st.sampled_from(("flow", "swings")),
        begun_s=st.integers(0, 700),
    )
    def switch_on(self, seed, volume_l, method, begun_s):
        self.folder = Path(tempfile.mkdtemp(prefix="rig-machine-"))
        self.method = method
        self.bench = open_bench(seed_bench(volume_l), cells=CELLS, seed=seed, mode="direct")
        self.bench_clock = self.bench.clock
        self.faults = []
        self.program = self._start()
        self.program.run_for(float(begun_s))

    @rule(seconds=st.sampled_from((0.4, 3.0, 20.0, 60.0, 240.0)))
    def wait(self, seconds):
        self.program.run_for(seconds)

    @precondition(lambda self: self.program.alive and len(self.faults) < _MOST_FAULTS)
    @rule(fault=st.sampled_from(_FAULTS), duration_s=st.sampled_from((None, None, 5.0, 60.0)))
    def break_something(self, fault, duration_s):
        self._break(*fault, duration_s)

    @precondition(lambda self: self.program.alive and len(self.faults) < _MOST_FAULTS)
    @rule(name=st.sampled_from(_VALVES))
    def jam_a_valve(self, name):
        self._break(name, "", None)

    @precondition(lambda self: self.program.alive)
    @rule(how=st.sampled_from(("Ctrl-C", "SIGTERM", "kill", "full disk")))
    def interfere(self, how):
        if how == "kill":
            self.program.kill()
        elif how == "full disk":
            self.program.fill_disk()
        else:
            self.program.stop.request(how, StopLevel.NOW if how == "SIGTERM" else None)

    @precondition(lambda self: not self.program.alive)
    @rule()
    def start_again(self):
        self.program = self._start()

    @invariant()
    def the_pot_is_never_over_its_margin(self):
        if self.bench is not None:
            assert self.bench.virtual.pot().highest_pressure_bar <= WORKING_PRESSURE_BAR - MARGIN_BAR

    @invariant()
    def the_record_is_readable(self):
        if self.bench is not None and self.program.record is not None:
            assert not read_record(self.program.record).damaged

    def teardown(self):
        if self.bench is None:
            return
        try:
            self._come_to_an_end()
            pot = self.bench.virtual.pot()
            assert abs(pot.pressure_bar - pot.room_pressure_bar) <= VENTED_BAR or self.program.knows, (
                f"{pot.pressure_bar:.3f} bar are left, nobody knows: {self.faults} {self.program.view.said}"
            )
            self.the_pot_is_never_over_its_margin()
            self.the_record_is_readable()
        finally:
            if self.program.alive:
                self.program.kill()
            self.bench.close()
            shutil.rmtree(self.folder)

    def _break(self, name, target, duration_s):
        spec = FaultSpec(name, self.bench_clock.monotonic_s(), duration_s, target=target)
        self.faults.append(spec)
        self.bench.virtual.inject(spec)

    def _start(self):
        return Program(self.bench, self.bench_clock, self.method, self.folder)

    def _come_to_an_end(self):
        """Let the program end; after a killed one a person starts it again and stops it at once."""
        if self.program.outcome is None and not self.program.alive:
            self.program = self._start()
            self.program.stop.request("Ctrl-C")
        waited_s = 0.0
        while self.program.alive:
            assert waited_s < _LONGEST_RUN_S, "the run does not end"
            self.program.run_for(60.0)
            waited_s += 60.0
        self.program.run_for(180.0)


RigMachine.TestCase.settings = settings(
    max_examples=int(_NIGHT) if _NIGHT else EXAMPLES,
    stateful_step_count=12,
    deadline=None,
    derandomize=not _NIGHT,
    database=None,
)
TestRig = pytest.mark.timeout(600)(RigMachine.TestCase)


def test_the_machine_sees_a_pot_above_its_margin():
    machine = RigMachine()
    machine.switch_on(seed=1, volume_l=0.3, method="flow", begun_s=300)
    for name in ("relief_stuck", "vent_stuck_shut", "supply_stuck_open"):
        machine.jam_a_valve(name)
    machine.wait(240.0)
    with pytest.raises(AssertionError):
        machine.the_pot_is_never_over_its_margin()
    with pytest.raises(AssertionError):
        machine.teardown()


def test_the_machine_sees_a_pot_that_nobody_knows_of(monkeypatch):
    machine = RigMachine()
    machine.switch_on(seed=1, volume_l=0.3, method="flow", begun_s=450)
    machine.jam_a_valve("vent_stuck_shut")
    machine.interfere("kill")
    monkeypatch.setattr(Program, "knows", False)
    with pytest.raises(AssertionError, match="nobody knows"):
        machine.teardown()
