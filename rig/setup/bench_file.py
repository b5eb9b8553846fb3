"""A bench file, checked: the limits, the pot, the gas and every instrument of one rig."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, Literal

from pydantic import Field

from drivers.ports import MOST_SOCKETS, Identity
from grading.measurement import ErrorModel
from grading.results import InstrumentLine
from rig.setup.procedure import ProcedureFile
from rig.setup.shared_addresses import shared_address_problems
from rig_configs.files.checked_toml import FileError, StrictModel, TomlText, parse
from rig_configs.files.shipped_files import CheckedFile, open_config
from rig_configs.files.suggestions import suggestion
from rig_configs.roles import DEADLINE_S, FIGURE_ROLES, MOVING_ROLES, ROLES, BenchKind, Role

SCHEMA: Final = "leadline.bench/1"
VIRTUAL_ADDRESS: Final = "virtual"
FAST_RAMP_BAR_PER_MIN: Final = 1.0
"""Faster ramps cause a caution; up to twice this may be commanded."""


class Limits(StrictModel):
    """What the pot and the run may not exceed; absolute pressures."""

    working_pressure_bar: float = Field(gt=1, le=20, description="plate value of the pot, absolute bar")
    stop_pressure_bar: float | None = Field(
        default=None, gt=1, le=20, description="pressure that stops filling"
    )
    trip_pressure_bar: float | None = Field(
        default=None, gt=1, le=20, description="pressure that trips the run"
    )
    relief_pressure_bar: float = Field(gt=1, le=20, description="set pressure of the relief valve")
    ramp_bar_per_min: float = Field(default=0.5, gt=0, le=2.0, description="fastest ramp, up and down")
    most_gas_l: float = Field(default=60.0, gt=0, le=2000, description="most oxygen for one run, in litres")
    fastest_vent_bar_per_min: float = Field(
        default=30.0,
        gt=0,
        le=600,
        description="fastest fall through the vent at 2 bar absolute; a gauge that falls faster is not "
        "believed",
    )
    """The default is a judgement: three times the 10 bar/min that the vent's restrictor is made for."""


class Pot(StrictModel):
    """The pressure pot."""

    volume_l: float = Field(ge=0.02, le=20, description="free gas volume of the pot, in litres")
    lid_diameter_mm: float = Field(ge=20, le=600, description="diameter that pressure acts on, in mm")
    sockets: int = Field(ge=1, le=MOST_SOCKETS, description="number of cell sockets")
    serial: str = Field(default="", description="serial number on the plate of the pot")


class Gas(StrictModel):
    """The oxygen supply."""

    oxygen_fraction: float = Field(gt=0.5, le=1.0, description="dry oxygen fraction of the bottle")
    u_oxygen_fraction: float = Field(gt=0, le=0.1, description="standard uncertainty of that fraction")
    supply_pressure_bar: float = Field(gt=1, le=20, description="regulator outlet, absolute bar")
    bottle: str = Field(default="", max_length=40, description="serial or fill number of the bottle in use")


class Ambient(StrictModel):
    """Properties of the room that no instrument measures."""

    relative_humidity: float = Field(default=0.5, ge=0, le=1, description="relative humidity, 0 to 1")
    u_relative_humidity: float = Field(default=0.1, gt=0, le=0.5, description="its standard uncertainty")


class Scan(StrictModel):
    """How often the rig reads."""

    interval_s: float = Field(default=0.2, ge=0.05, le=5.0, description="time from scan to scan, in seconds")
    shorted_socket: int | None = Field(
        default=None,
        ge=1,
        le=MOST_SOCKETS,
        description="socket that holds a short for checking the voltmeter",
    )


class Virtual(StrictModel):
    """What a virtual bench simulates."""

    drawer: str = Field(default="six_cells", description="set of invented cells")
    seed: int = Field(default=417, ge=0)
    bottle_l: float = Field(default=10.0, gt=0)
    bottle_bar: float = Field(default=180.0, gt=0)
    room_pressure_bar: float | None = Field(default=None, gt=0.5, lt=1.2)
    room_temperature_c: float | None = Field(default=None, ge=5, le=40)
    leak_ml_per_s_bar: float = Field(default=0.0002, ge=0)
    supply_restrictor_mm: float | None = Field(default=None, gt=0, le=2)
    vent_restrictor_mm: float | None = Field(default=None, gt=0, le=5)
    pressure_switch_bar: float | None = Field(default=2.7, gt=1)
    watchdog_s: float | None = Field(default=2.0, gt=0)


