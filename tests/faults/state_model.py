"""The state table as a model: every state that the rig and its hardware can reach with a few faults.

The transitions are those of `rig.safety.states.TRANSITIONS`, and what a state may do to the valves is its
`StateRule`: the same objects that the controller executes. Around them stands a coarse plant: pressure is
ambient, working or too high; valves obey, or stick; the program lives or not. The program judges by what the
gauges show and by what has answered to gas, never by the pressure itself, and some faults are common causes:
one manifold, one tee, one gateway. Everything that can happen is explored, so that a statement such as "no
single fault ends in over-pressure" is a proof over the model.
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
    GAUGES_SHUT_OFF = "gauges shut off from the pot"
    TEE_CLOGGED = "gauges and vent behind one clogged tee"
    GATEWAY_DOWN = "gauges and valve block behind one dead gateway"
    DROP_NOT_TAKEN = "the block does not take the order to de-energise"
    CELLS_UNREAD = "the cells are not read"


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
    """What protects besides the interlocks; each can be taken away to see what it is for.

    Attributes:
        watchdog, relief, switch, lid_lock: hardware.
        beats_stop: once the safe state is wanted the program sends no heartbeat until it is shown.
        falls_back: where the order to drop all outputs is not taken, each valve is ordered by itself.
        gauges_must_answer: gauges that did not rise with the gas let in confirm nothing.
        falls_are_judged: gauges that fall faster than the vent can let gas out confirm nothing.
        cells_may_refuse: cells that still show oxygen under pressure refuse 'vented'.
    """

    watchdog: bool = True
    relief: bool = True
    switch: bool = True
    lid_lock: bool = True
    beats_stop: bool = True
    falls_back: bool = True
    gauges_must_answer: bool = True
    falls_are_judged: bool = True
    cells_may_refuse: bool = True


@dataclass(frozen=True, slots=True)
class Rig:
    """One state of the model.

    Attributes:
        vent_shut: the vent is energised.
        shot: a supply shot is running.
        beating: the watchdog has seen the heartbeat lately.
        alarm: an alarm stands that the pot is not vented.
        kept: what gauges without a way to the pot have trapped.
        answered: the gauges have risen since gas was let in, or none was.
        oxygen: gas has been let in, so that the cells show its pressure.
    """

    state: State = AT_POWER_UP
    pressure: Pressure = Pressure.AMBIENT
    vent_shut: bool = False
    shot: bool = False
    beating: bool = True
    alarm: bool = False
    lid_open: bool = False
    kept: Pressure = Pressure.AMBIENT
    answered: bool = True
    oxygen: bool = False
    faults: frozenset[Fault] = frozenset()

    def has(self, *faults: Fault) -> bool:
        """Whether any of these faults is there."""
        return not self.faults.isdisjoint(faults)

    @property
    def gas_flows_in(self) -> bool:
        """Whether the supply is truly open."""
        return self.has(Fault.SUPPLY_OPEN) or (self.shot and not self.has(Fault.SUPPLY_SHUT))

    @property
    def gas_flows_out(self) -> bool:
        """Whether the vent is truly open."""
        return self.has(Fault.VENT_OPEN) or (
            not self.vent_shut and not self.has(Fault.VENT_SHUT, Fault.TEE_CLOGGED)
        )

    @property
    def shown(self) -> Pressure | None:
        """What the gauges show; None where they show nothing."""
        if self.has(Fault.GAUGES_BLIND, Fault.GATEWAY_DOWN):
            return None
        if self.has(Fault.TEE_CLOGGED):
            return self.kept if self.vent_shut else Pressure.AMBIENT
        return self.kept if self.has(Fault.GAUGES_SHUT_OFF) else self.pressure

    @property
    def program_sees_a_trip(self) -> bool:
        """Whether the readings ask for the safe state."""
        return self.shown in (None, Pressure.TOO_HIGH, Pressure.OVER)

    def seems_vented(self, layers: Layers) -> bool:
        """Whether the program believes, by all that it can see, that the pot is at ambient pressure."""
        refused = (
            layers.cells_may_refuse
            and self.oxygen
            and not self.has(Fault.CELLS_UNREAD)
            and self.pressure is not Pressure.AMBIENT
        )
        answered = self.answered or not layers.gauges_must_answer
        fell_at_once = self.has(Fault.TEE_CLOGGED) and self.kept is not Pressure.AMBIENT
        believed = answered and not (fell_at_once and layers.falls_are_judged)
        return self.shown is Pressure.AMBIENT and believed and not refused


def next_rigs(rig: Rig, layers: Layers, most_faults: int) -> Iterator[tuple[str, Rig]]:
    """Everything that may happen next, with a word for it."""
    if len(rig.faults) < most_faults:
        for fault in Fault:
            if fault not in rig.faults and not _contradicts(fault, rig.faults):
                yield fault.value, _struck(rig, fault)
    urgent = list(_urgent(rig, layers))
    if urgent:
        yield from urgent
        return
    yield from _plant(rig, layers)
    if rig.has(Fault.PROGRAM_DEAD):
        yield from _watchdog(rig, layers)
    else:
        yield from _program(rig, layers)
    unlatched = rig.pressure is Pressure.AMBIENT or not layers.lid_lock
    offered = rig.state in LID_MAY_OPEN and not rig.alarm and rig.seems_vented(layers)
    if unlatched and offered and not rig.lid_open and not rig.has(Fault.PROGRAM_DEAD):
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
    pairs = (
        {Fault.SUPPLY_OPEN, Fault.SUPPLY_SHUT},
        {Fault.VENT_OPEN, Fault.VENT_SHUT},
        {Fault.VENT_OPEN, Fault.TEE_CLOGGED},
        {Fault.GAUGES_SHUT_OFF, Fault.TEE_CLOGGED},
    )
    return any(fault in pair and there & pair for pair in pairs)


def _struck(rig: Rig, fault: Fault) -> Rig:
    """A fault begins; gauges that lose their way to the pot keep what they have."""
    loses_the_pot = fault in (Fault.GAUGES_SHUT_OFF, Fault.TEE_CLOGGED)
    return replace(rig, faults=rig.faults | {fault}, kept=rig.pressure if loses_the_pot else rig.kept)


def _plant(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """Gas comes and goes; an open relief valve keeps the pot below its plate value."""
    relief = layers.relief and not rig.has(Fault.RELIEF_BAD)
    if rig.shot:
        yield "shot ends", replace(rig, shot=False)
    if rig.gas_flows_in and not rig.gas_flows_out and rig.pressure in _HIGHER:
        higher = _HIGHER[rig.pressure]
        if not (higher is Pressure.OVER and relief):
            # A shot is timed by the device and bounded: by itself it lifts the pressure one rung at most.
            risen = replace(rig, pressure=higher, shot=False, oxygen=True)
            yield "pressure rises", replace(risen, answered=rig.answered or risen.shown is higher)
    if rig.gas_flows_out and not rig.gas_flows_in and rig.pressure in _LOWER:
        yield "pressure falls", replace(rig, pressure=_LOWER[rig.pressure])
    if rig.lid_open and rig.pressure in _LOWER:
        yield "pressure falls", replace(rig, pressure=Pressure.AMBIENT)


def _urgent(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """What happens before the pressure can climb another rung.

    The restrictor gives the interlocks, the pressure switch and the watchdog seconds where they need tenths.
    """
    outputs = rig.vent_shut or rig.shot
    if not outputs:
        return
    if layers.switch and rig.pressure in (Pressure.TOO_HIGH, Pressure.OVER):
        yield "pressure switch cuts the power", replace(rig, vent_shut=False, shot=False)
        return
    if not rig.has(Fault.PROGRAM_DEAD):
        if rig.program_sees_a_trip and (rig.state, Command.ABORT) in TRANSITIONS:
            yield str(Command.ABORT), _entered(rig, State.ABORTING, layers)
            return
        if not _wants_safe(rig):
            return
    yield from _watchdog(rig, layers)


def _watchdog(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """The heartbeat stops; the watchdog drops the outputs."""
    if rig.beating and (
        rig.has(Fault.PROGRAM_DEAD, Fault.GATEWAY_DOWN) or (layers.beats_stop and _wants_safe(rig))
    ):
        yield "heartbeat stops", replace(rig, beating=False)
    elif not rig.beating and layers.watchdog and (rig.vent_shut or rig.shot):
        yield "watchdog drops the outputs", replace(rig, vent_shut=False, shot=False)


def _wants_safe(rig: Rig) -> bool:
    """Whether the state asks for outputs that are not there yet."""
    rule = STATE_RULES[rig.state]
    return (rig.vent_shut and not rule.may_shut_vent) or (rig.shot and not rule.may_fill)


def _program(rig: Rig, layers: Layers) -> Iterator[tuple[str, Rig]]:
    """What the controller does: valve commands that its state permits, and transitions of the table."""
    rule = STATE_RULES[rig.state]
    obeyed = not rig.has(Fault.GATEWAY_DOWN)
    may_move = obeyed and not (rig.program_sees_a_trip or rig.lid_open)
    if rule.may_shut_vent and not rig.vent_shut and may_move:
        yield "vent shut", replace(rig, vent_shut=True, beating=True)
    if rule.may_fill and not rig.shot and may_move and rig.answered and rig.shown is Pressure.AMBIENT:
        yield "supply shot", replace(rig, shot=True, answered=False, beating=True)
    taken = obeyed and (layers.falls_back or not rig.has(Fault.DROP_NOT_TAKEN))
    if taken and rig.vent_shut and (not rule.may_shut_vent or rig.state is State.HELD):
        yield "vent opened", replace(rig, vent_shut=False)
    for (before, command), after in TRANSITIONS.items():
        if before is rig.state and _may_fire(rig, command, layers):
            yield str(command), _entered(rig, after, layers)


def _may_fire(rig: Rig, command: Command, layers: Layers) -> bool:
    """Trips must fire and may at any time; work is done, and runs are begun, only when the readings allow."""
    if command in (Command.ABORT, Command.STOP, Command.HOLD, Command.CLEAR):
        return True
    seems_vented = rig.seems_vented(layers)
    if rig.state in (State.CLEARING, State.COMPLETING) and command is Command.DONE:
        return seems_vented
    if command in (Command.RESET, Command.START):
        return seems_vented and not rig.lid_open and not rig.alarm
    if rig.state in (State.ABORTING, State.STOPPING) and command is Command.DONE:
        return True
    return not (rig.program_sees_a_trip or rig.lid_open)


def _entered(rig: Rig, state: State, layers: Layers) -> Rig:
    """A state is entered: outputs that it does not permit are dropped; an unvented end raises the alarm."""
    rule = STATE_RULES[state]
    ended = state in (State.STOPPED, State.ABORTED, State.COMPLETE)
    taken = not rig.has(Fault.GATEWAY_DOWN) and (not rig.has(Fault.DROP_NOT_TAKEN) or layers.falls_back)
    dropped = replace(
        rig,
        state=state,
        vent_shut=rig.vent_shut and (rule.may_shut_vent or not taken),
        shot=rig.shot and (rule.may_fill or not taken),
    )
    unvented = not dropped.seems_vented(layers) or dropped.vent_shut or dropped.shot
    return replace(dropped, alarm=(rig.alarm or unvented) if ended else rig.alarm and unvented)
