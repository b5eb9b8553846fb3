"""The checks before any gas: does the bench match its file, and can it run? No valve is moved."""

from __future__ import annotations

import math
import statistics
from collections.abc import Iterator
from datetime import date, timedelta
from itertools import chain
from pathlib import Path
from typing import Final

from drivers.errors import DriverError
from drivers.ports import (
    OwnedValveBlock,
    RoomOxygenMonitor,
    Thermometer,
    ValveBlock,
    Voltmeter,
    WatchedController,
    WatchedValveBlock,
    read_by_hand,
)
from rig.pressure.block_owner import other_program
from rig.pressure.gate import SCANS_PER_BEAT
from rig.run.checks import Check, PreflightReport
from rig.run.free_space import free_bytes
from rig.run.last_run_check import RigHeld, held_alone
from rig.run.pressure_checks import answering, one, pressure_checks
from rig.safety.limits import SafetyLimits
from rig.safety.permissives import disk_refusal
from rig.safety.room_oxygen import ALARM_PERCENT, LOWEST_PERCENT
from rig.setup.bench import BenchFile, BenchParts, OpenBench, open_parts
from rig.setup.bench_file import FAST_RAMP_BAR_PER_MIN
from rig_configs.roles import ROLES

_SCANS: Final = 12
_BEATS_IN_WATCHDOG: Final = 3
_LEAST_BEATS: Final = 1.5
_QUIET_INPUT_MV: Final = 0.02
_DUE_SOON: Final = timedelta(days=30)
_FREE_ENOUGH_BYTES: Final = 500_000_000
_SAFETY: Final = SafetyLimits(working_pressure_bar=1.0, stop_pressure_bar=1.0, trip_pressure_bar=1.0)


def run_preflight(bench: BenchFile, out: Path) -> PreflightReport:
    """Open a bench, check everything that answers, and close it again.

    A rig that another program drives is left alone: none of its instruments is asked.

    Args:
        bench: a checked bench file.
        out: where records would go, and are looked for.
    """
    try:
        with held_alone(bench, out) as left:
            parts = open_parts(bench, ask=_nobody)
            try:
                return _report(bench, chain(left, _all_checks(parts, out)))
            finally:
                parts.close()
    except RigHeld as held:
        return _report(bench, iter((held.check,)))


def _nobody(_question: str) -> str | None:
    """Answer for a person: a preflight asks for no reading."""
    return None


def standing_checks(bench: OpenBench, out: Path) -> PreflightReport:
    """Make the checks of a bench that is open already, before a run."""
    return _report(bench.file, _all_checks(bench.parts, out))


def _report(bench: BenchFile, checks: Iterator[Check]) -> PreflightReport:
    return PreflightReport(bench.name, bench.file, tuple(checks))


def _all_checks(parts: BenchParts, out: Path) -> Iterator[Check]:
    yield from _identities(parts)
    yield from _calibrations(parts.file, parts.clock.utc().date())
    yield from pressure_checks(parts)
    yield from _valves(parts)
    yield from _controller(parts)
    yield from _temperature(parts)
    yield _room_oxygen(parts)
    yield from _voltmeter(parts)
    yield _clock(parts)
    yield _disk(out)
    yield from _ramp(parts.file)


def _identities(parts: BenchParts) -> Iterator[Check]:
    for name, entry in parts.file.instruments.items():
        what = f"{name} answers"
        if name in parts.failures:
            failure = parts.failures[name]
            yield Check(what, "fail", failure.found, failure.to_do)
            continue
        if read_by_hand(parts.instruments[name]):
            to_do = "have it in view: the run asks for it, with its unit, whenever it needs the pressure"
            yield Check(what, "not checked", "read by a person", to_do)
            continue
        said = parts.identities[name]
        found = " ".join(part for part in (said.maker, said.model, said.serial, said.firmware) if part)
        if entry.serial and not said.serial:
            yield Check(
                what,
                "caution",
                f"{found or 'answers'}; does not report its serial number",
                f"read the plate: it should be {entry.serial}",
            )
        else:
            yield Check(what, "ok", found or "answers")


def _calibrations(bench: BenchFile, today: date) -> Iterator[Check]:
    for name, entry in bench.instruments.items():
        if not ROLES[entry.role].measures:
            continue
        what = f"{name} calibration"
        if entry.due is None:
            yield Check(what, "caution", "no due date in the bench file", "write calibrated and due")
        elif entry.calibrated is not None and entry.calibrated > today:
            yield Check(
                what,
                "fail",
                f"calibrated {entry.calibrated}, but this computer says it is {today}",
                "set the computer's clock",
            )
        elif entry.overdue(today):
            yield Check(
                what,
                "caution",
                f"overdue since {entry.due}; every certificate will say so",
                "have it calibrated",
            )
        elif entry.due - today <= _DUE_SOON:
            yield Check(what, "ok", f"due {entry.due}, in {(entry.due - today).days} days", "book it now")
        else:
            yield Check(what, "ok", f"due {entry.due}")