class InstrumentEntry(StrictModel):
    """One instrument of a bench file."""

    role: Role
    driver: str = Field(min_length=1, description="name of the driver")
    address: str = Field(min_length=1, description="VISA resource or Modbus address")
    maker: str = ""
    serial: str = ""
    calibrated: date | None = Field(default=None, description="day of the last calibration")
    due: date | None = Field(default=None, description="day the next calibration is due")
    certificate: str = ""
    deadline_s: float = Field(
        default=DEADLINE_S, gt=0, le=30, description="longest wait for one answer, in seconds"
    )
    link_timeout_s: float | None = Field(
        default=None,
        ge=2,
        le=60,
        description="silence after which a pressure controller vents by itself, in seconds",
    )
    link_timeout_proven: date | None = Field(
        default=None, description="day a person has seen it vent by itself"
    )
    options: dict[str, Any] = Field(default_factory=dict)
    uncertainty: dict[str, float] = Field(default_factory=dict)

    def overdue(self, today: date) -> bool:
        """Return whether the calibration has expired."""
        return self.due is not None and self.due < today


class CellsUncertainty(StrictModel):
    """What the cells themselves add to the uncertainty; standard uncertainties."""

    temperature_percent_per_k: float = Field(default=0.2, ge=0, le=5)
    temperature_gradient_k: float = Field(default=0.1, ge=0, le=10)
    repeatability_percent: float = Field(default=0.03, ge=0, le=5)


class _BenchModel(StrictModel):
    schema_: Literal["leadline.bench/1"] = Field(alias="schema")
    name: str = Field(min_length=1, description="name printed on certificates")
    place: str = Field(default="", description="where the test is done")
    limits: Limits
    pot: Pot
    gas: Gas
    ambient: Ambient = Ambient()
    scan: Scan = Scan()
    virtual: Virtual | None = None
    instruments: dict[str, InstrumentEntry] = Field(min_length=1)
    cells_uncertainty: CellsUncertainty = CellsUncertainty()


@dataclass(frozen=True, slots=True)
class BenchFile(CheckedFile):
    """A checked bench file.

    Attributes:
        virtual: None on a bench of hardware.
        instruments: by the name the file gives them, in the file's order.
    """

    name: str
    place: str
    limits: Limits
    pot: Pot
    gas: Gas
    ambient: Ambient
    scan: Scan
    virtual: Virtual | None
    instruments: Mapping[str, InstrumentEntry]
    cells_uncertainty: CellsUncertainty

    @property
    def sockets(self) -> range:
        """Socket numbers of the pot, from 1."""
        return range(1, self.pot.sockets + 1)

    @property
    def has_hand_valves(self) -> bool:
        """Whether a person turns the valves of this bench."""
        return not any(self.by_role(role) for role in MOVING_ROLES)

    def by_role(self, role: Role) -> tuple[str, InstrumentEntry] | None:
        """Return name and entry of the instrument with this role, or None."""
        return next(((name, entry) for name, entry in self.instruments.items() if entry.role == role), None)


@dataclass(frozen=True, slots=True)
class PressureLimits:
    """The pressures a run is held to, all absolute, with the defaults filled in.

    Attributes:
        stop_bar: filling stops here.
        trip_bar: the run trips here.
    """

    working_bar: float
    stop_bar: float
    trip_bar: float
    relief_bar: float
    ramp_bar_per_min: float
    most_gas_l: float


def load_bench(name_or_path: str | Path) -> BenchFile:
    """Load a bench file: a shipped name such as `virtual_bench`, or a path.

    Raises:
        FileError: naming file, line, key, what is wrong and what would be right.
    """
    return parse_bench(open_config("benches", name_or_path))


