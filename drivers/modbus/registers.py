"""Register maps as data, and the common part of Modbus instruments: identity, word order, one block read.

| fact | our words |
|---|---|
| address | 0-based, as on the wire; many manuals count from 1 |
| byte order | high byte first within a register, by the Modbus specification |
| word order | of a 32-bit number: not specified, so an option, proved by a constant that the unit holds |
| block | registers that belong together are read in one request, so that they are from one moment |
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable
from typing import Literal

from pydantic import Field, field_validator

from drivers.errors import BadReply, NoReading, WrongInstrument
from drivers.identity import check_serial
from drivers.modbus.link import MOST_REGISTERS, ModbusLink, Table
from drivers.options import Options
from drivers.ports import Clock, Identity, InstrumentSpec, ReadingStatus

NumberKind = Literal["float32", "int16", "uint16", "int32", "uint32"]
WordOrder = Literal["big", "little"]

_CODES = {"float32": ">f", "int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I"}
_PROOF_TOLERANCE = 1e-6


def _raw_value(words: tuple[int, ...], kind: NumberKind, order: WordOrder) -> float:
    data = struct.pack(f">{len(words)}H", *(words if order == "big" else reversed(words)))
    return float(struct.unpack(_CODES[kind], data)[0])


class Number(Options):
    """A number in one or two registers: value = raw * `scale` + `offset`."""

    address: int = Field(ge=0, le=65535)
    kind: NumberKind = "float32"
    scale: float = 1.0
    offset: float = 0.0

    @field_validator("scale")
    @classmethod
    def _not_zero(cls, scale: float) -> float:
        if scale == 0:
            raise ValueError("scale must not be 0")
        return scale

    @property
    def count(self) -> int:
        """Registers that it takes."""
        return 2 if self.kind.endswith("32") else 1

    def decode(self, registers: Registers, order: WordOrder) -> float:
        """Return the value; not finite when the float is not."""
        return self.raw(registers, order) * self.scale + self.offset

    def raw(self, registers: Registers, order: WordOrder) -> float:
        """Return the number in the registers, before scale and offset."""
        return _raw_value(registers.words(self.address, self.count), self.kind, order)

    def encode(self, value: float, order: WordOrder) -> tuple[int, ...]:
        """Return the registers for `value`.

        Raises:
            ValueError: when the kind cannot hold it.
        """
        raw = (value - self.offset) / self.scale
        try:
            data = struct.pack(_CODES[self.kind], raw if self.kind == "float32" else round(raw))
        except (struct.error, OverflowError):
            raise ValueError(f"{value:g} does not fit a {self.kind}") from None
        words = struct.unpack(f">{self.count}H", data)
        return words if order == "big" else words[::-1]


class Proof(Options):
    """A float that the unit always holds, which proves word order and that an answer comes from this unit."""

    address: int = Field(ge=0, le=65535)
    value: float = math.pi

    def holds(self, registers: Registers, order: WordOrder) -> bool:
        """Whether the registers carry the constant in this word order."""
        found = _raw_value(registers.words(self.address, 2), "float32", order)
        return math.isclose(found, self.value, rel_tol=_PROOF_TOLERANCE, abs_tol=1e-12)


class SerialNumber(Options):
    """Where the unit's serial number is: ASCII, two characters a register, or one unsigned number."""

    address: int = Field(ge=0, le=65535)
    count: int = Field(default=4, ge=1, le=16)
    kind: Literal["ascii", "number"] = "ascii"

    def decode(self, registers: Registers) -> str:
        """Return the serial number as text, without padding."""
        words = registers.words(self.address, self.count)
        if self.kind == "number":
            return str(int.from_bytes(struct.pack(f">{self.count}H", *words), "big"))
        data = struct.pack(f">{self.count}H", *words)
        return data.decode("ascii", errors="replace").strip("\0 ")


class Registers:
    """Registers that were read, by address."""

    def __init__(self) -> None:
        self._words: dict[int, int] = {}

    def add(self, address: int, words: Iterable[int]) -> None:
        """Add the registers read from `address` on."""
        for index, word in enumerate(words):
            self._words[address + index] = word

    def words(self, address: int, count: int) -> tuple[int, ...]:
        """Return `count` registers from `address`; they must have been read."""
        return tuple(self._words[address + index] for index in range(count))

    def word(self, address: int) -> int:
        """Return one register."""
        return self._words[address]


Span = tuple[int, int]
"""First register and number of registers."""


