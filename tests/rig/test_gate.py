"""The gate on a small model of a valve block: when it beats, what it repeats, what it reports."""

import pytest

from drivers.errors import Busy, LinkDown, LinkTimeout, Refused
from drivers.ports import ValveState
from rig.loop.loop import Refused as RunRefused
from rig.loop.schedule import Schedule
from rig.pressure.gate import Gate
from rig.safety.interlocks import first_trip
from rig.safety.limits import SafetyLimits
from rig.safety.scan import GaugeState, Scan
from rig.safety.set_point import Intent
from rig.safety.states import Command, Machine, State

LIMITS = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
TOKEN = 7
BUSY = Busy("valves", "Modbus exception 6, busy")
SILENT = LinkTimeout("valves", "no answer within 0.2 s")
GONE = LinkDown("valves", "the connection was closed")
REFUSAL = Refused("valves", "exception 3")
TO_EXECUTE = (Command.CLEAR, Command.DONE, Command.RESET, Command.DONE, Command.START, Command.DONE)


class Clock:
    def __init__(self):
        self.now_s = 0.0

    def monotonic_s(self):
        return self.now_s

    def utc(self):
        return None

    def sleep_until(self, monotonic_s):
        self.now_s = max(self.now_s, monotonic_s)


class Block:
    """A valve block with a watchdog of 2 s. `fails` gives the errors of the next calls by name.

    Attributes:
        asked: every call in order, failed ones too.
        others_beat: another program moves the heartbeat.
    """

    name = "valves"
    longest_shot_ms = 500
    watchdog_ms = 2000

    def __init__(self, clock):
        self.clock = clock
        self.supply_open, self.vent_open = False, True
        self.heartbeat = self.owner = 0
        self.asked, self.fails, self.costs_s = [], {}, {}
        self.others_beat = False

    def always(self, error, *calls):
        for call in calls:
            self.fails[call] = [error] * 1000

    def _ask(self, call):
        self.asked.append(call)
        errors = self.fails.get(call)
        if errors:
            error = errors.pop(0)
            if error is not None:
                self.clock.now_s += self.costs_s.get(call, 0.2 if isinstance(error, LinkTimeout) else 0.0)
                raise error

    def open_supply_for(self, duration_ms):
        self._ask("supply shot")

    def open_vent_for(self, duration_ms):
        self._ask("vent shot")

    def shut_vent(self):
        self._ask("shut vent")
        self.vent_open = False

    def open_vent(self):
        self._ask("open vent")
        self.vent_open = True

    def shut_supply(self):
        self._ask("shut supply")
        self.supply_open = False

    def de_energise(self):
        self._ask("de-energise")
        self.supply_open, self.vent_open = False, True

    def read_state(self):
        self._ask("read")
        if self.others_beat:
            self.heartbeat = (self.heartbeat + 1) % 65536
        return ValveState(self.supply_open, self.vent_open, True, self.heartbeat, False)

    def beat(self, counter):
        self._ask("beat")
        self.heartbeat = counter

    def write_owner(self, token):
        self._ask("write owner")
        self.owner = token

    def read_owner(self):
        self._ask("read owner")
        return self.owner

    def identify(self): ...

    def configure(self): ...

    def close(self): ...


class Log:
    def __init__(self):
        self.commands = []

    def valve(self, valve, action, duration_ms, failure):
        self.commands.append((valve, action, failure))


class Rig:
    """A gate on a block, whose ticks a test lets pass."""

    def __init__(self, owner_token=TOKEN):
        self.clock = Clock()
        self.block = Block(self.clock)
        self.machine = Machine()
        self.schedule = Schedule(self.clock, 0.2)
        self.scan = Scan(intent=Intent.KEEP, gauge=GaugeState(1.6), second_gauge=GaugeState(1.6))
        self.log = Log()
        self.gate = Gate(
            self.block,
            self.machine,
            LIMITS,
            lambda: self.scan,
            self.schedule,
            self.log,
            two_gauges=True,
            owner_token=owner_token,
        )

    def tick(self, times=1):
        """Let ticks pass; returns what was asked of the block meanwhile."""
        first = len(self.block.asked)
        for _ in range(times):
            self.schedule.wait()
            self.scan.t_s = self.schedule.now_s
            self.gate.serve()
        return self.block.asked[first:]

    def trip(self):
        found = first_trip(self.scan, LIMITS)
        return None if found is None else found.code