def parse_bench(source: TomlText) -> BenchFile:
    """Check the text of a bench file.

    Raises:
        FileError: naming file, line, key, what is wrong and what would be right.
    """
    model = parse(source, _BenchModel)
    problems = [
        *_limit_problems(source, model.limits),
        *_supply_problems(source, model),
        *_role_problems(source, model),
        *_instrument_problems(source, model),
        *_address_problems(source, model),
    ]
    if problems:
        raise FileError(*problems)
    return BenchFile(
        source=source,
        name=model.name,
        place=model.place,
        limits=model.limits,
        pot=model.pot,
        gas=model.gas,
        ambient=model.ambient,
        scan=model.scan,
        virtual=model.virtual,
        instruments=model.instruments,
        cells_uncertainty=model.cells_uncertainty,
    )


def pressure_limits(bench: BenchFile, procedure: ProcedureFile) -> PressureLimits:
    """Check a procedure against the limits of the pot.

    Raises:
        FileError: for every step or swing that the pot, its limits or its supply do not allow.
    """
    limits = bench.limits
    highest = procedure.highest_target_bar()
    stop = limits.stop_pressure_bar if limits.stop_pressure_bar is not None else highest + 0.2
    trip = limits.trip_pressure_bar if limits.trip_pressure_bar is not None else max(highest, stop) + 0.1
    ceilings = [
        (limits.working_pressure_bar, "working_pressure_bar", ("limits", "working_pressure_bar")),
        (stop, "stop_pressure_bar", ("limits", "stop_pressure_bar")),
        (bench.gas.supply_pressure_bar, "supply_pressure_bar", ("gas", "supply_pressure_bar")),
    ]
    wanted: list[tuple[tuple[str | int, ...], str, float]] = [
        (
            ("steps", number, "po2_bar"),
            f"PO2 {step.po2_bar:g} bar needs {step.po2_bar / procedure.purge.least_oxygen_fraction:.2f} bar "
            "absolute",
            step.po2_bar / procedure.purge.least_oxygen_fraction,
        )
        for number, step in enumerate(procedure.steps)
    ]
    if procedure.purge.method == "swings":
        swing = procedure.purge.high_bar
        wanted.append((("purge", "high_bar"), f"a swing to {swing:g} bar absolute", swing))
    lowest = min(ceiling for ceiling, _, _ in ceilings)
    problems = []
    for path, what, target in wanted:
        for ceiling, key, bench_path in ceilings:
            if target > ceiling:
                problems.append(
                    procedure.source.problem(
                        path,
                        f"{what}, above {key} {ceiling:g} bar of {bench.source.where(bench_path)}; "
                        f"{_highest_allowed(path, lowest, procedure)}",
                    )
                )
                break
    if not problems and trip > limits.relief_pressure_bar:
        problems.append(
            bench.source.problem(
                ("limits", "relief_pressure_bar"),
                f"{limits.relief_pressure_bar:g} bar would lift before the run trips at {trip:.2f} bar; "
                "lower the steps of the procedure",
            )
        )
    if problems:
        raise FileError(*problems)
    return PressureLimits(
        working_bar=limits.working_pressure_bar,
        stop_bar=stop,
        trip_bar=trip,
        relief_bar=limits.relief_pressure_bar,
        ramp_bar_per_min=limits.ramp_bar_per_min,
        most_gas_l=limits.most_gas_l,
    )


def error_model(bench: BenchFile) -> ErrorModel:
    """Return the standard uncertainties of a bench; a term missing from the file keeps the stated default."""
    values: dict[str, float] = {
        "bottle_oxygen_fraction": bench.gas.u_oxygen_fraction,
        "relative_humidity": bench.ambient.u_relative_humidity,
        "cell_temperature_percent_per_k": bench.cells_uncertainty.temperature_percent_per_k,
        "temperature_gradient_k": bench.cells_uncertainty.temperature_gradient_k,
        "cell_repeatability_percent": bench.cells_uncertainty.repeatability_percent,
    }
    for role in FIGURE_ROLES:
        found = bench.by_role(role)
        if found is not None:
            for term, value in found[1].uncertainty.items():
                values[ROLES[role].terms[term]] = value
    return replace(ErrorModel(source=f"bench file {bench.file}"), **values)  # type: ignore[arg-type]


