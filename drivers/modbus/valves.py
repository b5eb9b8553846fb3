"""Supply and vent valves behind Modbus registers, with shots timed by the device.

The default map is the virtual bench's; a block of another make needs the same functions, at any addresses.

| register | does |
|---|---|
| 0 | outputs now: bit 0 supply energised (open), bit 1 vent energised (shut) |
| 1 | write 1 to longest: open the supply for so many ms |
| 2 | write 1 to longest: open the vent for so many ms, out of the shut state |
| 3 | vent: write 1 energises it (shut), 0 releases it (open) |
| 4 | write 0: shut the supply now |
| 5 | heartbeat; outputs drop when it has not changed for the watchdog time |
| 6 | inputs: bit 0 lid closed, bit 1 watchdog tripped, bit 2 pressure switch tripped |
| 7, 8 | longest shot, watchdog time, both in ms |
| 9 | token of the program that drives the block |
| 10 to 13 | serial number, 8 characters |
| 14, 15 | pi, float32 |
| 16 | write 1: drop all outputs; only this re-arms the block after a watchdog trip |
"""

from __future__ import annotations

from itertools import combinations
from typing import Self

from pydantic import Field, model_validator

from drivers.errors import BadReply, DriverError
from drivers.limits import refuse_outside
from drivers.modbus.registers import ModbusInstrument, ModbusOptions, Proof, SerialNumber
from drivers.options import read_options
from drivers.ports import Clock, InstrumentSpec, ValveState

_SUPPLY_BIT, _VENT_BIT = 0, 1
_TRIES_TO_DE_ENERGISE = 2
_WRITTEN = ("supply_shot", "vent_shot", "vent_hold", "supply", "heartbeat", "owner", "de_energise")
_READ = ("outputs", "heartbeat", "inputs", "longest_shot", "watchdog", "owner")
_INPUT_BITS = ("lid_bit", "watchdog_bit", "pressure_switch_bit")

_SHORTEST_MS, _LONGEST_MS = 15, 500
"""Limits of every bench, judgement: a small solenoid does little in less time, and a shot goes on by itself
when the program that gave it dies."""

Register = int


class ValveOptions(ModbusOptions):
    """Options of a valve block: registers, input bits (`false` where not fitted), longest shot in ms.

    Every register, and every input bit, does one thing: one that is named twice is refused.
    """

    outputs: Register = Field(default=0, ge=0, le=65535)
    supply_shot: Register = Field(default=1, ge=0, le=65535)
    vent_shot: Register = Field(default=2, ge=0, le=65535)
    vent_hold: Register = Field(default=3, ge=0, le=65535)
    supply: Register = Field(default=4, ge=0, le=65535)
    heartbeat: Register = Field(default=5, ge=0, le=65535)
    inputs: Register | None = Field(default=6, ge=0, le=65535)
    lid_bit: int | None = Field(default=0, ge=0, le=15)
    watchdog_bit: int | None = Field(default=1, ge=0, le=15)
    pressure_switch_bit: int | None = Field(default=2, ge=0, le=15)
    longest_shot: Register | None = Field(default=7, ge=0, le=65535)
    longest_shot_ms: int = Field(default=_LONGEST_MS, ge=_SHORTEST_MS, le=_LONGEST_MS)
    watchdog: Register | None = Field(default=8, ge=0, le=65535)
    owner: Register | None = Field(default=9, ge=0, le=65535)
    serial: SerialNumber | None = SerialNumber(address=10)
    proof: Proof | None = Proof(address=14)
    de_energise: Register = Field(default=16, ge=0, le=65535)

    @model_validator(mode="after")
    def _one_thing_each(self) -> Self:
        written = {name: self._span(name) for name in _WRITTEN}
        read = {name: self._span(name) for name in _READ}
        if self.serial is not None:
            read["serial"] = range(self.serial.address, self.serial.address + self.serial.count)
        if self.proof is not None:
            read["proof"] = range(self.proof.address, self.proof.address + 2)
        # A unit whose values are in its input registers may count those from 0 again.
        tables = [written, read] if self.table == "input" else [written | read]
        for registers in tables:
            for (first, one), (second, other) in combinations(registers.items(), 2):
                if shared := set(one) & set(other):
                    raise ValueError(
                        f"{first} and {second} are both register {min(shared)}; give each its own"
                    )
        bits = {name: getattr(self, name) for name in _INPUT_BITS if getattr(self, name) is not None}
        for (first, bit), (second, other_bit) in combinations(bits.items(), 2):
            if bit == other_bit:
                raise ValueError(f"{first} and {second} are both bit {bit} of the inputs; give each its own")
        return self

    def _span(self, name: str) -> range:
        address = getattr(self, name)
        return range(0) if address is None else range(address, address + 1)