def _valves(parts: BenchParts) -> Iterator[Check]:
    found = answering(parts, "valves")
    if found is None:
        return
    name = found[0]
    valves: ValveBlock = found[1]
    if refusal := _driven_by_another(parts, valves):
        yield Check(f"{name} owner", "fail", refusal, "nothing was ordered of the block")
        return
    state, failure = one(valves.read_state)
    what = f"{name} at rest"
    if state is None:
        yield Check(what, "fail", failure, "check the valve block and its wiring")
    elif state.supply_open:
        yield Check(
            what, "fail", "the supply is open", "close the cylinder, then switch the block off and on"
        )
    elif not state.vent_open:
        yield Check(what, "fail", "the vent is shut", "switch the block off and on: without power it is open")
    elif state.lid_closed is False:
        yield Check(what, "caution", "supply shut, vent open, lid open", "close the lid before the run")
    else:
        lid = "" if state.lid_closed is None else ", lid closed"
        yield Check(what, "ok", f"supply shut, vent open{lid}")
    yield _watchdog(f"{name} watchdog", valves, SCANS_PER_BEAT * parts.file.scan.interval_s)


def _driven_by_another(parts: BenchParts, valves: ValveBlock) -> str:
    """Return that another program drives the valve block, with what to do; empty where none does."""
    if not isinstance(valves, OwnedValveBlock):
        return ""
    clock = parts.clock
    other, _ = one(
        lambda: other_program(valves, None, lambda seconds: clock.sleep_until(clock.monotonic_s() + seconds))
    )
    return other.text if other is not None and other.lives else ""


def _watchdog(what: str, valves: ValveBlock, beat_s: float) -> Check:
    """Compare the watchdog time of the block with the time between heartbeats."""
    watchdog_ms = valves.watchdog_ms if isinstance(valves, WatchedValveBlock) else None
    if not watchdog_ms:
        return Check(
            what,
            "caution",
            "the valve block reports no watchdog: a killed program may leave the pot under pressure",
            "fit a watchdog relay and prove it, see rig/safety_documents/safety.md",
        )
    found = f"outputs drop {watchdog_ms / 1000.0:g} s after the last heartbeat, one comes every {beat_s:g} s"
    if watchdog_ms < 1000.0 * _LEAST_BEATS * beat_s:
        return Check(what, "fail", f"{found}: every run would end at once", "shorten [scan] interval_s")
    if watchdog_ms < 1000.0 * _BEATS_IN_WATCHDOG * beat_s:
        return Check(what, "caution", f"{found}: runs may end without cause", "shorten [scan] interval_s")
    return Check(what, "ok", found)


def _controller(parts: BenchParts) -> Iterator[Check]:
    """Ask for what alone ends a pressure that a killed program leaves: the controller's own link time-out."""
    found = answering(parts, "controller")
    if found is None:
        return
    name, controller = found
    entry = parts.file.instruments[name]
    what = f"{name} link time-out"
    set_s = controller.link_timeout_s if isinstance(controller, WatchedController) else None
    if set_s is not None:
        yield Check(what, "ok", f"vents {set_s:g} s after the last message, as read back")
    elif entry.link_timeout_s is None:
        yield Check(
            what,
            "caution",
            "none in the bench file: a killed program or a cut cable leaves the pot under pressure, and "
            "nothing ends that",
            "set it at the controller with the action vent, see it vent, and write link_timeout_s",
        )
    elif entry.link_timeout_proven is not None:
        found_text = f"{entry.link_timeout_s:g} s by the bench file; a person saw it vent on "
        yield Check(what, "ok", f"{found_text}{entry.link_timeout_proven}")
    else:
        yield Check(
            what,
            "caution",
            f"{entry.link_timeout_s:g} s by the bench file, which this controller does not confirm",
            "pull its cable at 1.2 bar, see it vent, and write link_timeout_proven; until then each run asks",
        )


def _temperature(parts: BenchParts) -> Iterator[Check]:
    found = answering(parts, "thermometer")
    if found is None:
        yield Check("temperature", "not checked", "no thermometer", "write the temperature into the notes")
        return
    thermometer: Thermometer = found[1]
    value_c, failure = one(thermometer.read_temperature_c)
    lowest, highest = _SAFETY.lowest_temperature_c, _SAFETY.highest_temperature_c
    if value_c is None:
        yield Check("temperature", "fail", failure, "check the thermometer and its wiring")
    elif not lowest <= value_c <= highest:
        yield Check(
            "temperature",
            "fail",
            f"{value_c:.1f} °C, outside {lowest:g} to {highest:g} °C",
            "check the probe; bring the room to a temperature for testing cells",
        )
    else:
        yield Check("temperature", "ok", f"{value_c:.1f} °C")


