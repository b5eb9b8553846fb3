"""Every kind of bench that seeds run on, its short procedure, and the person at a pot with hand valves."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache

from operators import Leaves, Obedient, Slow, SwearsByTheDial

from drivers.virtual_spec import FaultSpec, VirtualBenchError, VirtualSession
from grading.record.format import FileText
from grading.results import CellInfo
from rig.job.simulated_person import SimulatedPerson
from rig.setup.bench import open_bench
from rig.setup.bench_file import BenchFile, load_bench, parse_bench
from rig.setup.procedure import ProcedureFile, parse_procedure
from rig.view import View
from rig_configs.files.checked_toml import TomlText

SOLENOID, CONTROLLER = "solenoid", "controller"
HAND_TWO_GAUGES, HAND_ONE_GAUGE, HAND_DIAL = "hand_two_gauges", "hand_one_gauge", "hand_dial"
BY_HAND = (HAND_TWO_GAUGES, HAND_ONE_GAUGE, HAND_DIAL)
KINDS = (SOLENOID, CONTROLLER, *BY_HAND)

WORKING_PRESSURE_BAR = 3.5
"""On the plate of the pots with solenoid valves or a pressure controller."""
VOLUMES_L = (0.3, 1.0, 3.0)

_POT = """
schema = "leadline.bench/1"
name = "Skerry Point Bench (seeds)"
[limits]
working_pressure_bar = 3.5
stop_pressure_bar = 2.2
trip_pressure_bar = 2.3
relief_pressure_bar = 3.0
ramp_bar_per_min = 1.0
most_gas_l = 60.0
[pot]
volume_l = {volume_l}
lid_diameter_mm = 100
sockets = 2
[gas]
oxygen_fraction = 0.995
u_oxygen_fraction = 0.001
supply_pressure_bar = 3.5
[virtual]
drawer = "six_cells"
[instruments.scanner]
serial = "TW-8-0031"
role = "voltmeter"
driver = "scpi_scanner"
address = "virtual"
[instruments.scanner.options]
channels = "101:102"
nplc = 1
[instruments.gauge_a]
serial = "TG-20117"
role = "gauge"
driver = "modbus_gauge"
address = "virtual"
[instruments.gauge_b]
serial = "TG-20118"
role = "second_gauge"
driver = "modbus_gauge"
address = "virtual"
[instruments.barometer]
serial = "TB-10042"
role = "barometer"
driver = "modbus_gauge"
address = "virtual"
[instruments.thermometer]
serial = "TT-4-0113"
role = "thermometer"
driver = "scpi_thermometer"
address = "virtual"
[instruments.room]
role = "room_oxygen"
driver = "modbus_room_oxygen"
address = "virtual"
"""
_VALVES = """
[instruments.valves]
serial = "TV-00058"
role = "valves"
driver = "modbus_valves"
address = "virtual"
"""
_CONTROLLER = """
[instruments.controller]
serial = "TC-3-0009"
role = "controller"
driver = "scpi_pressure_controller"
address = "virtual"
"""

_PROCEDURE = """
schema = "leadline.procedure/1"
name = "seeds"
version = "1"
[purge]
method = "{method}"
low_bar = 1.05
high_bar = 2.0
swings = 7
flow_volumes = 6.0
[hold]
least_s = 20
cap_s = 40
[leak]
settle_s = 60
hold_s = 60
[[steps]]
po2_bar = 1.0
direction = "up"
[[steps]]
po2_bar = 1.4
direction = "up"
[[steps]]
po2_bar = 1.8
direction = "up"
[[steps]]
po2_bar = 1.4
direction = "down"
"""

_HAND_PROCEDURE = """
schema = "leadline.procedure/1"
name = "seeds by hand"
version = "1"
[purge]
swings = 5
least_oxygen_fraction = 0.95
[hold]
least_s = 20
cap_s = 40
[[steps]]
po2_bar = 1.0
direction = "up"
[[steps]]
po2_bar = 1.3
direction = "up"
[[steps]]
po2_bar = 1.6
direction = "up"
[[steps]]
po2_bar = 1.2
direction = "down"
"""
_SECOND_GAUGE = """
[instruments.gauge_b]
role = "second_gauge"
driver = "modbus_gauge"
address = "virtual"
serial = "TG-20312"