def working_rig():
    """A rig in EXECUTE with the vent shut, as in a hold."""
    rig = Rig()
    rig.gate.claim()
    rig.machine.fire(TO_EXECUTE[0], "test")
    rig.gate.de_energise()
    rig.tick(4)
    for command in TO_EXECUTE[1:]:
        rig.machine.fire(command, "test")
    assert rig.gate.shut_vent()
    rig.tick(4)
    rig.block.asked.clear()
    return rig


def test_a_run_is_dropped_first_then_read_back_and_fed_only_then():
    rig = Rig()
    assert rig.tick(4).count("beat") == 0
    rig.machine.fire(Command.CLEAR, "test")
    rig.gate.de_energise()
    rig.tick(4)
    order = [call for call in rig.block.asked if call in ("de-energise", "read", "beat")]
    last_drop = len(order) - 1 - order[::-1].index("de-energise")
    assert order[last_drop : last_drop + 2] == ["de-energise", "read"]
    assert "beat" not in order[:last_drop]
    assert "beat" in order[last_drop:]


def test_each_second_tick_feeds_the_watchdog_and_the_others_read_back():
    working = working_rig()
    asked = working.tick(10)
    assert (asked.count("beat"), asked.count("read")) == (5, 5)
    assert working.block.heartbeat > 4


@pytest.mark.parametrize("error", [BUSY, GONE, SILENT, REFUSAL])
def test_no_beat_feeds_a_block_that_does_not_show_what_was_ordered(error):
    working = working_rig()
    working.block.always(error, "de-energise", "open vent")
    assert not working.gate.de_energise()
    assert "beat" not in working.tick(20)
    assert not working.scan.drop_shown
    assert working.scan.drop_unseen_s > 3.0
    working.block.fails.clear()
    working.tick(8)
    assert working.scan.drop_shown
    assert working.scan.drop_unseen_s == 0.0


def test_nothing_is_fed_either_where_the_order_was_taken_and_is_not_shown():
    working = working_rig()
    working.block.de_energise = lambda: working.block.asked.append("de-energise")
    assert working.gate.de_energise()
    assert not working.gate.drop.shown
    asked = working.tick()
    assert "beat" not in asked
    assert "open vent" in asked
    assert working.block.vent_open


def test_an_order_that_is_answered_busy_falls_back_to_each_valve_by_itself_at_once():
    working = working_rig()
    working.block.always(BUSY, "de-energise")
    working.block.supply_open = True
    assert not working.gate.de_energise()
    assert (working.block.supply_open, working.block.vent_open) == (False, True)
    assert working.gate.drop.shown
    assert not working.gate.drop.taken
    assert "busy" in working.gate.drop.error


def test_one_busy_answer_to_the_order_is_no_failure():
    working = working_rig()
    working.block.fails["de-energise"] = [BUSY]
    assert working.gate.de_energise()
    assert working.block.asked.count("open vent") == 1


def test_a_block_that_answers_is_pressed_at_every_tick_and_a_silent_one_once_a_second():
    working = working_rig()
    working.block.always(BUSY, "de-energise", "open vent")
    working.gate.de_energise()
    assert working.tick(10).count("de-energise") == 10
    working.block.always(SILENT, "de-energise", "open vent", "shut supply", "read", "beat", "read owner")
    asked = working.tick(20)
    assert 2 <= asked.count("de-energise") <= 4
    working.block.always(GONE, "de-energise", "open vent", "shut supply", "read", "beat", "read owner")
    assert 4 <= working.tick(20).count("de-energise") <= 5
    assert asked.count("shut supply") == asked.count("open vent") == asked.count("de-energise")


def test_an_order_that_is_pressed_is_recorded_once_for_each_result():
    working = working_rig()
    working.block.always(BUSY, "de-energise", "open vent")
    working.gate.de_energise()
    working.log.commands.clear()
    working.tick(10)
    working.block.fails.clear()
    working.tick(2)
    assert working.log.commands == [("all", "de-energise", None), ("vent", "open", None)]


def test_what_was_dropped_and_is_energised_again_by_another_is_dropped_again():
    working = working_rig()
    working.gate.de_energise()
    working.tick(2)
    working.block.vent_open = False
    working.tick(2)
    assert working.block.vent_open


