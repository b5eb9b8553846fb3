"""The valve block: the only part of the bench that moves gas by itself and stops by itself."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from enum import IntEnum

from drivers.virtual.devices.device import Device, Permit
from drivers.virtual.devices.stand import Stand
from drivers.virtual.noise import stream_of
from drivers.virtual_spec import VirtualInstrument

LONGEST_SHOT_MS = 500


class ValveRegister(IntEnum):
    """Registers of the block, as its maker numbers them; see the map that it serves."""

    OUTPUTS = 0
    SUPPLY_SHOT = 1
    VENT_SHOT = 2
    VENT_HOLD = 3
    SUPPLY = 4
    HEARTBEAT = 5
    INPUTS = 6
    LONGEST_SHOT = 7
    WATCHDOG = 8
    OWNER = 9
    SERIAL = 10
    PROOF = 14
    DE_ENERGISE = 16
    SHOTS = 17


class ValveDevice(Device):
    """Valve block: supply (normally closed), vent (normally open), device-timed shots, watchdog, inputs.

    Nothing energises before a heartbeat has been seen. When the heartbeat stops changing, or when the
    pressure switch opens, every output drops and stays so until all outputs are de-energised by command; then
    a changing heartbeat is needed again.

    Attributes:
        deaf: takes writes and does nothing (command not obeyed). beat_deaf: does not see heartbeats.
        watchdog_dead: it looks alive and never trips.
        stretch: a shot lasts this many times its length.
        lid_switch_closed: what the lid switch says.
        busy_part: part of all requests that is answered "busy", 0 to 1.
        busy_writes: registers whose writes are answered "busy".
    """

    model = "TW-VB2"

    def __init__(self, stand: Stand, name: str, instrument: VirtualInstrument) -> None:
        stream = stream_of(stand.spec.seed, f"valves {name}")
        super().__init__(stand, name, instrument, f"TWV-{stream.randrange(10_000):04d}")
        self._stream = stream
        self.supply_on = False
        self.vent_on = False
        self.heartbeat = 0
        self.armed = False
        self.watchdog_tripped = False
        self.owner = 0
        self.shots = 0
        self.deaf = False
        self.beat_deaf = False
        self.stretch = 1.0
        self.lid_switch_closed = True
        self.watchdog_dead = False
        self.busy_part = 0.0
        self.busy_writes: frozenset[int] = frozenset()
        self._asked_us = -1
        self._asked: Counter[tuple[int, bool]] = Counter()
        self._beat_us = 0
        self._watching = False
        self._supply_turn = 0
        self._vent_turn = 0
        self._supply_moves_us = 0
        self._vent_moves_us = 0
        stand.pot.on_switch = self._drop

    @property
    def watchdog_ms(self) -> int:
        """Watchdog time in ms, 0 without one."""
        watchdog_s = self.stand.spec.watchdog_s
        return 0 if watchdog_s is None else round(watchdog_s * 1e3)

    @property
    def live(self) -> bool:
        """Whether outputs may be energised."""
        return self.armed and not self.watchdog_tripped and not self.pot.switch_tripped

    @property
    def outputs(self) -> int:
        """Output bits: 0 supply energised, 1 vent energised (shut)."""
        return (1 if self.supply_on else 0) | (2 if self.vent_on else 0)

    @property
    def inputs(self) -> int:
        """Input bits: 0 lid closed, 1 watchdog tripped, 2 pressure switch tripped."""
        return (
            (1 if self.lid_switch_closed else 0)
            | (2 if self.watchdog_tripped else 0)
            | (4 if self.pot.switch_tripped else 0)
        )

    def busy(self, register: int, *, write: bool) -> bool:
        """Whether this request is answered "busy"; drawn from the seed, the instant and the request alone.

        A request that is repeated at the same instant is drawn again.
        """
        if write and register in self.busy_writes:
            return True
        if not self.busy_part:
            return False
        now_us = self.pot.now_us
        if now_us != self._asked_us:
            self._asked_us = now_us
            self._asked.clear()
        self._asked[register, write] += 1
        request = f"{register} {write} {self._asked[register, write]}"
        draw = stream_of(self.stand.spec.seed, f"busy {self.name} {now_us} {request}")
        return draw.random() < self.busy_part

    def shoot_supply(self, duration_ms: int) -> Permit:
        """Open the supply for `duration_ms`."""
        undone = self._undone(duration_ms)
        if undone is not None:
            return undone
        self.shots += 1
        self._set_supply(True)
        self._supply_turn += 1
        turn = self._supply_turn

        def end() -> None:
            if turn == self._supply_turn:
                self._set_supply(False)

        self._when_over(duration_ms, end)
        return "ok"

    def shut_supply(self) -> Permit:
        """De-energise the supply."""
        if not self.deaf:
            self._supply_turn += 1
            self._set_supply(False)
        return "ok"

    def shoot_vent(self, duration_ms: int) -> Permit:
        """Open the vent for `duration_ms`, out of the shut state."""
        undone = self._undone(duration_ms)
        if undone is not None:
            return undone
        if not self.vent_on:
            return "not shut"
        self.shots += 1
        self._set_vent(False)
        self._vent_turn += 1
        turn = self._vent_turn

        def end() -> None:
            if turn == self._vent_turn and self.live:
                self._set_vent(True)

        self._when_over(duration_ms, end)
        return "ok"

    def _undone(self, duration_ms: int) -> Permit | None:
        """Why a shot is refused (a block that ignores writes says ok); None when it is given."""
        if not 1 <= duration_ms <= LONGEST_SHOT_MS:
            return "out of range"
        if self.deaf:
            return "ok"
        return None if self.live else "not armed"

    def _when_over(self, duration_ms: int, end: Callable[[], None]) -> None:
        """Call `end` when a shot of this length is over."""
        self.stand.at(self.pot.now_us + round(duration_ms * 1e3 * self.stretch), end)

    def hold_vent(self, shut: bool) -> Permit:
        """Energise the vent (shut) or drop it (open)."""
        if self.deaf:
            return "ok"
        if shut and not self.live:
            return "not armed"
        self._vent_turn += 1
        self._set_vent(shut)
        return "ok"

    def de_energise(self) -> Permit:
        """Drop every output and clear what has latched. The pressure switch stays until the pot is empty."""
        if self.deaf:
            return "ok"
        self._drop()
        self.armed = False
        self.watchdog_tripped = False
        pot = self.pot
        if pot.pressure_bar < pot.room_pressure_bar + 0.1:
            pot.switch_tripped = False
        return "ok"

    def beat(self, value: int) -> Permit:
        """Take a heartbeat value."""
        if self.deaf or self.beat_deaf:
            return "ok"
        if value != self.heartbeat:
            self.heartbeat = value
            self._beat_us = self.pot.now_us
            if not self.watchdog_tripped:
                self.armed = True
                self._watch()
        return "ok"

    def lose_power(self) -> None:
        """The block loses its power: every output drops, and its state is lost."""
        self._drop()
        self.armed = self.watchdog_tripped = False
        self.heartbeat = self.owner = 0

    def _watch(self) -> None:
        watchdog_s = self.stand.spec.watchdog_s
        if watchdog_s is None or self._watching:
            return
        self._watching = True
        period_us = round(watchdog_s * 1e6)

        def look() -> None:
            self._watching = False
            if not self.armed or self.watchdog_dead:
                return
            if self.pot.now_us - self._beat_us >= period_us:
                self.watchdog_tripped = True
                self._drop()
            else:
                self._watching = True
                self.stand.at(self._beat_us + period_us, look)

        self.stand.at(self._beat_us + period_us, look)

    def _drop(self) -> None:
        self._supply_turn += 1
        self._vent_turn += 1
        self._set_supply(False)
        self._set_vent(False)

    def _set_supply(self, on: bool) -> None:
        if on != self.supply_on:
            self.supply_on = on
            pot = self.pot
            self._supply_moves_us = self._move(
                self._supply_moves_us, on, lambda: pot.set_valves(supply_open=on)
            )

    def _set_vent(self, on: bool) -> None:
        if on != self.vent_on:
            self.vent_on = on
            pot = self.pot
            self._vent_moves_us = self._move(
                self._vent_moves_us, on, lambda: pot.set_valves(vent_open=not on)
            )

    def _move(self, earlier_us: int, on: bool, action: Callable[[], None]) -> int:
        """A solenoid moves 15 ms after its coil is energised and 25 ms after it drops, within 4 ms."""
        delay_us = (15_000 if on else 25_000) + self._stream.randrange(-4000, 4001)
        moves_us = max(self.pot.now_us + delay_us, earlier_us)
        self.stand.at(moves_us, action)
        return moves_us
