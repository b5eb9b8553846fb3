"""What a session makes from a bench file and an open bench before its first tick."""

from __future__ import annotations

from collections.abc import Sequence

from drivers.ports import read_by_hand
from drivers.system_clock import SystemClock
from rig.loop.acquisition import Acquisition, Instruments
from rig.loop.schedule import Schedule
from rig.safety.limits import SafetyLimits
from rig.safety.set_point import SetPoint
from rig.setup.bench import OpenBench
from rig.setup.bench_file import BenchFile, pressure_limits
from rig.setup.procedure import ProcedureFile
from rig_configs.roles import Role

_COARSE_BAR = 1e-4
"""Standard uncertainty of a gauge's digits above which equal readings in a row are normal."""


def safety_limits(bench: BenchFile, procedure: ProcedureFile) -> SafetyLimits:
    """Return the limits of a run.

    Raises:
        FileError: bench and procedure do not fit together.
    """
    pressures = pressure_limits(bench, procedure)
    return SafetyLimits(
        working_pressure_bar=pressures.working_bar,
        stop_pressure_bar=pressures.stop_bar,
        trip_pressure_bar=pressures.trip_bar,
        ramp_bar_per_min=pressures.ramp_bar_per_min,
        most_gas_l=pressures.most_gas_l,
        volume_l=bench.pot.volume_l,
        lid_diameter_mm=bench.pot.lid_diameter_mm,
        fastest_vent_bar_per_min=bench.limits.fastest_vent_bar_per_min,
    )


def reader_of(
    bench: OpenBench, schedule: Schedule, set_point: SetPoint, limits: SafetyLimits, sockets: Sequence[int]
) -> Acquisition:
    """Return the reader of the instruments of an open bench."""
    instruments = Instruments(
        None if read_by_hand(bench.gauge) else bench.gauge,
        bench.voltmeter,
        bench.second_gauge or bench.controller,
        bench.thermometer,
        bench.barometer,
        bench.room_oxygen,
    )
    return Acquisition(
        instruments,
        schedule,
        set_point,
        limits,
        sockets,
        suspended=None if isinstance(bench.clock, SystemClock) else _never_suspended,
        coarse_gauge=_is_coarse(bench.file, "gauge"),
        coarse_second_gauge=_is_coarse(bench.file, "second_gauge"),
    )


def _is_coarse(bench: BenchFile, role: Role) -> bool:
    """Whether a gauge shows such coarse digits that it repeats itself at rest."""
    gauge = bench.by_role(role)
    return gauge is not None and gauge[1].uncertainty.get("resolution_bar", 0.0) > _COARSE_BAR


def _never_suspended() -> float:
    return 0.0