def test_another_program_on_the_block_is_not_fought_below_the_trip_pressure():
    working = working_rig()
    working.block.owner = 4711
    working.tick(11)
    assert working.trip() == "OWNER_CHANGED"
    working.gate.de_energise()
    assert working.gate.drop.shown
    working.machine.fire(Command.ABORT, "test")
    for _ in range(20):
        working.block.vent_open = False
        asked = working.tick()
        assert not {"beat", "de-energise", "open vent", "write owner"} & set(asked)
    assert working.scan.drop_unseen_s > 3.0
    assert working.scan.disobeyed == 0
    working.scan.second_gauge.take(2.3)
    assert not working.gate.de_energise()
    assert "de-energise" not in working.tick()
    working.scan.second_gauge.take(2.31)
    assert "de-energise" in working.tick()
    working.gate.release()
    assert working.block.owner == 4711


@pytest.mark.parametrize("state", [State.ABORTING, State.ABORTED, State.COMPLETE, State.STOPPED])
def test_no_beat_where_nothing_may_be_energised_any_more(state):
    working = working_rig()
    ways = {
        State.ABORTING: (Command.ABORT,),
        State.ABORTED: (Command.ABORT, Command.DONE),
        State.COMPLETE: (Command.DONE, Command.DONE),
        State.STOPPED: (Command.STOP, Command.DONE),
    }
    for command in ways[state]:
        working.machine.fire(command, "test")
    assert working.machine.state is state
    asked = working.tick(12)
    assert "beat" not in asked
    assert asked.count("de-energise") == 1
    assert not working.scan.beating


@pytest.mark.parametrize("command", [Command.STOP, Command.DONE])
def test_a_ramped_vent_is_fed(command):
    working = working_rig()
    working.machine.fire(command, "test")
    assert working.tick(10).count("beat") == 5


def test_nothing_is_energised_before_a_drop_has_been_seen():
    working = working_rig()
    working.block.always(BUSY, "de-energise", "open vent")
    working.gate.de_energise()
    assert not working.gate.shut_vent()
    assert not working.gate.shoot_supply(100, 0.01)
    assert "has not shown" in working.gate.refusal
    assert "shut vent" not in working.block.asked
    assert "supply shot" not in working.block.asked


@pytest.mark.parametrize("call", ["beat", "read"])
@pytest.mark.parametrize("error", [BUSY, GONE])
def test_one_failure_that_costs_no_time_is_made_up_for_in_the_same_tick(call, error):
    working = working_rig()
    working.block.fails[call] = [error]
    working.tick(2)
    assert working.scan.valve_failures == 0
    assert working.block.asked.count(call) == 2


def test_a_lost_answer_that_has_cost_the_tick_is_not_repeated_in_it():
    working = working_rig()
    working.block.fails |= {"beat": [SILENT] * 3, "read": [SILENT] * 3}
    for _ in range(3):
        asked = working.tick()
        assert len(asked) == len(set(asked))


def test_a_lost_beat_is_made_up_for_in_the_next_tick():
    working = working_rig()
    working.block.fails["beat"] = [SILENT]
    while "beat" not in working.tick():
        pass
    assert "beat" in working.tick()


@pytest.mark.parametrize("shot", ["supply shot", "vent shot"])
@pytest.mark.parametrize("error", [BUSY, GONE, SILENT])
def test_a_shot_is_never_repeated_and_the_next_waits_for_one_that_may_run(shot, error):
    working = working_rig()

    def shoot():
        gate = working.gate
        return gate.shoot_supply(300, 0.01) if shot == "supply shot" else gate.shoot_vent(300)

    working.block.fails[shot] = [error]
    assert not shoot()
    assert not shoot()
    assert working.block.asked.count(shot) == 1
    working.tick(3)
    assert shoot()
    assert working.scan.disobeyed == 0


@pytest.mark.parametrize("error", [BUSY, GONE])
def test_an_order_to_the_vent_that_was_not_taken_is_given_again_before_it_counts(error):
    working = working_rig()
    working.gate.open_vent()
    working.block.fails["shut vent"] = [error]
    assert not working.gate.shut_vent()
    assert not working.gate.shoot_supply(100, 0.01)
    answer = "answers with an error" if error is BUSY else "does not answer"
    assert working.gate.refusal == f"the valve block {answer}"
    assert not working.gate.shoot_vent(100)
    working.tick()
    assert not working.block.vent_open
    working.tick(6)
    assert (working.trip(), working.scan.disobeyed) == (None, 0)


