"""A multi-channel millivolt input behind Modbus registers: it converts by itself, we read the latest values.

| register | holds |
|---|---|
| `first`, then every `step` | millivolts of each channel, by default float32, two registers a channel |
| `over_raw`, `under_raw` | raw value for over range, under range; often 32767 and -32768 |
| `fault_mask` | one bit a channel, set when the channel has no value |
| `update_s` | the module refreshes all channels this often, so a value is up to that old |
"""

from __future__ import annotations

import math

from pydantic import Field, model_validator

from drivers.errors import BadReply
from drivers.modbus.registers import ModbusInstrument, ModbusOptions, Number, Registers
from drivers.options import read_options
from drivers.ports import MOST_SOCKETS, ChannelReading, Clock, InstrumentSpec, ReadingStatus
from drivers.sentinels import status_of


class MillivoltOptions(ModbusOptions):
    """Options of a millivolt input: register of the first channel and what follows from it."""

    first: Number = Number(address=0)
    step: int = Field(default=2, ge=1, le=16)
    sockets: tuple[int, ...] = Field(default=(1, 2, 3, 4, 5, 6, 7, 8), max_length=MOST_SOCKETS)
    over_raw: int | None = None
    under_raw: int | None = None
    fault_mask: int | None = Field(default=None, ge=0, le=65535)
    update_s: float = Field(default=0.1, gt=0)

    @model_validator(mode="after")
    def _sensible(self) -> MillivoltOptions:
        if not self.sockets or len(set(self.sockets)) != len(self.sockets):
            raise ValueError("sockets must name at least one socket, and none twice")
        if self.step < self.first.count:
            raise ValueError(
                f"a {self.first.kind} takes {self.first.count} registers, so step must not be less"
            )
        return self


class ModbusMillivolts(ModbusInstrument):
    """A millivolt input; a scan is one block read."""

    def __init__(self, spec: InstrumentSpec, clock: Clock | None = None) -> None:
        self._options = read_options(MillivoltOptions, spec)
        super().__init__(spec, self._options, clock)
        options = self._options
        self._numbers = [
            options.first.model_copy(update={"address": options.first.address + index * options.step})
            for index in range(len(options.sockets))
        ]
        spans = [(number.address, number.count) for number in self._numbers] + list(self.proof_span())
        self._spans = tuple(spans + ([(options.fault_mask, 1)] if options.fault_mask is not None else []))
        self._scan: tuple[ChannelReading, ...] | None = None

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers in scan order."""
        return self._options.sockets

    @property
    def scan_duration_s(self) -> float:
        """How long a scan takes, in seconds: 0, since the module converts all the time."""
        return 0.0

    def send_settings(self) -> None:
        """Read all channels once (mV), so that an absent unit or a wrong map shows at the start."""
        self._read_all()

    def _read_all(self) -> Registers:
        registers = self.read(self._spans)
        self.check_proof(registers)
        return registers

    def begin_scan(self) -> None:
        """Read all channels, in mV, as the module holds them now."""
        self._scan = None
        registers = self._read_all()
        self._scan = tuple(
            self._reading(index, socket, registers) for index, socket in enumerate(self._options.sockets)
        )

    def collect_scan(self) -> tuple[ChannelReading, ...]:
        """Return what `begin_scan` read: millivolts, offsets in seconds.

        Raises:
            BadReply: when no scan has been started.
        """
        if self._scan is None:
            raise BadReply(self.name, "no scan is in progress; start one first")
        scan, self._scan = self._scan, None
        return scan

    def _reading(self, index: int, socket: int, registers: Registers) -> ChannelReading:
        options, number = self._options, self._numbers[index]
        raw = number.raw(registers, options.word_order)
        faulty = options.fault_mask is not None and registers.word(options.fault_mask) >> index & 1
        if faulty or not math.isfinite(raw):
            status = ReadingStatus.NO_VALUE
        elif options.over_raw is not None and raw == options.over_raw:
            status = ReadingStatus.OVER
        elif options.under_raw is not None and raw == options.under_raw:
            status = ReadingStatus.UNDER
        else:
            status = status_of(raw)
        output_mv = raw * number.scale + number.offset if status is ReadingStatus.OK else None
        # A value is between 0 and update_s old when it is read, at the start of the scan.
        return ChannelReading(socket, output_mv, status, -options.update_s / 2, options.update_s / 2)
