"""The state table as a model: every state that the rig and its hardware can reach with a few faults.

The transitions are those of `rig.safety.states.TRANSITIONS`, and what a state may do to the valves is its
`StateRule`: the same objects that the controller executes. Around them stands a coarse plant: pressure is
ambient, working or too high; valves obey, or stick; the program lives or not. Everything that can happen is
explored, so that a statement such as "no single fault ends in over-pressure" is a proof over the model.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

from rig.safety.states import AT_POWER_UP, STATE_RULES, TRANSITIONS, Command, State


class Fault(StrEnum):
    """What may break in the model."""

    SUPPLY_OPEN = "supply stuck open"
    SUPPLY_SHUT = "supply stuck shut"
    VENT_SHUT = "vent stuck shut"
    VENT_OPEN = "vent stuck open"
    GAUGES_BLIND = "gauges blind"
    PROGRAM_DEAD = "program dead"
    RELIEF_BAD = "relief valve bad"


class Pressure(StrEnum):
    """How much is in the pot."""

    AMBIENT = "ambient"
    WORKING = "working"
    TOO_HIGH = "too high"
    OVER = "over the plate value"


_HIGHER = {
    Pressure.AMBIENT: Pressure.WORKING,
    Pressure.WORKING: Pressure.TOO_HIGH,
    Pressure.TOO_HIGH: Pressure.OVER,
}
_LOWER = {
    Pressure.OVER: Pressure.TOO_HIGH,
    Pressure.TOO_HIGH: Pressure.WORKING,
    Pressure.WORKING: Pressure.AMBIENT,
}

LID_MAY_OPEN = {State.ABORTED, State.STOPPED, State.IDLE, State.COMPLETE}
"""Where a run has ended or not begun: nothing goes on that a person would wait for."""


@dataclass(frozen=True, slots=True)
class Layers:
    """The protection that works without the program."""

    watchdog: bool = True
    relief: bool = True
    lid_lock: bool = True


@dataclass(frozen=True, slots=True)
class Rig:
    """One state of the model.

    Attributes:
        vent_shut: the vent is energised.
        shot: a supply shot is running.
        beating: the watchdog has seen the heartbeat lately.
        alarm: an alarm stands that the pot is not vented.
    """

    state: State = AT_POWER_UP
    pressure: Pressure = Pressure.AMBIENT
    vent_shut: bool = False
    shot: bool = False
    beating: bool = True
    alarm: bool = False
    lid_open: bool = False
    faults: frozenset[Fault] = frozenset()

    def has(self, fault: Fault) -> bool:
        """Whether this fault is there."""
        return fault in self.faults

    @property
    def gas_flows_in(self) -> bool:
        """Whether the supply is truly open."""
        return self.has(Fault.SUPPLY_OPEN) or (self.shot and not self.has(Fault.SUPPLY_SHUT))

    @property
    def gas_flows_out(self) -> bool:
        """Whether the vent is truly open."""
        return self.has(Fault.VENT_OPEN) or (not self.vent_shut and not self.has(Fault.VENT_SHUT))


def next_rigs(rig: Rig, layers: Layers, most_faults: int) -> Iterator[tuple[str, Rig]]:
    """Everything that may happen next, with a word for it."""
    if len(rig.faults) < most_faults:
        for fault in Fault:
            if fault not in rig.faults and not _contradicts(fault, rig.faults):
                yield fault.value, replace(rig, faults=rig.faults | {fault})
    urgent = list(_urgent(rig, layers))
    if urgent:
        yield from urgent
        return
    yield from _plant(rig, layers)
    if rig.has(Fault.PROGRAM_DEAD):
        yield from _without_program(rig, layers)
    else:
        yield from _program(rig)
    unlatched = rig.pressure is Pressure.AMBIENT or not layers.lid_lock
    if unlatched and not rig.lid_open and rig.state in LID_MAY_OPEN and not rig.has(Fault.PROGRAM_DEAD):
        yield "lid opened", replace(rig, lid_open=True)


def explore(most_faults: int, layers: Layers | None = None) -> dict[Rig, tuple[Rig, str] | None]:
    """Every reachable state, with the state and the happening that first led to it."""
    layers = layers or Layers()
    start = Rig()
    came_from: dict[Rig, tuple[Rig, str] | None] = {start: None}
    queue = deque([start])
    while queue:
        rig = queue.popleft()
        for what, after in next_rigs(rig, layers, most_faults):
            if after not in came_from:
                came_from[after] = (rig, what)
                queue.append(after)
    return came_from


def history(rig: Rig, came_from: dict[Rig, tuple[Rig, str] | None]) -> list[str]:
    """What led to a state, first happening first."""
    words: list[str] = []
    step = came_from[rig]
    while step is not None:
        words.append(step[1])
        step = came_from[step[0]]
    return words[::-1]


def cut_sets(bad: list[Rig]) -> set[frozenset[Fault]]:
    """The smallest sets of faults among states that must not be."""
    sets = {rig.faults for rig in bad}
    return {faults for faults in sets if not any(other < faults for other in sets)}


def ends_vented(rig: Rig, layers: Layers) -> bool:
    """Whether a rig without a program comes to ambient pressure by itself, with nothing more breaking."""
    seen = set()
    now = replace(rig, faults=rig.faults | {Fault.PROGRAM_DEAD})
    while now not in seen:
        seen.add(now)
        after = [
            one
            for what, one in next_rigs(now, layers, most_faults=len(now.faults))
            if what not in ("lid opened", "pressure rises")
        ]
        if not after:
            break
        now = after[0]
    return now.pressure is Pressure.AMBIENT and not now.gas_flows_in


def _contradicts(fault: Fault, there: frozenset[Fault]) -> bool:
    pairs = ({Fault.SUPPLY_OPEN, Fault.SUPPLY_SHUT}, {Fault.VENT_OPEN, Fault.VENT_SHUT})
    return any(fault in pair and there & pair for pair in pairs)


def _plant(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """Gas comes and goes; an open relief valve keeps the pot below its plate value."""
    relief = layers.relief and not rig.has(Fault.RELIEF_BAD)
    if rig.shot:
        yield "shot ends", replace(rig, shot=False)
    if rig.gas_flows_in and not rig.gas_flows_out and rig.pressure in _HIGHER:
        higher = _HIGHER[rig.pressure]
        if not (higher is Pressure.OVER and relief):
            # A shot is timed by the device and bounded: by itself it lifts the pressure one rung at most.
            yield "pressure rises", replace(rig, pressure=higher, shot=False)
    if rig.gas_flows_out and not rig.gas_flows_in and rig.pressure in _LOWER:
        yield "pressure falls", replace(rig, pressure=_LOWER[rig.pressure])
    if rig.lid_open and rig.pressure in _LOWER:
        yield "pressure falls", replace(rig, pressure=Pressure.AMBIENT)


def _urgent(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """What happens before the pressure can climb another rung.

    The restrictor gives the interlocks and the watchdog seconds where they need tenths.
    """
    if rig.has(Fault.PROGRAM_DEAD):
        if layers.watchdog and (rig.vent_shut or rig.shot):
            yield from _without_program(rig, layers)
        return
    off_set_point = rig.pressure in (Pressure.TOO_HIGH, Pressure.OVER) or rig.has(Fault.GAUGES_BLIND)
    outputs = rig.vent_shut or rig.shot
    if off_set_point and outputs and (rig.state, Command.ABORT) in TRANSITIONS:
        yield str(Command.ABORT), _entered(rig, State.ABORTING)


def _without_program(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """The heartbeat stops; the watchdog drops the outputs."""
    if rig.beating:
        yield "heartbeat stops", replace(rig, beating=False)
    elif layers.watchdog and (rig.vent_shut or rig.shot):
        yield "watchdog drops the outputs", replace(rig, vent_shut=False, shot=False)


def _program(rig: Rig) -> Iterator[tuple[str, Rig]]:
    """What the controller does: valve commands that its state permits, and transitions of the table."""
    rule = STATE_RULES[rig.state]
    blind = rig.has(Fault.GAUGES_BLIND)
    off_set_point = rig.pressure in (Pressure.TOO_HIGH, Pressure.OVER) or blind or rig.lid_open
    if rule.may_shut_vent and not rig.vent_shut and not off_set_point:
        yield "vent shut", replace(rig, vent_shut=True)
    if rule.may_fill and not rig.shot and not off_set_point and rig.pressure is Pressure.AMBIENT:
        yield "supply shot", replace(rig, shot=True)
    if rig.vent_shut and (not rule.may_shut_vent or rig.state is State.HELD):
        yield "vent opened", replace(rig, vent_shut=False)
    for (before, command), after in TRANSITIONS.items():
        if before is rig.state and _may_fire(rig, command, off_set_point):
            yield str(command), _entered(rig, after)


def _may_fire(rig: Rig, command: Command, off_set_point: bool) -> bool:
    """Trips must fire and may at any time; work is done, and runs are begun, only when the readings allow."""
    if command in (Command.ABORT, Command.STOP, Command.HOLD):
        return True
    known_vented = rig.pressure is Pressure.AMBIENT and not rig.has(Fault.GAUGES_BLIND)
    if command is Command.CLEAR:
        return True
    if rig.state in (State.CLEARING, State.COMPLETING) and command is Command.DONE:
        return known_vented
    if command in (Command.RESET, Command.START):
        return known_vented and not rig.lid_open and not rig.alarm
    if rig.state in (State.ABORTING, State.STOPPING) and command is Command.DONE:
        return True
    return not off_set_point


def _entered(rig: Rig, state: State) -> Rig:
    """A state is entered: outputs that it does not permit are dropped; an unvented end raises the alarm."""
    rule = STATE_RULES[state]
    ended = state in (State.STOPPED, State.ABORTED, State.COMPLETE)
    unvented = rig.pressure is not Pressure.AMBIENT or rig.has(Fault.GAUGES_BLIND)
    return replace(
        rig,
        state=state,
        vent_shut=rig.vent_shut and rule.may_shut_vent,
        shot=rig.shot and rule.may_fill,
        alarm=(rig.alarm or unvented) if ended else rig.alarm and unvented,
    )