def test_an_order_to_the_vent_that_is_answered_busy_for_good_is_not_obeyed():
    working = working_rig()
    working.block.always(BUSY, "open vent")
    working.gate.open_vent()
    working.tick()
    assert working.trip() is None
    working.tick()
    assert working.trip() == "NOT_OBEYED"


def test_an_order_to_shut_the_vent_is_not_given_again_in_a_state_that_may_not():
    working = working_rig()
    working.gate.open_vent()
    working.block.fails["shut vent"] = [BUSY]
    working.gate.shut_vent()
    working.machine.fire(Command.ABORT, "test")
    assert "shut vent" not in working.tick(4)


def test_a_block_is_lost_by_time_and_not_by_count():
    working = working_rig()
    working.block.always(GONE, "beat", "read", "read owner")
    working.tick(4)
    assert working.scan.valve_failures >= 4
    assert working.trip() is None
    working.tick(2)
    assert working.trip() == "VALVES_LOST"


def test_one_good_answer_within_the_time_is_enough():
    working = working_rig()
    for _ in range(4):
        working.block.always(GONE, "beat", "read", "read owner")
        working.tick(4)
        assert working.trip() is None
        working.block.fails.clear()
        working.tick()
    assert working.scan.valves_unheard_s == 0.0


@pytest.mark.parametrize(("watchdog_ms", "patience_s"), [(2000, 1.0), (1000, 0.5), (0, 1.0), (5000, 1.0)])
def test_the_time_is_half_the_watchdogs_and_a_second_at_most(monkeypatch, watchdog_ms, patience_s):
    monkeypatch.setattr(Block, "watchdog_ms", watchdog_ms)
    rig = Rig()
    rig.tick()
    assert rig.scan.valves_patience_s == patience_s


def test_beats_that_are_answered_busy_while_all_else_works_are_the_watchdogs_trip():
    working = working_rig()
    working.block.always(BUSY, "beat")
    working.tick(4)
    assert working.trip() is None
    working.tick(4)
    assert working.trip() == "WATCHDOG"
    assert working.scan.valves_unheard_s < 0.3
    assert "busy" in first_trip(working.scan, LIMITS).text


def test_beats_that_get_no_answer_are_not_said_to_be_refused():
    working = working_rig()
    working.block.always(BUSY, "beat")
    working.tick(3)
    working.block.always(GONE, "beat", "read", "read owner")
    working.tick(9)
    assert working.trip() == "VALVES_LOST"


def test_a_block_that_another_program_drives_is_left_alone():
    rig = Rig()
    rig.block.owner, rig.block.others_beat, rig.block.vent_open = 4711, True, False
    with pytest.raises(RunRefused) as refused:
        rig.gate.claim()
    assert refused.value.code == "RIG_BUSY"
    assert str(refused.value) == (
        "another program drives the valve block (token 4711, its heartbeat moves); wait for its end"
    )
    assert not rig.gate.de_energise()
    rig.tick(10)
    rig.gate.release()
    assert set(rig.block.asked) == {"read owner", "read"}


@pytest.mark.parametrize("token", [4711, TOKEN, 65535])
def test_a_dead_programs_block_is_taken_over_and_reported(token):
    rig = Rig()
    rig.block.owner, rig.block.heartbeat = token, 99
    assert f"token {token}" in rig.gate.claim()
    assert rig.clock.now_s >= 1.0
    assert rig.block.owner not in (0, token) or rig.block.owner != token
    assert 1 <= rig.block.owner <= 65535
    assert rig.gate.claim() == ""


def test_a_free_block_is_claimed_without_waiting():
    rig = Rig()
    assert rig.gate.claim() == ""
    assert rig.block.owner == TOKEN
    assert rig.clock.now_s == 0.0
    rig.gate.release()
    assert rig.block.owner == 0


def test_who_drives_is_found_out_in_spite_of_busy_answers():
    rig = Rig()
    rig.block.owner = 4711
    rig.block.fails |= {"read owner": [BUSY, BUSY], "read": [BUSY], "write owner": [BUSY]}
    rig.gate.claim()
    assert rig.block.owner == TOKEN
    rig.block.always(BUSY, "read owner")
    with pytest.raises(Busy):
        rig.gate.claim()


