"""Opens a bench: from a checked bench file to instruments that answer, or the reasons why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Final

from drivers.errors import BadSpec, DriverError, LinkDown, LinkTimeout
from drivers.ports import (
    Barometer,
    Clock,
    Identity,
    Instrument,
    InstrumentSpec,
    PressureController,
    PressureGauge,
    RoomOxygenMonitor,
    Thermometer,
    ValveBlock,
    Voltmeter,
)
from drivers.virtual_spec import FaultSpec, VirtualInstrument, VirtualMode, VirtualSession, VirtualSpec
from grading.results import CellInfo
from rig.setup.bench_file import (
    BenchFile,
    PressureLimits,
    error_model,
    instrument_lines,
    load_bench,
    pressure_limits,
)
from rig_configs.files.checked_toml import FileError
from rig_configs.roles import ROLES

__all__ = [
    "BenchFile",
    "BenchNotReady",
    "OpenBench",
    "PressureLimits",
    "error_model",
    "instrument_lines",
    "load_bench",
    "open_bench",
    "open_bench_of",
    "open_parts",
    "pressure_limits",
    "virtual_spec",
]

# In lockstep bench time stands still while the wire is busy, so real time only guards against a hang.
_LOCKSTEP_PATIENCE_S: Final = 5.0


class BenchNotReady(Exception):
    """An instrument that does not answer, or is not the one described: refused before any gas (exit 3)."""


@dataclass(frozen=True, slots=True)
class OpenFailure:
    """Why one instrument could not be opened.

    Attributes:
        where: file and line of its entry.
        found: what happened, with its address.
        to_do: what to check.
    """

    name: str
    where: str
    found: str
    to_do: str

    def __str__(self) -> str:
        return f"{self.where}: {self.name}: {self.found}; {self.to_do}"


@dataclass
class BenchParts:
    """The instruments of a bench that could be opened, and why the others could not.

    Attributes:
        instruments: by name in the bench file.
        identities: what each instrument that answers reported as its identity.
        failures: why an instrument could not be opened, by its name.
        addresses: where each instrument was looked for.
    """

    file: BenchFile
    clock: Clock
    virtual: VirtualSession | None
    instruments: dict[str, Instrument] = field(default_factory=dict)
    identities: dict[str, Identity] = field(default_factory=dict)
    failures: dict[str, OpenFailure] = field(default_factory=dict)
    addresses: dict[str, str] = field(default_factory=dict)

    def close(self) -> None:
        """Close every link, then the virtual bench; safe to call twice."""
        for instrument in self.instruments.values():
            instrument.close()
        self.instruments.clear()
        if self.virtual is not None:
            self.virtual.stop()


@dataclass
class OpenBench:
    """A bench whose instruments all answered. A context manager: leaving it closes everything.

    Attributes:
        identities: the identity that each instrument reported, by its name in the bench file.
    """

    file: BenchFile
    voltmeter: Voltmeter
    gauge: PressureGauge
    second_gauge: PressureGauge | None
    valves: ValveBlock | None
    controller: PressureController | None
    thermometer: Thermometer | None
    barometer: Barometer | None
    clock: Clock
    virtual: VirtualSession | None
    identities: Mapping[str, Identity]
    parts: BenchParts
    room_oxygen: RoomOxygenMonitor | None

    def close(self) -> None:
        """Close every instrument and end a virtual bench; safe to call twice."""
        self.parts.close()

    def __enter__(self) -> OpenBench:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def open_bench(
    bench: BenchFile,
    *,
    cells: Sequence[CellInfo] = (),
    seed: int | None = None,
    mode: VirtualMode | None = None,
    speed: float = 1.0,
    faults: tuple[FaultSpec, ...] = (),
    ask: Callable[[str], str | None] | None = None,
) -> OpenBench:
    """Open every instrument of a bench; a virtual bench is started first.

    Args:
        bench: a checked bench file.
        cells: which cell sits in which socket; a virtual bench simulates them.
        seed: of a virtual bench; None takes the file's.
        mode: of a virtual bench; None is lockstep.
        speed: bench seconds per real second of a virtual bench in real time.
        faults: injected into a virtual bench.
        ask: puts a question to the operator, for an instrument that is read by eye.

    Raises:
        FileError: when an instrument's entry cannot be used as it stands.
        BenchNotReady: when an instrument does not answer or is not the one described; everything that was
            opened is closed again, and every instrument that failed is named with its address.
        VirtualBenchError: when the virtual bench cannot do what it is asked for.
    """
    parts = open_parts(bench, cells=cells, seed=seed, mode=mode, speed=speed, faults=faults, ask=ask)
    if parts.failures:
        parts.close()
        raise BenchNotReady("\n".join(str(failure) for failure in parts.failures.values()))
    return open_bench_of(parts)


def open_bench_of(parts: BenchParts) -> OpenBench:
    """Return the bench of parts that all answered."""
    bench = parts.file
    by_role: dict[str, Any] = dict.fromkeys(ROLES)
    by_role |= {entry.role: parts.instruments[name] for name, entry in bench.instruments.items()}
    return OpenBench(
        file=bench,
        clock=parts.clock,
        virtual=parts.virtual,
        identities=parts.identities,
        parts=parts,
        **by_role,
    )


def open_parts(
    bench: BenchFile,
    *,
    cells: Sequence[CellInfo] = (),
    seed: int | None = None,
    mode: VirtualMode | None = None,
    speed: float = 1.0,
    faults: tuple[FaultSpec, ...] = (),
    ask: Callable[[str], str | None] | None = None,
) -> BenchParts:
    """Open the instruments that answer, and note why others do not; the arguments are those of `open_bench`.

    Raises:
        FileError: when an instrument's entry cannot be used as it stands; nothing is left open.
        VirtualBenchError: when the virtual bench cannot do what it is asked for.
    """
    from drivers.catalogue import start_virtual
    from drivers.system_clock import SystemClock

    virtual: VirtualSession | None = None
    if bench.virtual is not None:
        virtual = start_virtual(virtual_spec(bench, cells, seed, mode, speed, faults))
    parts = BenchParts(bench, virtual.clock if virtual is not None else SystemClock(), virtual)
    by_itself = virtual is None or (mode or "lockstep") == "real_time"
    try:
        _build(parts, ask, patience_s=0.0 if by_itself else _LOCKSTEP_PATIENCE_S)
        _check_sockets(parts, cells)
        for name, instrument in parts.instruments.items():
            try:
                instrument.configure()
                parts.identities[name] = instrument.identify()
            except DriverError as error:
                parts.failures[name] = _failure(bench, name, parts.addresses[name], error)
    except BaseException:
        parts.close()
        raise
    return parts


def _build(parts: BenchParts, ask: Callable[[str], str | None] | None, patience_s: float) -> None:
    """Make every driver of the bench; nothing is sent yet.

    Raises:
        FileError: one sentence for every entry that its driver cannot use.
    """
    from drivers.catalogue import open_instrument

    bench, virtual = parts.file, parts.virtual
    problems = []
    for name, entry in bench.instruments.items():
        parts.addresses[name] = entry.address
        if virtual is not None and name in virtual.instruments:
            parts.instruments[name] = virtual.instruments[name]
            continue
        if virtual is not None and name in virtual.endpoints:
            parts.addresses[name] = virtual.endpoints[name]
        spec = InstrumentSpec(
            name=name,
            driver=entry.driver,
            address=parts.addresses[name],
            serial=entry.serial,
            deadline_s=entry.deadline_s,
            patience_s=patience_s,
            options=entry.options,
            link_timeout_s=entry.link_timeout_s,
        )
        try:
            parts.instruments[name] = open_instrument(spec, clock=parts.clock, ask=ask)
        except BadSpec as error:
            path = ("instruments", name, *error.key.split("."))
            problems.append(bench.source.problem(path, error.reason))
    if problems:
        raise FileError(*problems)


def _check_sockets(parts: BenchParts, cells: Sequence[CellInfo]) -> None:
    """Refuse a channel for a socket that the pot has not, and a cell in a socket that has no channel.

    Raises:
        FileError: naming the sockets and the voltmeter.
    """
    file = parts.file
    name = next(name for name, entry in file.instruments.items() if entry.role == "voltmeter")
    voltmeter = parts.instruments[name]
    read = voltmeter.sockets if isinstance(voltmeter, Voltmeter) else ()
    # A short for checking the voltmeter may be outside the pot.
    beyond = sorted(set(read) - {*file.sockets, file.scan.shorted_socket})
    if beyond:
        raise FileError(
            file.source.problem(
                ("instruments", name, "options"),
                f"reads socket {', '.join(map(str, beyond))}, but the pot has {file.pot.sockets} sockets "
                f"({file.source.where(('pot', 'sockets'))}); name no more channels than sockets",
            )
        )
    unread = sorted({cell.socket for cell in cells if cell.socket is not None} - set(read))
    if unread:
        raise FileError(
            parts.file.source.problem(
                ("instruments", name, "options"),
                f"no channel for socket {', '.join(map(str, unread))}, where a cell sits; it reads sockets "
                f"{min(read)} to {max(read)}",
            )
        )


def _failure(bench: BenchFile, name: str, address: str, error: DriverError) -> OpenFailure:
    to_do = (
        "check that it is switched on, its cable and its address"
        if isinstance(error, (LinkDown, LinkTimeout))
        else "check the instrument and its entry in the bench file"
    )
    # A driver's message may name the place as tcp://HOST:PORT without the unit; do not name it twice.
    place = address.rsplit("/", 1)[0] if "://" in address else address
    found = error.message if place in error.message else f"at {address}: {error.message}"
    return OpenFailure(name, bench.source.where(("instruments", name)), found, to_do)


def virtual_spec(
    bench: BenchFile,
    cells: Sequence[CellInfo] = (),
    seed: int | None = None,
    mode: VirtualMode | None = None,
    speed: float = 1.0,
    faults: tuple[FaultSpec, ...] = (),
    *,
    serial_lines: bool = False,
) -> VirtualSpec:
    """Return what the virtual bench has to simulate; the arguments are those of `open_bench`.

    With `serial_lines` every instrument is served on a pseudo-terminal as well.

    Raises:
        FileError: when the bench file has no [virtual] table.
    """
    from drivers.catalogue import driver_by_hand

    virtual = bench.virtual
    if virtual is None:
        raise FileError(f"{bench.file}: has no [virtual] table, so it is not a virtual bench")
    return VirtualSpec(
        drawer=virtual.drawer,
        seed=virtual.seed if seed is None else seed,
        mode=mode or "lockstep",
        speed=speed,
        volume_l=bench.pot.volume_l,
        supply_pressure_bar=bench.gas.supply_pressure_bar,
        oxygen_fraction=bench.gas.oxygen_fraction,
        bottle_l=virtual.bottle_l,
        bottle_bar=virtual.bottle_bar,
        relative_humidity=bench.ambient.relative_humidity,
        room_pressure_bar=virtual.room_pressure_bar,
        room_temperature_c=virtual.room_temperature_c,
        relief_pressure_bar=bench.limits.relief_pressure_bar,
        pressure_switch_bar=virtual.pressure_switch_bar,
        watchdog_s=virtual.watchdog_s,
        leak_ml_per_s_bar=virtual.leak_ml_per_s_bar,
        supply_restrictor_mm=virtual.supply_restrictor_mm,
        vent_restrictor_mm=virtual.vent_restrictor_mm,
        cells={cell.socket: cell.cell for cell in cells if cell.socket is not None},
        instruments={
            name: VirtualInstrument(
                role=entry.role,
                driver=entry.driver,
                serial=entry.serial,
                deadline_s=entry.deadline_s,
                options=entry.options,
                link_timeout_s=entry.link_timeout_s,
            )
            for name, entry in bench.instruments.items()
            if not driver_by_hand(entry.driver)
        },
        faults=faults,
        serial_lines=serial_lines,
    )