def instrument_lines(
    bench: BenchFile, today: date, identities: Mapping[str, Identity] | None = None
) -> tuple[InstrumentLine, ...]:
    """Return the instruments as a record and a certificate list them.

    Args:
        bench: the bench file.
        today: the day that calibrations are judged on.
        identities: the identity that each instrument reported, by name.
    """
    said = identities or {}
    return tuple(
        InstrumentLine(
            name=name,
            role=entry.role,
            serial=entry.serial or (said[name].serial if name in said else ""),
            identity=_identity_text(said[name]) if name in said else entry.maker,
            calibrated=entry.calibrated.isoformat() if entry.calibrated else "",
            due=entry.due.isoformat() if entry.due else "",
            overdue=entry.overdue(today),
            uncertainty=", ".join(_term_text(term, value) for term, value in entry.uncertainty.items()),
        )
        for name, entry in bench.instruments.items()
    )


def _highest_allowed(path: tuple[str | int, ...], ceiling: float, procedure: ProcedureFile) -> str:
    if path[0] == "purge":
        return f"write at most {ceiling:g}"
    return f"write at most {int(ceiling * procedure.purge.least_oxygen_fraction * 100) / 100:g}"


def _identity_text(identity: Identity) -> str:
    parts = (identity.maker, identity.model, identity.firmware and f"firmware {identity.firmware}")
    return " ".join(part for part in parts if part)


def _term_text(term: str, value: float) -> str:
    for ending, unit in (("_percent_per_hour", "%/h"), ("_bar", "bar"), ("_mv", "mV"), ("_k", "K")):
        if term.endswith(ending):
            return f"{term.removesuffix(ending).replace('_', ' ')} {value:g} {unit}"
    return f"{term.replace('_', ' ')} {100 * value:g} %"


def _limit_problems(source: TomlText, limits: Limits) -> Iterator[str]:
    ladder = [
        ("stop_pressure_bar", limits.stop_pressure_bar),
        ("trip_pressure_bar", limits.trip_pressure_bar),
        ("relief_pressure_bar", limits.relief_pressure_bar),
        ("working_pressure_bar", limits.working_pressure_bar),
    ]
    set_ones = [(key, value) for key, value in ladder if value is not None]
    for (lower_key, lower), (upper_key, upper) in pairwise(set_ones):
        equal_is_right = upper_key == "working_pressure_bar"
        if lower > upper or (lower == upper and not equal_is_right):
            yield source.problem(
                ("limits", lower_key),
                f"{lower:g} bar is not below {upper_key} {upper:g} bar; "
                "the order is stop, trip, relief, working",
            )
    if limits.fastest_vent_bar_per_min <= limits.ramp_bar_per_min:
        yield source.problem(
            ("limits", "fastest_vent_bar_per_min"),
            f"{limits.fastest_vent_bar_per_min:g} bar/min is not above ramp_bar_per_min "
            f"{limits.ramp_bar_per_min:g} bar/min: no gauge would be believed while the pot is vented",
        )


def _supply_problems(source: TomlText, model: _BenchModel) -> Iterator[str]:
    """With every valve stuck and the relief valve failed, only the regulator limits the pressure."""
    plate_bar, supply_bar = model.limits.working_pressure_bar, model.gas.supply_pressure_bar
    plate = source.where(("limits", "working_pressure_bar"))
    if supply_bar > plate_bar:
        yield source.problem(
            ("gas", "supply_pressure_bar"),
            f"{supply_bar:g} bar is more than the pot may take, working_pressure_bar {plate_bar:g} bar "
            f"({plate}); set the regulator no higher than the plate",
        )