@pytest.mark.parametrize(("blocks_ms", "longest_ms"), [(400, 400), (1000, 500)])
def test_the_longest_shot_is_the_blocks_and_never_above_half_a_second(monkeypatch, blocks_ms, longest_ms):
    monkeypatch.setattr(Block, "longest_shot_ms", blocks_ms)
    assert Rig().gate.longest_shot_ms == longest_ms


def test_the_heartbeat_counts_up_and_begins_again_after_65535():
    working = working_rig()
    seen = []
    for _ in range(6):
        working.tick(2)
        seen.append(working.block.heartbeat)
    assert seen == list(range(seen[0], seen[0] + 6))
    working.gate._counter = 65534
    working.tick(4)
    assert working.block.heartbeat == 0


def test_the_owner_is_read_every_two_seconds():
    assert working_rig().tick(40).count("read owner") == 4


@pytest.mark.parametrize(("own", "next_own"), [(TOKEN, TOKEN + 1), (65535, 1)])
def test_a_dead_programs_token_that_is_our_own_is_not_taken_for_ours(own, next_own):
    rig = Rig(owner_token=own)
    rig.block.owner = own
    assert "heartbeat stands still" in rig.gate.claim()
    assert rig.block.owner == next_own
    assert 1.0 < rig.clock.now_s < 1.5
    assert rig.block.asked.count("read") == 4


def test_a_block_without_a_register_for_its_owner_is_driven_all_the_same(monkeypatch):
    monkeypatch.setattr(Block, "read_owner", lambda _: 0)
    rig = Rig()
    assert rig.gate.claim() == ""
    rig.tick(20)
    assert rig.scan.foreign_owner == 0
    rig.gate.release()
    assert rig.block.asked.count("write owner") == 1
    monkeypatch.delattr(Block, "read_owner")
    rig = Rig()
    assert rig.gate.claim() == ""
    rig.tick(20)
    rig.gate.release()
    assert "write owner" not in rig.block.asked


def test_a_claimed_block_whose_token_was_cleared_is_claimed_again():
    rig = Rig()
    rig.gate.claim()
    rig.block.owner = 0
    assert rig.gate.claim() == ""
    assert rig.block.owner == TOKEN
    assert rig.clock.now_s == 0.0


def test_reading_the_owner_is_tried_five_times_a_tenth_of_a_second_apart_and_a_refusal_once():
    rig = Rig()
    rig.block.always(BUSY, "read owner")
    with pytest.raises(Busy):
        rig.gate.claim()
    assert rig.block.asked.count("read owner") == 5
    assert rig.clock.now_s == pytest.approx(0.4)
    rig.block.always(REFUSAL, "read owner")
    with pytest.raises(Refused):
        rig.gate.claim()
    assert rig.block.asked.count("read owner") == 6


def test_outputs_that_differ_from_what_was_ordered_are_not_obeyed_at_the_second_read_back():
    for disobeys in ({"vent_open": True}, {"supply_open": True}):
        working = working_rig()
        vars(working.block).update(disobeys)
        while "read" not in working.tick():
            pass
        assert (working.scan.disobeyed, working.trip()) == (1, None)
        working.tick(2)
        assert (working.scan.disobeyed, working.trip()) == (2, "NOT_OBEYED")


def test_a_read_back_that_agrees_again_ends_the_count():
    working = working_rig()
    working.block.vent_open = True
    working.tick(2)
    working.block.vent_open = False
    working.tick(2)
    assert working.scan.disobeyed == 0


def test_a_valve_has_a_quarter_of_a_second_to_move_and_a_shot_its_time_more():
    working = working_rig()
    working.gate.open_vent()
    working.block.vent_open = False
    working.tick()
    assert working.scan.disobeyed == 0
    working.tick(2)
    assert working.scan.disobeyed == 1
    working = working_rig()
    assert working.gate.shoot_vent(400)
    working.block.vent_open = True
    working.tick(3)
    assert working.scan.disobeyed == 0
    working.tick(2)
    assert working.scan.disobeyed == 1


def test_a_vent_that_opens_by_itself_is_seen_while_the_supply_is_shot():
    working = working_rig()
    working.block.vent_open = True
    for _ in range(6):
        assert working.gate.shoot_supply(190, 0.001)
        working.tick()
    assert working.trip() == "NOT_OBEYED"