class ModbusValves(ModbusInstrument):
    """A valve block. Every write is sent once; only dropping the outputs is tried again."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(ValveOptions, spec)
        super().__init__(spec, self._options, clock)
        self._longest_shot_ms = self._options.longest_shot_ms
        self._watchdog_ms: int | None = None
        options = self._options
        spans = [(options.outputs, 1), (options.heartbeat, 1), *self.proof_span()]
        self._state_spans = tuple(spans + ([(options.inputs, 1)] if options.inputs is not None else []))

    @property
    def longest_shot_ms(self) -> int:
        """Longest shot, in ms: the bench file's, or the block's own where that is shorter."""
        return self._longest_shot_ms

    @property
    def watchdog_ms(self) -> int | None:
        """Watchdog time of the block, in ms; None before `configure` or where it has none."""
        return self._watchdog_ms

    def send_settings(self) -> None:
        """Read the block's own limits, in ms; writes nothing."""
        options = self._options
        if options.longest_shot is not None:
            own_ms = self.read([(options.longest_shot, 1)]).word(options.longest_shot)
            self._longest_shot_ms = min(options.longest_shot_ms, own_ms)
        if options.watchdog is not None:
            self._watchdog_ms = self.read([(options.watchdog, 1)]).word(options.watchdog)

    def open_supply_for(self, duration_ms: int) -> None:
        """Open the supply for one shot, in ms. Refused before the wire when longer than the longest."""
        self._shoot(self._options.supply_shot, duration_ms, "supply")

    def open_vent_for(self, duration_ms: int) -> None:
        """Open the vent for one shot, in ms. Refused before the wire when longer than the longest."""
        self._shoot(self._options.vent_shot, duration_ms, "vent")

    def _shoot(self, register: int, duration_ms: int, valve: str) -> None:
        refuse_outside(self.name, f"a {valve} shot", duration_ms, 1, self._longest_shot_ms, "ms")
        self.link.write_register(register, duration_ms)

    def shut_vent(self) -> None:
        """Energise the vent: shut until the next command or until the heartbeat stops (no unit)."""
        self.link.write_register(self._options.vent_hold, 1)

    def open_vent(self) -> None:
        """De-energise the vent: open (no unit). Does not wait for a pause after a lost link."""
        self.link.write_register(self._options.vent_hold, 0, urgent=True)

    def shut_supply(self) -> None:
        """De-energise the supply: shut (no unit). Does not wait for a pause after a lost link."""
        self.link.write_register(self._options.supply, 0, urgent=True)

    def de_energise(self) -> None:
        """Drop every output: the safe state (no unit). Tried twice, since that does no harm."""
        for tries_left in reversed(range(_TRIES_TO_DE_ENERGISE)):
            try:
                self.link.write_register(self._options.de_energise, 1, urgent=True)
                return
            except DriverError as error:
                if not error.retryable or not tries_left:
                    raise

    def read_state(self) -> ValveState:
        """Read outputs, inputs and heartbeat (0 to 65535) in one request.

        Raises:
            BadReply: when the answer does not contain the block's own constant.
        """
        options = self._options
        registers = self.read(self._state_spans)
        self.check_proof(registers)
        outputs = registers.word(options.outputs)
        if outputs >> 2:
            raise BadReply(self.name, f"reports outputs {outputs:#06x}, but has only two")
        inputs = registers.word(options.inputs) if options.inputs is not None else None

        def input_bit(bit: int | None) -> bool | None:
            return None if bit is None or inputs is None else bool(inputs >> bit & 1)

        return ValveState(
            supply_open=bool(outputs >> _SUPPLY_BIT & 1),
            vent_open=not outputs >> _VENT_BIT & 1,
            lid_closed=input_bit(options.lid_bit),
            heartbeat=registers.word(options.heartbeat),
            watchdog_tripped=input_bit(options.watchdog_bit),
            pressure_switch_tripped=input_bit(options.pressure_switch_bit),
        )

    def beat(self, counter: int) -> None:
        """Write the heartbeat, 0 to 65535 (no unit). Refused before the wire outside that."""
        self._write_word(self._options.heartbeat, counter, "heartbeat")

    def write_owner(self, token: int) -> None:
        """Write this program's token, 0 to 65535 (no unit); nothing where the block has no such register."""
        if self._options.owner is not None:
            self._write_word(self._options.owner, token, "token")

    def read_owner(self) -> int:
        """Read the token back, 0 to 65535 (no unit); 0 where the block has no such register."""
        if self._options.owner is None:
            return 0
        return self.read([(self._options.owner, 1)]).word(self._options.owner)

    def _write_word(self, register: int, value: int, what: str) -> None:
        refuse_outside(self.name, f"a {what}", value, 0, 65535)
        self.link.write_register(register, value)