[instruments.barometer]
role = "barometer"
driver = "modbus_gauge"
address = "virtual"
serial = "TB-10043"

"""
_DIAL = """
[instruments.dial]
role = "gauge"
driver = "typed_gauge"
address = "virtual"
uncertainty = { zero_bar = 0.01, resolution_bar = 0.003 }

"""

CELLS = (CellInfo("TB-0417", socket=1), CellInfo("OS-1123", socket=2))
FOUR_CELLS = (*CELLS, CellInfo("SK-2041", socket=3), CellInfo("SK-2077", socket=4))
"""In every pot but that of the oldest seeds; two healthy ones more, drawn by their serials."""
LIMITS = FileText(name="general", file="general.toml", text="")

OBEDIENT, BY_HABIT = "obedient", "by_habit"
OPERATORS: dict[str, Callable[..., SimulatedPerson]] = {
    OBEDIENT: Obedient,
    BY_HABIT: SwearsByTheDial,
    "slow": Slow,
    "leaves": Leaves,
}
"""The persons at a hand pot; one of them answers '0 barg' at every question about the dial."""


@cache
def seed_bench(volume_l: float) -> BenchFile:
    """The bench with solenoid valves."""
    return parse_bench(TomlText("seeds.toml", _POT.format(volume_l=volume_l) + _VALVES))


@cache
def bench_of_kind(kind: str, volume_l: float) -> BenchFile:
    """A bench of another kind; the volume of a hand pot is that of the shipped one."""
    if kind == SOLENOID:
        return seed_bench(volume_l)
    if kind in BY_HAND:
        return _hand_bench(kind)
    two = _POT.format(volume_l=volume_l)
    four = two.replace("sockets = 2", "sockets = 4").replace("101:102", "101:104")
    return parse_bench(TomlText("seeds.toml", four + _CONTROLLER))


def cells_of(kind: str) -> tuple[CellInfo, ...]:
    """The cells in the pot of a kind of bench."""
    return CELLS if kind == SOLENOID else FOUR_CELLS


def _hand_bench(kind: str) -> BenchFile:
    text = load_bench("virtual_hand_pot").text
    before, _, rest = text.partition("[instruments.gauge]")
    gauge, _, after = rest.partition("[cells_uncertainty]")
    gauge = "[instruments.gauge]" + gauge
    gauges = {
        HAND_DIAL: _DIAL,
        HAND_ONE_GAUGE: gauge,
        HAND_TWO_GAUGES: gauge + _SECOND_GAUGE,
    }[kind]
    return parse_bench(TomlText("hand.toml", f"{before}{gauges}[cells_uncertainty]{after}"))


@cache
def seed_procedure(method: str) -> ProcedureFile:
    """The short procedure of the benches that need no hands."""
    return parse_procedure(TomlText("seeds_procedure.toml", _PROCEDURE.format(method=method)))


@cache
def hand_procedure() -> ProcedureFile:
    """The short procedure of a hand pot, which purges in swings."""
    return parse_procedure(TomlText("seeds_procedure.toml", _HAND_PROCEDURE))


def operator_at(
    name: str, virtual: VirtualSession, screen: View, bench: BenchFile, leaves_s: float
) -> SimulatedPerson:
    """The person of that name at a hand pot."""
    more = {"leaves_s": leaves_s} if name == "leaves" else {}
    today = datetime.now(UTC).date()
    return OPERATORS[name](screen, virtual.turn, virtual.pot, bench, today=today, **more)


@cache
def cannot_have(kind: str, fault: str, target: str) -> bool:
    """Whether a bench of that kind has no part for this fault."""
    with open_bench(
        bench_of_kind(kind, 1.0), cells=CELLS, seed=1, mode="direct", ask=lambda _: None
    ) as bench:
        assert bench.virtual is not None
        try:
            bench.virtual.inject(FaultSpec(fault, 9e5, target=target))
        except VirtualBenchError:
            return True
    return False