def _role_problems(source: TomlText, model: _BenchModel) -> Iterator[str]:
    holders: dict[str, list[str]] = {}
    for name, entry in model.instruments.items():
        holders.setdefault(entry.role, []).append(name)
    for role, names in holders.items():
        for name in names[1:]:
            yield source.problem(
                ("instruments", name, "role"),
                f"'{role}' is already the role of '{names[0]}' "
                f"(line {source.lines.get(('instruments', names[0]), '?')}); each role has one instrument",
            )
    kind: BenchKind = "hands"
    if holders.keys() & MOVING_ROLES:
        kind = "valves" if "valves" in holders else "controller"
    for role, needed in ROLES.items():
        if kind in needed.required_by and role not in holders:
            yield source.problem(
                ("instruments",),
                f"no instrument has role '{role}', needed {needed.why_required}; "
                "add [instruments.NAME] with it",
            )
    if "valves" in holders and "controller" in holders:
        yield source.problem(
            ("instruments", holders["controller"][0], "role"),
            f"a bench has valves ('{holders['valves'][0]}') or a controller, not both",
        )


def _instrument_problems(source: TomlText, model: _BenchModel) -> Iterator[str]:
    from drivers.catalogue import WITHDRAWN, driver_names, driver_roles

    names = driver_names()
    for name, entry in model.instruments.items():
        base = ("instruments", name)
        if entry.driver not in names:
            mend = WITHDRAWN.get(entry.driver) or suggestion(entry.driver, names)
            yield source.problem((*base, "driver"), f"no driver is called '{entry.driver}'; {mend}")
        elif (roles := driver_roles(entry.driver)) and entry.role not in roles:
            fitting = [other for other in names if entry.role in driver_roles(other)]
            yield source.problem(
                (*base, "driver"),
                f"'{entry.driver}' cannot serve as {entry.role}; "
                f"drivers that can: {', '.join(sorted(fitting))}",
            )
        if model.virtual is not None and entry.address != VIRTUAL_ADDRESS:
            yield source.problem(
                (*base, "address"),
                f"'{entry.address}' on a bench with a [virtual] table; write \"{VIRTUAL_ADDRESS}\"",
            )
        if model.virtual is None and entry.address == VIRTUAL_ADDRESS:
            yield source.problem(
                (*base, "address"),
                '"virtual" needs a [virtual] table; write the address of the instrument',
            )
        if entry.calibrated is not None and entry.due is not None and entry.due <= entry.calibrated:
            yield source.problem((*base, "due"), f"{entry.due} is not after calibrated {entry.calibrated}")
        yield from _link_timeout_problems(source, name, entry, model.scan.interval_s)
        terms = ROLES[entry.role].terms
        for term, value in entry.uncertainty.items():
            path = (*base, "uncertainty", term)
            if term not in terms:
                mend = suggestion(term, terms) if terms else f"a {entry.role} has none"
                yield source.problem(path, f"unknown key; {mend}")
            elif value < 0:
                yield source.problem(path, f"should not be negative, found {value}")


def _link_timeout_problems(
    source: TomlText, name: str, entry: InstrumentEntry, interval_s: float
) -> Iterator[str]:
    if entry.link_timeout_s is not None and entry.role != "controller":
        yield source.problem(
            ("instruments", name, "link_timeout_s"),
            f"only a pressure controller vents by itself, and '{name}' is the {entry.role}; leave it out",
        )
    # A run asks the controller in every second scan, and one or two answers may be lost.
    least_s = 8.0 * interval_s
    if entry.link_timeout_s is not None and entry.link_timeout_s < least_s:
        yield source.problem(
            ("instruments", name, "link_timeout_s"),
            f"{entry.link_timeout_s:g} s may end a run without cause: the controller gets a message every "
            f"{2 * interval_s:g} s ([scan] interval_s {interval_s:g}); write at least {least_s:g}",
        )
    if entry.link_timeout_proven is not None and entry.link_timeout_s is None:
        yield source.problem(
            ("instruments", name, "link_timeout_proven"),
            "which time-out was proven is missing; write link_timeout_s beside it",
        )


def _address_problems(source: TomlText, model: _BenchModel) -> Iterator[str]:
    from drivers.catalogue import driver_by_hand

    if model.virtual is None:
        addressed = {
            name: entry
            for name, entry in model.instruments.items()
            if entry.address != VIRTUAL_ADDRESS and not driver_by_hand(entry.driver)
        }
        yield from shared_address_problems(source, addressed)