def _room_oxygen(parts: BenchParts) -> Check:
    what = "room oxygen"
    found = answering(parts, "room_oxygen")
    if found is None:
        return Check(what, "not checked", "no monitor", "ventilate the room, and lead the vent outdoors")
    monitor: RoomOxygenMonitor = found[1]
    percent, failure = one(monitor.read_oxygen_percent)
    if percent is None:
        return Check(what, "fail", failure, "check the monitor and its wiring")
    if not LOWEST_PERCENT <= percent < ALARM_PERCENT:
        return Check(what, "fail", f"{percent:.1f} %", "leave the room and ventilate it; find the source")
    return Check(what, "ok", f"{percent:.1f} %")


def _voltmeter(parts: BenchParts) -> Iterator[Check]:
    found = answering(parts, "voltmeter")
    if found is None:
        return
    name = found[0]
    meter: Voltmeter = found[1]
    clock = parts.clock
    outputs: dict[int, list[float]] = {}
    begun_s = clock.monotonic_s()
    try:
        for _ in range(_SCANS):
            started_s = clock.monotonic_s()
            meter.begin_scan()
            clock.sleep_until(started_s + meter.scan_duration_s)
            for reading in meter.collect_scan():
                if reading.output_mv is not None:
                    outputs.setdefault(reading.socket, []).append(reading.output_mv)
    except DriverError as error:
        yield Check(f"{name} scan", "fail", error.message, "check the voltmeter and its settings")
        return
    took_s = (clock.monotonic_s() - begun_s) / _SCANS
    interval_s = parts.file.scan.interval_s
    rate = f"{len(meter.sockets)} sockets in {took_s:.3f} s; {interval_s:g} s wanted"
    if took_s > 1.05 * interval_s:
        yield Check(
            f"{name} scan rate",
            "caution",
            rate,
            "the cells are read less often than the pressure; lower nplc or raise scan.interval_s",
        )
    else:
        yield Check(f"{name} scan rate", "ok", rate)
    yield _input_noise(parts.file, name, outputs)


def _input_noise(bench: BenchFile, name: str, outputs: dict[int, list[float]]) -> Check:
    shorted = bench.scan.shorted_socket
    spread = {socket: statistics.stdev(series) for socket, series in outputs.items() if len(series) > 2}
    if spread and not any(spread.values()):
        return Check(
            f"{name} noise",
            "caution",
            f"{_SCANS} scans alike on every socket",
            "coarse digits do that at rest, and so does a frozen meter: touch a lead and see if it follows",
        )
    if shorted is None:
        if not spread:
            return Check(f"{name} noise", "not checked", "no socket gives a reading")
        quietest = min(spread, key=lambda socket: spread[socket])
        found = f"{1000 * spread[quietest]:.1f} µV rms at the quietest socket ({quietest})"
        if spread[quietest] <= _QUIET_INPUT_MV:
            return Check(f"{name} noise", "ok", found)
        return Check(
            f"{name} noise",
            "not checked",
            f"{found}; no cell and no short in any socket",
            "put a short into a socket",
        )
    if shorted not in spread:
        return Check(f"{name} noise", "fail", f"shorted socket {shorted} gives no reading", "check the short")
    zero_mv = statistics.fmean(outputs[shorted])
    text = f"shorted socket {shorted}: {1000 * zero_mv:+.1f} µV, {1000 * spread[shorted]:.1f} µV rms"
    good = abs(zero_mv) <= _QUIET_INPUT_MV and spread[shorted] <= _QUIET_INPUT_MV
    return Check(
        f"{name} noise",
        "ok" if good else "caution",
        text,
        "" if good else f"more than {1000 * _QUIET_INPUT_MV:g} µV: check the short, contacts and shield",
    )


def _clock(parts: BenchParts) -> Check:
    begun_utc, begun_s = parts.clock.utc(), parts.clock.monotonic_s()
    parts.clock.sleep_until(begun_s + 0.5)
    passed_s = parts.clock.monotonic_s() - begun_s
    passed_utc_s = (parts.clock.utc() - begun_utc).total_seconds()
    found = f"{parts.clock.utc():%Y-%m-%d %H:%M} UTC"
    if not math.isclose(passed_s, passed_utc_s, abs_tol=0.1):
        return Check("clock", "caution", f"{found}; it has just been set", "let it settle before a run")
    return Check("clock", "ok", found)


def _disk(out: Path) -> Check:
    try:
        free = free_bytes(out)
    except OSError as error:
        return Check("disk", "fail", f"{out}: {error.strerror}", "choose another --out")
    refusal = disk_refusal(free)
    if refusal is not None:
        return Check("disk", "fail", refusal, "make room, or choose another --out")
    text = f"{free / 1e9:.1f} GB free at {out}"
    if free < _FREE_ENOUGH_BYTES:
        return Check("disk", "caution", text, "make room soon")
    return Check("disk", "ok", text)


def _ramp(bench: BenchFile) -> Iterator[Check]:
    ramp_bar_per_min = bench.limits.ramp_bar_per_min
    if ramp_bar_per_min > FAST_RAMP_BAR_PER_MIN:
        yield Check(
            "ramp",
            "caution",
            f"{ramp_bar_per_min:g} bar/min: more than {FAST_RAMP_BAR_PER_MIN:g} stresses cells",
            "set ramp_bar_per_min to 0.5 if there is time",
        )