def test_a_supply_that_opens_by_itself_is_seen_while_the_vent_is_shot():
    working = working_rig()
    working.block.supply_open = True
    for _ in range(6):
        assert working.gate.shoot_vent(190)
        working.tick()
    assert working.trip() == "NOT_OBEYED"


def test_a_supply_that_is_open_for_its_own_shot_is_as_ordered():
    working = working_rig()
    working.block.supply_open = True
    assert working.gate.shoot_supply(400, 0.001)
    working.tick(2)
    assert working.scan.disobeyed == 0


def test_while_both_valves_move_nothing_is_judged_either_way():
    working = working_rig()
    working.block.vent_open = True
    working.tick(2)
    assert working.scan.disobeyed == 1
    assert working.gate.shoot_supply(400, 0.001)
    assert working.gate.shoot_vent(400)
    working.tick(2)
    assert working.scan.disobeyed == 1


def test_nothing_is_judged_before_anything_was_ordered():
    rig = Rig()
    rig.machine.fire(Command.CLEAR, "test")
    rig.block.vent_open = False
    rig.tick(6)
    assert rig.scan.disobeyed == 0


def test_a_refused_command_counts_at_once():
    working = working_rig()
    working.block.fails["supply shot"] = [REFUSAL]
    assert not working.gate.shoot_supply(100, 0.01)
    assert working.scan.disobeyed == 1
    assert ("supply", "shot", "exception 3") in working.log.commands
    working.tick()
    assert working.gate.shoot_supply(100, 0.01)


def test_a_beat_that_is_refused_for_good_is_not_repeated_in_the_tick():
    working = working_rig()
    working.block.fails["beat"] = [REFUSAL]
    while "beat" not in (asked := working.tick()):
        pass
    assert asked.count("beat") == 1
    assert (working.scan.valve_failures, working.scan.valve_answers) == (1, 1)
    assert working.scan.valve_error == "exception 3"


@pytest.mark.parametrize(("cost_s", "tries"), [(0.1, 1), (0.09, 2)])
def test_an_exchange_is_repeated_while_half_the_tick_is_left(cost_s, tries):
    rig = Rig()
    rig.block.costs_s["read"] = cost_s
    rig.block.fails["read"] = [BUSY]
    assert rig.tick().count("read") == tries


def test_shutting_the_supply_says_whether_it_was_taken_and_is_repeated():
    working = working_rig()
    working.block.fails["shut supply"] = [BUSY]
    assert working.gate.shut_supply()
    working.block.fails["shut supply"] = [BUSY, BUSY]
    assert not working.gate.shut_supply()


def test_the_vent_is_shut_in_no_state_that_may_not():
    working = working_rig()
    working.machine.fire(Command.ABORT, "test")
    assert not working.gate.shut_vent()
    assert "shut vent" not in working.block.asked


def test_a_refusal_of_the_permissives_is_kept_and_nothing_is_given():
    working = working_rig()
    working.scan.foreign_owner = 1
    assert not working.gate.shoot_supply(100, 0.01)
    assert "another program" in working.gate.refusal
    assert working.scan.drop_ordered is False
    assert "supply shot" not in working.block.asked


def test_a_shot_lasts_its_time_and_the_next_one_follows_at_its_end():
    working = working_rig()
    assert working.gate.shoot_supply(400, 0.01)
    assert not working.gate.shoot_supply(400, 0.01)
    assert working.gate.refusal == "the last shot still runs"
    begun_s = working.clock.now_s
    working.clock.now_s = begun_s + 0.399
    assert not working.gate.shoot_supply(400, 0.01)
    working.clock.now_s = begun_s + 0.4
    assert working.gate.shoot_supply(400, 0.01)
    assert working.gate.shoot_vent(100)


def test_a_silent_block_is_not_pressed_one_by_one_in_the_tick_of_the_trip():
    working = working_rig()
    working.block.always(SILENT, "de-energise", "open vent", "shut supply", "read", "beat", "read owner")
    begun_s = working.clock.now_s
    assert not working.gate.de_energise()
    assert working.block.asked.count("de-energise") == 1
    assert working.clock.now_s - begun_s == pytest.approx(0.2)
    drop = working.gate.drop
    assert (drop.shown, drop.taken, drop.answered) == (False, False, False)


