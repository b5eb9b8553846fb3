"""The rig's states and every transition between them: one table.

The controller executes this table, the model check explores it and the documentation prints it, so that
they cannot disagree. Words are those of ISA-TR88.00.02 (PackML), of which the unit uses the
states below in production mode only.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum


class State(StrEnum):
    """State of the unit."""

    STOPPED = "STOPPED"
    RESETTING = "RESETTING"
    IDLE = "IDLE"
    STARTING = "STARTING"
    EXECUTE = "EXECUTE"
    HOLDING = "HOLDING"
    HELD = "HELD"
    UNHOLDING = "UNHOLDING"
    COMPLETING = "COMPLETING"
    COMPLETE = "COMPLETE"
    STOPPING = "STOPPING"
    ABORTING = "ABORTING"
    ABORTED = "ABORTED"
    CLEARING = "CLEARING"


class Command(StrEnum):
    """What moves the unit on: an operator's command, a trip, or a state's own work being done."""

    RESET = "reset"
    START = "start"
    HOLD = "hold"
    UNHOLD = "unhold"
    STOP = "stop"
    ABORT = "abort"
    CLEAR = "clear"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class StateRule:
    """What a state is for and what it may do to the valves.

    Attributes:
        state: the state.
        does: one clause for the documentation.
        may_fill: whether supply shots are permitted at all.
        may_shut_vent: whether the vent may be energised (shut).
        beats: whether the heartbeat is written, once the read-back shows that every output is off: something
            may be energised here, or in a state that follows without a new order to de-energise.
    """

    state: State
    does: str
    may_fill: bool = False
    may_shut_vent: bool = False
    beats: bool = False


STATE_RULES: dict[State, StateRule] = {
    rule.state: rule
    for rule in (
        StateRule(State.ABORTED, "de-energised; what the pot holds is not known until it is cleared"),
        StateRule(State.CLEARING, "de-energised; both gauges are compared with the barometer", beats=True),
        StateRule(State.STOPPED, "de-energised, vented, watched"),
        StateRule(
            State.RESETTING, "self test: identities, vented zero, air reading with the vent open", beats=True
        ),
        StateRule(State.IDLE, "ready, vent open, watched", beats=True),
        StateRule(
            State.STARTING,
            "purge, proven by measured swings or flow",
            may_fill=True,
            may_shut_vent=True,
            beats=True,
        ),
        StateRule(
            State.EXECUTE, "steps: fill, settle, measure", may_fill=True, may_shut_vent=True, beats=True
        ),
        StateRule(
            State.HOLDING, "supply shut, pressure kept, hold clock stopped", may_shut_vent=True, beats=True
        ),
        StateRule(State.HELD, "pressure kept for at most ten minutes", may_shut_vent=True, beats=True),
        StateRule(
            State.UNHOLDING, "the cause is gone; back to the step it left", may_shut_vent=True, beats=True
        ),
        StateRule(State.COMPLETING, "ramped vent after the last step", may_shut_vent=True, beats=True),
        StateRule(State.COMPLETE, "vented, watched; record closed"),
        StateRule(
            State.STOPPING,
            "ramped vent on the operator's request or a stop condition",
            may_shut_vent=True,
            beats=True,
        ),
        StateRule(State.ABORTING, "de-energise: supply shut, vent open; wait for ambient pressure"),
    )
}

_STOPPABLE = (
    State.RESETTING,
    State.IDLE,
    State.STARTING,
    State.EXECUTE,
    State.HOLDING,
    State.HELD,
    State.UNHOLDING,
    State.COMPLETING,
    State.COMPLETE,
)
_ABORTABLE = (*_STOPPABLE, State.STOPPED, State.STOPPING, State.CLEARING)

TRANSITIONS: dict[tuple[State, Command], State] = {
    (State.ABORTED, Command.CLEAR): State.CLEARING,
    (State.CLEARING, Command.DONE): State.STOPPED,
    (State.STOPPED, Command.RESET): State.RESETTING,
    (State.RESETTING, Command.DONE): State.IDLE,
    (State.IDLE, Command.START): State.STARTING,
    (State.STARTING, Command.DONE): State.EXECUTE,
    (State.EXECUTE, Command.HOLD): State.HOLDING,
    (State.HOLDING, Command.DONE): State.HELD,
    (State.HELD, Command.UNHOLD): State.UNHOLDING,
    (State.UNHOLDING, Command.DONE): State.EXECUTE,
    (State.EXECUTE, Command.DONE): State.COMPLETING,
    (State.COMPLETING, Command.DONE): State.COMPLETE,
    (State.COMPLETE, Command.RESET): State.RESETTING,
    (State.STOPPING, Command.DONE): State.STOPPED,
    (State.ABORTING, Command.DONE): State.ABORTED,
    **{(state, Command.STOP): State.STOPPING for state in _STOPPABLE},
    **{(state, Command.ABORT): State.ABORTING for state in _ABORTABLE},
}

AT_POWER_UP = State.ABORTED


class NotPermitted(Exception):
    """A command that the table does not have in the present state."""


class Machine:
    """The unit's state, moved only along the table."""

    def __init__(self, on_change: Callable[[State, State, str], None] | None = None) -> None:
        """Start as after a crash: ABORTED, state of the pot unknown.

        Args:
            on_change: called with (from, to, why) after every change, for the record and the screen.
        """
        self.state = AT_POWER_UP
        self._on_change = on_change

    @property
    def rule(self) -> StateRule:
        """What the present state may do."""
        return STATE_RULES[self.state]

    def can(self, command: Command) -> bool:
        """Whether the table has this command in the present state."""
        return (self.state, command) in TRANSITIONS

    def fire(self, command: Command, why: str) -> State:
        """Move along the table.

        Raises:
            NotPermitted: the table has no such transition; the state is unchanged.
        """
        before = self.state
        after = TRANSITIONS.get((before, command))
        if after is None:
            raise NotPermitted(f"{command} is not possible in {before}")
        self.state = after
        if self._on_change is not None:
            self._on_change(before, after, why)
        return after
