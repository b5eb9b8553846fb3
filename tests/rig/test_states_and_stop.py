"""The machine moves only along its table; a stop request only becomes more urgent."""

import os
import signal
import subprocess
import sys
import threading

import pytest

from rig.loop.stop import StopLevel, StopRequest
from rig.safety.states import STATE_RULES, TRANSITIONS, Command, Machine, NotPermitted, State


def test_a_new_machine_knows_nothing_of_the_pot_and_must_be_cleared():
    machine = Machine()
    assert machine.state is State.ABORTED
    with pytest.raises(NotPermitted, match="start is not possible in ABORTED"):
        machine.fire(Command.START, "eager")
    assert machine.state is State.ABORTED


def test_every_change_is_reported_with_its_reason():
    changes = []
    machine = Machine(lambda before, after, why: changes.append((before, after, why)))
    machine.fire(Command.CLEAR, "begin")
    machine.fire(Command.DONE, "vented")
    assert changes == [
        (State.ABORTED, State.CLEARING, "begin"),
        (State.CLEARING, State.STOPPED, "vented"),
    ]


def test_a_whole_run_goes_through_the_table():
    machine = Machine()
    for command in (
        Command.CLEAR,
        Command.DONE,
        Command.RESET,
        Command.DONE,
        Command.START,
        Command.DONE,
        Command.HOLD,
        Command.DONE,
        Command.UNHOLD,
        Command.DONE,
        Command.DONE,
        Command.DONE,
    ):
        machine.fire(command, "run")
    assert machine.state is State.COMPLETE


def test_every_state_has_its_rule_and_a_way_out():
    assert set(STATE_RULES) == set(State)
    assert {before for before, _ in TRANSITIONS} == set(State)


def test_filling_needs_a_state_that_may_also_shut_the_vent():
    assert all(rule.may_shut_vent for rule in STATE_RULES.values() if rule.may_fill)
    assert {state for state, rule in STATE_RULES.items() if rule.may_fill} == {State.STARTING, State.EXECUTE}


def test_asking_once_is_a_ramped_stop_and_twice_de_energises():
    stop = StopRequest()
    assert stop.level is StopLevel.NONE
    stop.request("Ctrl-C")
    assert stop.level is StopLevel.RAMPED
    stop.request("Ctrl-C")
    assert stop.level is StopLevel.NOW
    stop.request("late", StopLevel.RAMPED)
    assert stop.level is StopLevel.NOW
    assert stop.why == "Ctrl-C"


def test_signals_only_raise_the_flag_and_give_the_handlers_back():
    stop = StopRequest()
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGQUIT, signal.SIGHUP, signal.SIGTSTP)
    before = [signal.getsignal(number) for number in numbers]
    with stop.on_signals():
        os.kill(os.getpid(), signal.SIGINT)
        assert stop.level is StopLevel.RAMPED
        os.kill(os.getpid(), signal.SIGTERM)
        assert stop.level is StopLevel.NOW
    assert [signal.getsignal(number) for number in numbers] == before


def test_a_closed_terminal_vents_on_the_ramp_however_often_the_signal_comes():
    stop = StopRequest()
    with stop.on_signals():
        os.kill(os.getpid(), signal.SIGHUP)
        os.kill(os.getpid(), signal.SIGHUP)
    assert (stop.level, stop.why) == (StopLevel.RAMPED, "the terminal was closed")


def test_the_quit_key_de_energises():
    stop = StopRequest()
    with stop.on_signals():
        os.kill(os.getpid(), signal.SIGQUIT)
    assert (stop.level, stop.why) == (StopLevel.NOW, "SIGQUIT")


def test_the_suspend_key_asks_for_nothing_and_is_noted_once_for_each_look():
    stop = StopRequest()
    with stop.on_signals():
        os.kill(os.getpid(), signal.SIGTSTP)
        os.kill(os.getpid(), signal.SIGTSTP)
    assert (stop.level, stop.asked) == (StopLevel.NONE, 0)
    assert stop.take_suspend()
    assert not stop.take_suspend()


def test_a_program_in_the_background_is_not_stopped_by_its_terminal():
    numbers = (signal.SIGTTIN, signal.SIGTTOU)
    before = [signal.getsignal(number) for number in numbers]
    stop = StopRequest()
    with stop.on_signals():
        assert [signal.getsignal(number) for number in numbers] == [signal.SIG_IGN, signal.SIG_IGN]
    assert [signal.getsignal(number) for number in numbers] == before
    assert stop.asked == 0


IN_THE_BACKGROUND = """
import threading, time
from rig.loop.stop import StopRequest
from rig.terminal.keyboard import LineReader, read_typed
with StopRequest().on_signals():
    threading.Thread(target=lambda: LineReader().read(5.0), daemon=True).start()
    time.sleep(0.3)
    print("answer", read_typed(0.3, print), flush=True)
"""
TERMINAL = """
import contextlib, os, pty, subprocess, sys
keyboard, terminal = pty.fork()
if keyboard == 0:
    program = subprocess.Popen([sys.executable, "-c", sys.argv[1]], process_group=0)
    _, status = os.waitpid(program.pid, os.WUNTRACED)
    print("stopped" if os.WIFSTOPPED(status) else "ended", flush=True)
    os._exit(0)
with contextlib.suppress(OSError):
    while said := os.read(terminal, 1024):
        sys.stdout.buffer.write(said)
"""


def test_a_question_in_the_background_waits_and_the_program_runs_on():
    command = [sys.executable, "-c", TERMINAL, IN_THE_BACKGROUND]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert done.stdout.split() == ["answer", "None", "ended"]


def test_outside_the_main_thread_no_handler_is_touched():
    before = signal.getsignal(signal.SIGINT)
    seen = []

    def elsewhere():
        with StopRequest().on_signals():
            seen.append(signal.getsignal(signal.SIGINT))

    thread = threading.Thread(target=elsewhere)
    thread.start()
    thread.join()
    assert seen == [before]
