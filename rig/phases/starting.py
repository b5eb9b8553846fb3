"""Before any gas: make the rig safe, then check the gauges on the vented pot."""

from __future__ import annotations

from contextlib import suppress

from drivers.errors import DriverError
from drivers.ports import ReadingStatus, read_by_hand
from rig.loop.loop import Loop, Refused
from rig.safety.drive_words import WORDS
from rig.safety.interlocks import CLOSE_BOTTLE, KEEP_LID_SHUT
from rig.safety.scan import Scan
from rig.safety.vented_zero import vented_zero_problems
from rig.setup.bench import OpenBench
from rig.view import View

_STEADY_BAR_PER_S = 0.001
_STEADY_FOR_S = 3.0
_SETTLES_WITHIN_S = 120.0
_LOOKS_EVERY_S = 0.5
_FALLS_FOR_S = 5.0
_FALLS_BAR = 0.001
_ZERO_READINGS = 8


def bring_to_rest(bench: OpenBench, loop: Loop, view: View) -> None:
    """Drop the outputs and let a pot under pressure vent, before anything on it is checked.

    It waits until the pressure no longer falls, since the checks report one that moves.
    """
    if loop.gate is not None and (bench.valves is not None or bench.controller is not None):
        with suppress(DriverError):  # reported when the rig is made safe, if it stays so
            _claim(loop, view)
        loop.gate.de_energise()
    if bench.barometer is None or read_by_hand(bench.gauge):
        return
    clock = bench.clock
    give_up_s = clock.monotonic_s() + _SETTLES_WITHIN_S
    falls_until_s = clock.monotonic_s() + _FALLS_FOR_S
    try:
        vented_bar = bench.barometer.read_barometer_bar() + loop.limits.zero_bar
        lowest_bar = bench.gauge.read_pressure_bar()
        if lowest_bar <= vented_bar:
            return
        view.say("The pot is under pressure: it is vented first and checked then.", "caution")
        while clock.monotonic_s() < min(falls_until_s, give_up_s):
            clock.sleep_until(clock.monotonic_s() + _LOOKS_EVERY_S)
            pressure_bar = bench.gauge.read_pressure_bar()
            if pressure_bar < lowest_bar - _FALLS_BAR:
                lowest_bar, falls_until_s = pressure_bar, clock.monotonic_s() + _FALLS_FOR_S
    except DriverError:
        return


def _claim(loop: Loop, view: View) -> None:
    """Take the outputs over before anything is ordered of them.

    Raises:
        Refused: another program drives them.
        DriverError: they do not answer.
    """
    if loop.gate is not None and (remark := loop.gate.claim()):
        loop.log.event("note", text=remark)
        view.say(remark, "caution")


def make_safe(loop: Loop, view: View) -> None:
    """De-energise and wait until the pressure no longer moves.

    Raises:
        Refused: what moves the pressure does not answer, or the pressure keeps moving.
    """
    outputs = WORDS[loop.scan.drive].outputs
    if loop.gate is not None:
        try:
            _claim(loop, view)
        except DriverError as error:
            raise Refused("VALVES_LOST", f"{outputs} cannot be claimed: {error.message}") from None
        if not loop.gate.de_energise():
            why = loop.gate.drop.error
            raise Refused(
                "VALVES_LOST",
                f"{outputs} does not take the order for the safe state ({why}); check its link and power",
            )
    loop.acquisition.read_barometer_now()
    reported = rises = False
    steady_since_s: float | None = None
    begun_s: float | None = None
    while True:
        scan = loop.tick()
        begun_s = scan.t_s if begun_s is None else begun_s
        moving = abs(scan.rate_bar_per_s) > _STEADY_BAR_PER_S
        if moving and not rises and _gas_comes_in(loop, scan):
            rises = True
            view.say(f"The pressure rises before any gas was asked for. {CLOSE_BOTTLE}", "alarm")
        elif moving and not reported:
            reported = True
            view.say("The pot was under pressure; the pressure falls.", "caution")
        if moving:
            steady_since_s = None
        elif steady_since_s is None:
            steady_since_s = scan.t_s
        elif scan.t_s - steady_since_s >= _STEADY_FOR_S:
            return
        if scan.t_s - begun_s > _SETTLES_WITHIN_S:
            raise Refused(
                "NOT_VENTED",
                f"the pressure keeps moving with the vent commanded open. {CLOSE_BOTTLE} Open the manual "
                "bleed.",
            )


