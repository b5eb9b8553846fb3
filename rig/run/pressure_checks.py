"""The checks of a pot's gauges before any gas: noise, vented zero, and whether the pot is under pressure."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterator
from typing import Any, Final, TypeVar

from drivers.errors import DriverError
from drivers.ports import Barometer, PressureController, PressureGauge, read_by_hand
from rig.run.checks import Check
from rig.safety.limits import SafetyLimits
from rig.safety.vented_zero import PotPressure, pot_pressure, vented_zero_problems
from rig.setup.bench import BenchParts
from rig_configs.roles import POT_PRESSURE_ROLES

T = TypeVar("T")

_GAUGE_READINGS: Final = 10
_QUIET_GAUGE_BAR: Final = 0.001
_SAFETY: Final = SafetyLimits(working_pressure_bar=1.0, stop_pressure_bar=1.0, trip_pressure_bar=1.0)


def pressure_checks(parts: BenchParts) -> Iterator[Check]:
    """Read every gauge for some seconds: its noise, its zero, and whether the pot is under pressure."""
    gauges: dict[str, PressureGauge | PressureController] = {}
    for role in POT_PRESSURE_ROLES:
        found = answering(parts, role)
        if found is not None and not read_by_hand(found[1]):
            gauges[found[0]] = found[1]
    series_bar: dict[str, list[float]] = {}
    failures: dict[str, str] = {}
    for name, gauge in gauges.items():
        series, failure = _series(parts, _GAUGE_READINGS, parts.file.scan.interval_s, gauge.read_pressure_bar)
        if failure:
            failures[name] = failure
        else:
            series_bar[name] = series
    barometer_bar, no_barometer = _barometer_bar(parts)
    pot = pot_pressure(
        series_bar, barometer_bar, zero_bar=_SAFETY.zero_bar, apart_bar=_SAFETY.gauges_apart_bar
    )
    for name in gauges:
        what = f"{name} noise"
        if name in failures:
            yield Check(what, "fail", failures[name], "check the gauge and its wiring")
        else:
            yield _gauge_noise(what, series_bar[name], pot)
    if pot.found:
        yield Check("pressure in the pot", "fail", pot.found, _vent_by_hand(parts))
        return
    if pot.moves:
        yield Check(
            "pressure in the pot",
            "fail",
            "a gauge moves while nothing is ordered: gas may be coming in, or going out",
            _vent_by_hand(parts),
        )
    readings = {name: statistics.fmean(series) for name, series in series_bar.items()}
    yield _vented_zero(parts, readings, barometer_bar, no_barometer)


def _vent_by_hand(parts: BenchParts) -> str:
    """What to do with a pot that shows pressure, on this kind of bench."""
    at_the_controller = (
        ", set the controller to vent at its own panel" if answering(parts, "controller") is not None else ""
    )
    return (
        f"close the bottle NOW{at_the_controller}, keep the lid shut, and vent by hand until the dial on the "
        "pot shows no pressure; a gauge that still reads too high then is wrong: check it"
    )


def _gauge_noise(what: str, series: list[float], pot: PotPressure) -> Check:
    spread_bar = statistics.stdev(series)
    found = f"{1000 * spread_bar:.2f} mbar rms over {len(series)} readings"
    if spread_bar > _QUIET_GAUGE_BAR and pot.moves:
        return Check(what, "caution", f"{found}, which move", "first see to the pressure in the pot")
    if spread_bar > _QUIET_GAUGE_BAR:
        return Check(what, "caution", found, "look for a loose shield or a draught at the pot")
    if len(set(series)) == 1:
        return Check(what, "caution", f"{len(series)} readings alike", "a working gauge varies: check it")
    return Check(what, "ok", found)


def _barometer_bar(parts: BenchParts) -> tuple[float | None, str]:
    """Return the barometer's reading, or None with why an instrument that is there gives none."""
    found = answering(parts, "barometer")
    if found is None or not isinstance(found[1], Barometer):
        return None, ""
    return one(found[1].read_barometer_bar)


def _vented_zero(
    parts: BenchParts, readings: dict[str, float], barometer_bar: float | None, no_barometer: str
) -> Check:
    what = "vented zero and units"
    gauge = answering(parts, "gauge")
    found = answering(parts, "barometer")
    asked = "the dial" if found is not None else "the barometer and the dial"
    if gauge is not None and read_by_hand(gauge[1]):
        to_do = f"the run asks for {asked} before any gas"
        return Check(what, "not checked", f"{gauge[0]} is read by a person", to_do)
    if found is None and parts.file.has_hand_valves:
        return Check(what, "not checked", "no barometer", f"the run asks for {asked} before any gas")
    if found is None or not isinstance(found[1], Barometer):
        to_do = "with the dial at zero, compare the gauges with a barometer by eye"
        return Check(what, "not checked", "no barometer", to_do)
    if not readings:
        return Check(what, "not checked", "no gauge could be read")
    if barometer_bar is None:
        return Check(what, "fail", no_barometer, "check the barometer and its wiring")
    problems = vented_zero_problems(
        readings, barometer_bar, zero_bar=_SAFETY.zero_bar, apart_bar=_SAFETY.gauges_apart_bar
    )
    if problems:
        return Check(
            what,
            "fail",
            "; ".join(problems),
            "with the dial on the pot at zero, correct the unit or the zero of the instrument",
        )
    worst_mbar = max(1000.0 * abs(value - barometer_bar) for value in readings.values())
    return Check(what, "ok", f"barometer {barometer_bar:.4f} bar, gauges within {worst_mbar:.1f} mbar of it")


def answering(parts: BenchParts, role: str) -> tuple[str, Any] | None:
    """Return name and driver of the instrument with this role, if there is one and it answers."""
    for name, entry in parts.file.instruments.items():
        if entry.role == role and name not in parts.failures:
            return name, parts.instruments[name]
    return None


def one(read: Callable[[], T]) -> tuple[T | None, str]:
    """Read once. Returns the value, or None and why the reading failed."""
    try:
        return read(), ""
    except DriverError as error:
        return None, error.message


def _series(
    parts: BenchParts, count: int, interval_s: float, read: Callable[[], float]
) -> tuple[list[float], str]:
    """Read `count` values, one each scan interval. Returns them, or why a reading failed."""
    values: list[float] = []
    due_s = parts.clock.monotonic_s()
    for _ in range(count):
        value, failure = one(read)
        if value is None:
            return values, failure
        values.append(value)
        due_s += interval_s
        parts.clock.sleep_until(due_s)
    return values, ""