def test_a_drop_is_seen_only_with_the_supply_off_as_well():
    working = working_rig()
    working.block.de_energise = lambda: None
    working.block.shut_supply = lambda: None
    working.block.supply_open = working.block.vent_open = True
    working.gate.de_energise()
    assert not working.gate.drop.shown
    working.tick(4)
    assert not working.scan.drop_shown


def test_the_time_unseen_counts_from_the_first_order_and_not_from_its_repetition():
    working = working_rig()
    working.block.always(BUSY, "de-energise", "open vent")
    working.gate.de_energise()
    working.tick(5)
    working.gate.de_energise()
    working.tick(5)
    assert 1.7 < working.scan.drop_unseen_s < 2.3
    working.block.fails.clear()
    working.tick(5)
    working.block.always(BUSY, "de-energise", "open vent")
    working.block.vent_open = False
    working.tick(5)
    assert 0.5 < working.scan.drop_unseen_s < 1.2


def test_an_order_to_open_that_was_not_taken_is_given_again_in_a_state_that_may_not_shut():
    rig = Rig()
    rig.machine.fire(Command.CLEAR, "test")
    rig.gate.de_energise()
    rig.tick(2)
    rig.machine.fire(Command.DONE, "test")
    rig.machine.fire(Command.RESET, "test")
    rig.block.fails["open vent"] = [BUSY, BUSY]
    assert not rig.gate.open_vent()
    assert "open vent" in rig.tick()


def test_an_order_to_the_vent_without_an_answer_does_not_count_as_disobeyed():
    working = working_rig()
    working.gate.open_vent()
    working.block.always(GONE, "shut vent", "beat", "read", "read owner")
    working.gate.shut_vent()
    working.tick(4)
    assert working.scan.disobeyed == 0


def test_each_command_but_a_pressed_one_is_recorded_every_time():
    working = working_rig()
    working.log.commands.clear()
    for _ in range(2):
        working.gate.open_vent()
        working.gate.shut_supply()
    assert working.log.commands == [("vent", "open", None), ("supply", "shut", None)] * 2


def test_without_beats_nothing_is_said_to_be_unfed():
    rig = Rig()
    rig.tick(20)
    assert (rig.scan.unfed_s, rig.scan.beating, rig.scan.drop_unseen_s) == (0.0, False, 0.0)
    assert "de-energise" not in rig.block.asked


def test_the_token_of_another_is_in_the_scan_while_it_is_there():
    working = working_rig()
    working.block.owner = 4711
    working.tick(20)
    assert (working.scan.foreign_owner, working.scan.foreign_token) == (2, 4711)
    working.block.owner = TOKEN
    working.tick(10)
    assert (working.scan.foreign_owner, working.scan.foreign_token) == (0, 0)


def test_another_programs_block_is_pressed_until_it_has_been_seen_to_drop():
    working = working_rig()
    working.block.owner = 4711
    working.tick(11)
    working.block.always(BUSY, "de-energise", "open vent")
    working.gate.de_energise()
    assert working.tick(5).count("de-energise") == 5
    working.block.fails.clear()
    working.tick()
    assert working.block.vent_open
    working.block.vent_open = False
    assert "de-energise" not in working.tick(3)


def test_what_was_dropped_is_what_is_wanted_from_then_on():
    working = working_rig()
    working.gate.de_energise()
    working.tick(8)
    assert (working.scan.disobeyed, working.trip()) == (0, None)


def test_outputs_that_come_on_again_after_a_drop_count_as_not_obeyed():
    working = working_rig()
    working.gate.de_energise()
    working.tick(4)
    working.block.always(BUSY, "de-energise", "open vent")
    working.block.vent_open = False
    working.tick(4)
    assert working.scan.disobeyed >= 2


def test_outputs_that_differ_count_as_not_obeyed_whoever_has_the_block_while_nothing_is_dropped():
    working = working_rig()
    working.scan.foreign_owner = 1
    working.block.vent_open = True
    working.tick(4)
    assert working.scan.disobeyed == 2


def test_a_block_of_which_one_order_is_answered_is_not_a_silent_one():
    working = working_rig()
    working.block.always(GONE, "de-energise", "open vent")
    working.gate.de_energise()
    working.tick(6)
    assert working.tick(5).count("de-energise") == 5


def test_a_block_at_rest_is_read_back_at_every_tick():
    working = working_rig()
    working.gate.de_energise()
    working.machine.fire(Command.ABORT, "test")
    assert working.tick(6).count("read") == 6