def read_block(
    link: ModbusLink, spans: Iterable[Span], table: Table = "holding", *, in_one: bool = True
) -> Registers:
    """Read all `spans`, in one request where they lie close enough and `in_one` allows it.

    Raises as `ModbusLink.read_registers` does.
    """
    ordered = sorted(spans)
    registers = Registers()
    start, end = ordered[0][0], max(first + count for first, count in ordered)
    if in_one and end - start <= MOST_REGISTERS:
        registers.add(start, link.read_registers(start, end - start, table))
        return registers
    for first, count in ordered:
        registers.add(first, link.read_registers(first, count, table))
    return registers


class ModbusOptions(Options):
    """Options of every Modbus driver.

    `word_order` of 32-bit numbers; `proof` and `serial` where the unit has them, else `false`; `in_one_block`
    false for a unit that refuses to read across unused registers.
    """

    table: Literal["holding", "input"] = "holding"
    word_order: WordOrder = "big"
    in_one_block: bool = True
    proof: Proof | None = None
    serial: SerialNumber | None = None


class StatusBits(Options):
    """Which bits of a status register mean that there is no reading; `false` for a bit it does not have."""

    address: int = Field(default=4, ge=0, le=65535)
    fault_bit: int | None = Field(default=0, ge=0, le=15)
    over_bit: int | None = Field(default=1, ge=0, le=15)
    under_bit: int | None = Field(default=2, ge=0, le=15)

    def check(self, instrument: str, registers: Registers) -> None:
        """Raise NoReading when a bit says that the reading is not usable."""
        word = registers.word(self.address)
        for bit, text, status in (
            (self.fault_bit, "reports a sensor fault", ReadingStatus.NO_VALUE),
            (self.over_bit, "reads above its range", ReadingStatus.OVER),
            (self.under_bit, "reads below its range", ReadingStatus.UNDER),
        ):
            if bit is not None and word >> bit & 1:
                raise NoReading(instrument, text, status)


class ModbusInstrument:
    """One Modbus unit: identity and proof of word order. Drivers add their readings.

    Args:
        spec: the bench file's entry.
        options: its checked options.
        clock: the rig's clock, for the pause between reconnects.
    """

    def __init__(self, spec: InstrumentSpec, options: ModbusOptions, clock: Clock | None = None) -> None:
        self._spec = spec
        self._common = options
        self.link = ModbusLink(
            spec.name, spec.address, deadline_s=spec.deadline_s, patience_s=spec.patience_s, clock=clock
        )

    @property
    def name(self) -> str:
        """Name in the bench file."""
        return self._spec.name

    def identify(self) -> Identity:
        """Read the serial number, where the unit has one."""
        where = self._common.serial
        if where is None:
            return Identity()
        return Identity(serial=where.decode(self.read([(where.address, where.count)])))

    def configure(self) -> None:
        """Check serial number and word order; writes nothing that moves gas or switches an output."""
        self.link.configure(self._configure)

    def close(self) -> None:
        """Close the link; never raises."""
        self.link.close()

    def _configure(self) -> None:
        if self._common.serial is not None:
            check_serial(self._spec, self.identify())
        proof = self._common.proof
        if proof is not None:
            self.check_proof(self.read([(proof.address, 2)]))
        self.send_settings()

    def send_settings(self) -> None:
        """Send and check this driver's own settings; none by default."""

    def read(self, spans: Iterable[Span]) -> Registers:
        """Read registers that belong together."""
        return read_block(self.link, spans, self._common.table, in_one=self._common.in_one_block)

    def checked_number(self, number: Number, status: StatusBits | None) -> float:
        """Read one number together with the proof and, where the unit has one, its status.

        Raises:
            NoReading: when the status or the number says that the unit has none.
            WrongInstrument, BadReply: as of `check_proof`.
        """
        spans = [(number.address, number.count), *self.proof_span()]
        if status is not None:
            spans.append((status.address, 1))
        registers = self.read(spans)
        self.check_proof(registers)
        if status is not None:
            status.check(self.name, registers)
        value = number.decode(registers, self._common.word_order)
        if not math.isfinite(value):
            raise NoReading(self.name, "has no value")
        return value

    def proof_span(self) -> tuple[Span, ...]:
        """Return the registers of the proof, to be read with every block; none without one."""
        proof = self._common.proof
        return () if proof is None else ((proof.address, 2),)

    def check_proof(self, registers: Registers) -> None:
        """Check the constant in `registers`.

        Raises:
            WrongInstrument: when it is in the other word order.
            BadReply: when it is missing; the answer is not this unit's, or not to this request.
        """
        proof, order = self._common.proof, self._common.word_order
        if proof is None or proof.holds(registers, order):
            return
        other: WordOrder = "little" if order == "big" else "big"
        if proof.holds(registers, other):
            raise WrongInstrument(
                self.name, f'sends its words in the other order; write word_order = "{other}" in its options'
            )
        raise BadReply(self.name, f"register {proof.address} does not hold {proof.value:.6g}, as it must")
