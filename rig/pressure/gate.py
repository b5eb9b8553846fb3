"""The only path to a valve: gas passes the permissives, and every command is counted, recorded, read back."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace

from drivers.errors import DriverError
from drivers.ports import ValveBlock, ValveState
from rig.loop.schedule import Schedule
from rig.pressure.block_owner import BlockOwner
from rig.pressure.valve_link import ValveLink, ValveLog, answered
from rig.safety.drive_words import Drop
from rig.safety.interlocks import over_pressure
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import shot_refusal
from rig.safety.scan import Scan
from rig.safety.states import Machine

SHORTEST_SHOT_MS = 15
LONGEST_SHOT_MS = 500
SCANS_PER_BEAT = 2
_HEARTBEATS = 65536
_VALVE_SETTLES_S = 0.25
_OWNER_EVERY = 5
_PRESS_SILENT_EVERY_S = 1.0
_LONG_AGO_S = float("-inf")


class Gate:
    """Commands the valve block. Nothing else in the rig holds it.

    From the order to de-energise until a read-back shows that every output is off, no heartbeat is written,
    so that the block's own watchdog drops the outputs if nothing else does; and the order is pressed: given
    again, with the supply and the vent ordered one by one.

    Attributes:
        refusal: why the last supply shot was refused; None when it was given.
        drop: what is known of the newest order to de-energise.
    """

    def __init__(
        self,
        valves: ValveBlock,
        machine: Machine,
        limits: SafetyLimits,
        scan: Callable[[], Scan],
        schedule: Schedule,
        log: ValveLog,
        *,
        two_gauges: bool,
        owner_token: int,
    ) -> None:
        self._valves = valves
        self._machine = machine
        self._limits = limits
        self._scan = scan
        self._schedule = schedule
        self._link = ValveLink(valves, scan, schedule, log)
        self._two_gauges = two_gauges
        self._owner = BlockOwner(valves, owner_token, scan, schedule)
        self._longest_ms = min(LONGEST_SHOT_MS, valves.longest_shot_ms)
        self._counter = 0
        self._beat_owed = False
        self._fed_s: float | None = None
        self._vent_open_wanted: bool | None = None
        self._vent_owed: bool | None = None
        self._moving_until_s = {"supply": _LONG_AGO_S, "vent": _LONG_AGO_S}
        self._shot_until_s = {"supply": _LONG_AGO_S, "vent": _LONG_AGO_S}
        self._dropped_s = _LONG_AGO_S
        self._seen_dropped = False
        self._press_at_s = _LONG_AGO_S
        self.refusal: str | None = None
        self.drop = Drop()

    @property
    def longest_shot_ms(self) -> int:
        """Longest shot that may be asked for, in ms."""
        return self._longest_ms

    def claim(self) -> str:
        """Look who drives the valve block, then write this program's token, where it has a register for it.

        Returns:
            A caution for the operator where a dead program's token was there, else an empty text.

        Raises:
            rig.loop.loop.Refused: another program drives it; nothing has been written, and nothing will be.
            DriverError: the valve block does not take it.
        """
        return self._owner.claim()

    def release(self) -> None:
        """Give the owner register back, unless another program has it; never raises."""
        if self._owner.claimed and not self._scan().foreign_owner:
            self._link.command("owner", "release", None, self._owner.give_back)

    def serve(self) -> None:
        """Feed the watchdog where outputs may be energised, read the block back, press an order to drop."""
        if self._owner.is_another:
            return
        odd = bool(self._schedule.tick % SCANS_PER_BEAT)
        self._drop_before_rest()
        beats = self._may_beat()
        if beats and (odd or self._beat_owed):
            self._beat()
        if not odd or not beats:
            self._read_back()
        if odd and self._owner.claimed and self._schedule.tick % _OWNER_EVERY == 0:
            self._check_owner()
        self._repeat_vent_order()
        self._press_if_needed()
        self._note_times(beats)

    def shoot_supply(self, duration_ms: int, expected_rise_bar: float) -> bool:
        """Let gas in for one device-timed shot, if the permissives allow it.

        Returns:
            Whether the shot was given; `refusal` says why not.
        """
        self.refusal = shot_refusal(
            self._scan(),
            self._machine.rule,
            self._limits,
            duration_ms=duration_ms,
            longest_shot_ms=self._longest_ms,
            expected_rise_bar=expected_rise_bar,
            two_gauges=self._two_gauges,
        )
        if self.refusal is None:
            self.refusal = self._why_not_yet()
        if self.refusal is not None:
            return False
        return self._shoot("supply", duration_ms, lambda: self._valves.open_supply_for(duration_ms))

    def _why_not_yet(self) -> str | None:
        if self._shoots("supply"):
            return "the last shot still runs"
        return None if self._leave_drop() else "the valve block has not shown yet that it is de-energised"

    def shoot_vent(self, duration_ms: int) -> bool:
        """Let gas out for one device-timed shot, unless the last one still runs.

        Returns:
            Whether the block took it.
        """
        if self._shoots("vent") or self._vent_owed is False:
            return False
        duration_ms = min(duration_ms, self._longest_ms)
        return self._shoot("vent", duration_ms, lambda: self._valves.open_vent_for(duration_ms))

    def shut_vent(self) -> bool:
        """Energise the vent, where the state allows it. Returns whether the block took it.

        An order that it did not take, and did not refuse, is given again in the next tick.
        """
        return self._leave_drop() and self._order_vent(to_open=False)

    def open_vent(self) -> bool:
        """De-energise the vent. Returns whether the block took it; if not, as with `shut_vent`."""
        return self._order_vent(to_open=True)

    def shut_supply(self) -> bool:
        """Cut any running supply shot. Returns whether the block took it."""
        return self._link.command("supply", "shut", None, self._valves.shut_supply, repeat=True) is None

    def de_energise(self) -> bool:
        """Drop every output: the safe state. Returns whether the order was taken; `drop` says what is known.

        Nothing is ordered where another program drives the block: this one was refused, or has de-energised
        it once already and does not fight.
        """
        if self._owner.is_another or self._yields():
            return False
        scan = self._scan()
        if not self._waits_for_drop():
            self._dropped_s = self._schedule.since_start_s()
        scan.drop_ordered, scan.drop_shown = True, False
        self._seen_dropped = False
        self._vent_open_wanted, self._vent_owed = True, None
        self._moves_for("supply", 0)
        self._moves_for("vent", 0)
        taken = self._press(one_by_one=False)
        if not taken and self.drop.answered:
            taken = self._press(one_by_one=False)
        return taken

    def _waits_for_drop(self) -> bool:
        """Whether an order to drop has not been seen to be done."""
        scan = self._scan()
        return scan.drop_ordered and not scan.drop_shown

    def _leave_drop(self) -> bool:
        """End an order to drop that has been seen to be done; returns whether something may be energised."""
        if self._waits_for_drop():
            return False
        self._scan().drop_ordered = False
        self._link.forget_recorded()
        return True

    def _may_beat(self) -> bool:
        """Whether the heartbeat is written: never between an order to drop and its being seen."""
        return self._machine.rule.beats and not self._waits_for_drop()

    def _drop_before_rest(self) -> None:
        """Drop the outputs by order where the heartbeat ends for good, and not by the watchdog."""
        if self._fed_s is not None and not self._machine.rule.beats and not self._scan().drop_ordered:
            self.de_energise()

    def _beat(self) -> None:
        scan = self._scan()
        self._counter = (self._counter + 1) % _HEARTBEATS
        counter = self._counter
        try:
            self._link.harmless(lambda: self._valves.beat(counter))
        except DriverError as error:
            self._beat_owed = True
            scan.beat_error = error.message if answered(error) else ""
        else:
            self._beat_owed = False
            self._fed_s = self._schedule.now_s
            scan.beat_error = ""

    def _yields(self) -> bool:
        """Whether another program has the block, which has been seen to drop, below the trip pressure."""
        scan = self._scan()
        dropped = scan.drop_ordered and self._seen_dropped
        return dropped and bool(scan.foreign_owner) and over_pressure(scan, self._limits) is None

    def _press_if_needed(self) -> None:
        """Give an order to drop again that no read-back shows, unless the block is another program's."""
        due = self._schedule.since_start_s() >= self._press_at_s
        if due and self._waits_for_drop() and not self._yields():
            self._press(one_by_one=True)

    def _press(self, *, one_by_one: bool) -> bool:
        """Order the outputs to drop, one by one too where the one order is not taken, and read them back.

        Returns whether the one order was taken.

        A block that does not answer costs its deadline at every try, so the single orders wait for the next.
        """
        error = self._link.command("all", "de-energise", None, self._valves.de_energise)
        tried = [error]
        if one_by_one or (error is not None and answered(error)):
            for valve, action, command in (
                ("supply", "shut", self._valves.shut_supply),
                ("vent", "open", self._valves.open_vent),
            ):
                tried.append(self._link.command(valve, action, None, command))
        silent = not any(map(answered, tried))
        self.drop = Drop(
            taken=error is None,
            answered=answered(error),
            error="" if error is None else error.message,
        )
        if not silent:
            self._read_back()
        self._press_at_s = self._schedule.since_start_s() + (_PRESS_SILENT_EVERY_S if silent else 0.0)
        return error is None

    def _order_vent(self, *, to_open: bool) -> bool:
        self._vent_owed = None
        if not to_open and not self._machine.rule.may_shut_vent:
            return False
        valves = self._valves
        action, command = ("open", valves.open_vent) if to_open else ("shut", valves.shut_vent)
        error = self._link.command("vent", action, None, command, repeat=to_open)
        if error is None:
            self._vent_open_wanted = to_open
            self._moves_for("vent", 0)
            return True
        self._vent_owed = to_open if error.retryable else None
        return False

    def _repeat_vent_order(self) -> None:
        """Give an order again that the vent did not take in the tick before; from now on it counts."""
        to_open, scan = self._vent_owed, self._scan()
        if to_open is not None and not self._order_vent(to_open=to_open) and scan.valve_answers:
            scan.disobeyed += 1

    def _shoot(self, valve: str, duration_ms: int, command: Callable[[], None]) -> bool:
        """Give one shot, once. One whose answer was lost may run all the same: the next one waits for it."""
        error = self._link.command(valve, "shot", duration_ms, command)
        if error is None or error.retryable:
            self._shot_until_s[valve] = self._schedule.since_start_s() + duration_ms / 1000.0
            self._moves_for(valve, duration_ms)
        return error is None

    def _shoots(self, valve: str) -> bool:
        """Whether this valve's last shot still runs: after a late tick the next one comes early."""
        return self._schedule.since_start_s() < self._shot_until_s[valve]

    def _moves_for(self, valve: str, duration_ms: int) -> None:
        until_s = self._schedule.since_start_s() + duration_ms / 1000.0 + _VALVE_SETTLES_S
        self._moving_until_s[valve] = max(self._moving_until_s[valve], until_s)

    def _rests(self, valve: str) -> bool:
        """Whether a valve has had the time to do what it was last ordered."""
        return self._schedule.since_start_s() >= self._moving_until_s[valve]

    def _read_back(self) -> None:
        try:
            state = self._link.harmless(self._valves.read_state)
        except DriverError:
            return
        scan = self._scan()
        scan.valves = state
        self._note_drop(state)
        if self._vent_open_wanted is None or not (self._rests("supply") or self._rests("vent")):
            return
        # A valve under shots is not compared, and the other one is all the same.
        wrong = (state.supply_open and self._rests("supply")) or (
            state.vent_open is not self._vent_open_wanted and self._rests("vent")
        )
        yielded = scan.drop_ordered and bool(scan.foreign_owner)
        scan.disobeyed = scan.disobeyed + 1 if wrong and not yielded else 0

    def _note_drop(self, state: ValveState) -> None:
        scan = self._scan()
        if not scan.drop_ordered:
            return
        before, scan.drop_shown = scan.drop_shown, not state.supply_open and state.vent_open
        if scan.drop_shown:
            self._seen_dropped, self.drop = True, replace(self.drop, shown=True)
        elif before:
            self._dropped_s = self._schedule.since_start_s()

    def _check_owner(self) -> None:
        with suppress(DriverError):
            self._link.harmless(self._owner.look)

    def _note_times(self, beats: bool) -> None:
        self._link.note_silence()
        scan, now_s = self._scan(), self._schedule.now_s
        scan.beating = beats
        if not beats:
            self._fed_s, scan.beat_error = None, ""
        elif self._fed_s is None:
            self._fed_s = now_s
        scan.unfed_s = 0.0 if self._fed_s is None else now_s - self._fed_s
        unseen_s = self._schedule.since_start_s() - self._dropped_s
        scan.drop_unseen_s = unseen_s if self._waits_for_drop() else 0.0