def _gas_comes_in(loop: Loop, scan: Scan) -> bool:
    """Whether the pressure rises above ambient."""
    if scan.pressure_bar is None or scan.barometer_bar is None or scan.rate_bar_per_s <= 0.0:
        return False
    return scan.pressure_bar > scan.barometer_bar + loop.limits.zero_bar


def check_vented_zero(loop: Loop) -> dict[str, float]:
    """Compare every gauge with the barometer on the vented pot.

    Returns:
        Mean reading of each gauge by its name, in bar.

    Raises:
        Refused: with the gauge, the difference and the wrong unit that would explain it.
    """
    limits = loop.limits
    sums: dict[str, float] = {}
    for _ in range(_ZERO_READINGS):
        loop.tick()
        for name, reading in loop.acquisition.raw_pressures_bar().items():
            if isinstance(reading, DriverError):
                if reading.status in (ReadingStatus.TIMEOUT, ReadingStatus.LINK_DOWN):
                    raise Refused("GAUGE_LOST", f"{name} does not answer: {reading.message}")
                raise Refused(
                    "VENTED_ZERO",
                    f"{name} gives no reading: {reading.message}; if it is set to gauge "
                    "pressure or to another unit, set it to absolute bar",
                )
            sums[name] = sums.get(name, 0.0) + reading
    means = {name: total / _ZERO_READINGS for name, total in sums.items()}
    barometer_bar = loop.scan.barometer_bar
    if barometer_bar is None:
        raise Refused(
            "BAROMETER_LOST", "the barometer gives no plausible reading; the gauges cannot be checked"
        )
    lowest_bar, highest_bar = min(means.values()), max(means.values())
    if lowest_bar > barometer_bar + limits.vented_bar and highest_bar - lowest_bar <= limits.gauges_apart_bar:
        over_bar = lowest_bar - barometer_bar
        raise Refused(
            "NOT_VENTED",
            f"NOT VENTED: every gauge is {over_bar * 1000:.0f} mbar above the barometer with the vent "
            f"commanded open, {limits.lid_force_n(over_bar):.0f} N on the lid. {CLOSE_BOTTLE} Use the manual "
            f"bleed. {KEEP_LID_SHUT} If the dial on the pot shows no pressure, the barometer is wrong.",
        )
    problems = vented_zero_problems(
        means, barometer_bar, zero_bar=limits.zero_bar, apart_bar=limits.gauges_apart_bar
    )
    valves = loop.scan.valves
    if not problems and valves is not None and valves.lid_closed is False:
        problems = ("the lid switch says that the lid is open; close the lid",)
    loop.log.event(
        "vented_zero",
        gauge_bar=round(means[next(iter(means))], 6),
        second_gauge_bar=round(means[list(means)[1]], 6) if len(means) > 1 else None,
        barometer_bar=None if loop.scan.barometer_bad else round(barometer_bar, 6),
        verdict="; ".join(problems) or "agrees",
    )
    if problems:
        # A gauge in psi or kPa reads far above any pressure that the pot can have.
        pressed = barometer_bar + limits.zero_bar < highest_bar <= limits.trip_pressure_bar
        close = f". Gas may be coming in. {CLOSE_BOTTLE}" if pressed else ""
        raise Refused("VENTED_ZERO", f"{'; '.join(problems)}{close}")
    return means
