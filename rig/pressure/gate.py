"""The only path to a valve: gas passes the permissives, and every command is counted, recorded, read back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from drivers.errors import DriverError, Refused
from drivers.ports import OwnedValveBlock, ValveBlock
from rig.loop.schedule import Schedule
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


class ValveLog(Protocol):
    """Where valve commands are recorded."""

    def valve(self, valve: str, action: str, duration_ms: int | None, failure: str | None) -> None:
        """Record one command and, when it failed, why."""
        ...


class Gate:
    """Commands the valve block. Nothing else in the rig holds it.

    Attributes:
        refusal: why the last supply shot was refused; None when it was given.
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
        self._log = log
        self._two_gauges = two_gauges
        self._owner_token = owner_token
        self._owned = valves if isinstance(valves, OwnedValveBlock) else None
        self._longest_ms = min(LONGEST_SHOT_MS, valves.longest_shot_ms)
        self._counter = 0
        self._vent_open_wanted: bool | None = None
        self._moving_until_s = 0.0
        self._shot_until_s = {"supply": 0.0, "vent": 0.0}
        self.refusal: str | None = None

    @property
    def longest_shot_ms(self) -> int:
        """Longest shot that may be asked for, in ms."""
        return self._longest_ms

    def claim(self) -> None:
        """Write this program's token into the owner register, where there is one.

        Raises:
            DriverError: the valve block does not take it.
        """
        if self._owned is not None:
            self._owned.write_owner(self._owner_token)

    def release(self) -> None:
        """Give the owner register back; a block that does not answer is left alone."""
        owned = self._owned
        if owned is not None:
            self._try("owner", "release", None, lambda: owned.write_owner(0))

    def serve(self) -> None:
        """Send the heartbeat or read the block back, in turn, once a tick."""
        tick = self._schedule.tick
        if tick % SCANS_PER_BEAT:
            self._counter = (self._counter + 1) % _HEARTBEATS
            try:
                self._valves.beat(self._counter)
            except DriverError:
                self._scan().valve_failures += 1
            if self._owned is not None and tick % _OWNER_EVERY == 0:
                self._check_owner(self._owned)
        else:
            self._read_back()

    def shoot_supply(self, duration_ms: int, expected_rise_bar: float) -> bool:
        """Let gas in for one device-timed shot, if the permissives allow it.

        Returns:
            Whether the shot was given; `refusal` says why not.
        """
        scan = self._scan()
        self.refusal = shot_refusal(
            scan,
            self._machine.rule,
            self._limits,
            duration_ms=duration_ms,
            longest_shot_ms=self._longest_ms,
            expected_rise_bar=expected_rise_bar,
            two_gauges=self._two_gauges,
        )
        if self.refusal is None and self._shoots("supply"):
            self.refusal = "the last shot still runs"
        if self.refusal is not None:
            return False
        given = self._try("supply", "shot", duration_ms, lambda: self._valves.open_supply_for(duration_ms))
        if given:
            self._shot_given("supply", duration_ms)
        return given

    def shoot_vent(self, duration_ms: int) -> bool:
        """Let gas out for one device-timed shot, unless the last one still runs.

        Returns:
            Whether the block took it.
        """
        if self._shoots("vent"):
            return False
        duration_ms = min(duration_ms, self._longest_ms)
        given = self._try("vent", "shot", duration_ms, lambda: self._valves.open_vent_for(duration_ms))
        if given:
            self._shot_given("vent", duration_ms)
        return given

    def shut_vent(self) -> bool:
        """Energise the vent, where the state allows it. Returns whether the block took it."""
        if not self._machine.rule.may_shut_vent:
            return False
        taken = self._try("vent", "shut", None, self._valves.shut_vent)
        if taken:
            self._vent_open_wanted = False
            self._moves_for(0)
        return taken

    def open_vent(self) -> bool:
        """De-energise the vent. Returns whether the block took it."""
        taken = self._try("vent", "open", None, self._valves.open_vent)
        if taken:
            self._vent_open_wanted = True
            self._moves_for(0)
        return taken

    def shut_supply(self) -> bool:
        """Cut any running supply shot. Returns whether the block took it."""
        return self._try("supply", "shut", None, self._valves.shut_supply)

    def de_energise(self) -> bool:
        """Drop every output: the safe state. Tried twice. Returns whether the block took it."""
        self._vent_open_wanted = True
        self._moves_for(0)
        return self._try("all", "de-energise", None, self._valves.de_energise) or self._try(
            "all", "de-energise", None, self._valves.de_energise
        )

    def _shoots(self, valve: str) -> bool:
        """Whether this valve's last shot still runs: after a late tick the next one comes early."""
        return self._schedule.since_start_s() < self._shot_until_s[valve]

    def _shot_given(self, valve: str, duration_ms: int) -> None:
        self._shot_until_s[valve] = self._schedule.since_start_s() + duration_ms / 1000.0
        self._moves_for(duration_ms)

    def _moves_for(self, duration_ms: int) -> None:
        until_s = self._schedule.since_start_s() + duration_ms / 1000.0 + _VALVE_SETTLES_S
        self._moving_until_s = max(self._moving_until_s, until_s)

    def _read_back(self) -> None:
        scan = self._scan()
        try:
            state = self._valves.read_state()
        except DriverError:
            scan.valve_failures += 1
            return
        scan.valves = state
        scan.valve_failures = 0
        if self._vent_open_wanted is None or self._schedule.since_start_s() < self._moving_until_s:
            return
        wrong = state.supply_open or state.vent_open is not self._vent_open_wanted
        scan.disobeyed = scan.disobeyed + 1 if wrong else 0

    def _check_owner(self, block: OwnedValveBlock) -> None:
        scan = self._scan()
        try:
            foreign = block.read_owner() != self._owner_token
        except DriverError:
            scan.valve_failures += 1
            return
        scan.foreign_owner = scan.foreign_owner + 1 if foreign else 0

    def _try(self, valve: str, action: str, duration_ms: int | None, command: Callable[[], object]) -> bool:
        try:
            command()
        except Refused as error:
            self._scan().disobeyed += 1
            self._log.valve(valve, action, duration_ms, error.message)
            return False
        except DriverError as error:
            self._scan().valve_failures += 1
            self._log.valve(valve, action, duration_ms, error.message)
            return False
        self._log.valve(valve, action, duration_ms, None)
        return True
