"""Before any gas: make the rig safe, whatever it was doing, then prove the gauges on the vented pot."""

from __future__ import annotations

from drivers.errors import DriverError
from rig.loop import Loop
from rig.snapshot import View
from rig.setup.vented_zero import vented_zero_problems

_STEADY_BAR_PER_S = 0.001
_STEADY_FOR_S = 3.0
_SETTLES_WITHIN_S = 120.0
_ZERO_READINGS = 8


class Refused(Exception):
    """A check before any gas says no; the message is one sentence for the operator."""

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code


def make_safe(loop: Loop, view: View) -> None:
    """De-energise and wait until the pressure no longer moves.

    Raises:
        Refused: the valve block does not answer, or the pressure keeps moving.
    """
    if loop.gate is not None:
        try:
            loop.gate.claim()
        except DriverError as error:
            raise Refused("VALVES_LOST", f"the valve block cannot be claimed: {error.message}") from None
        if not loop.gate.de_energise():
            raise Refused(
                "VALVES_LOST", "the valve block does not take 'de-energise'; check its link and power"
            )
    loop.acquisition.read_barometer_now()
    told = False
    steady_since_s: float | None = None
    begun_s: float | None = None
    while True:
        scan = loop.tick()
        begun_s = scan.t_s if begun_s is None else begun_s
        moving = abs(scan.rate_bar_per_s) > _STEADY_BAR_PER_S
        if moving and not told:
            told = True
            view.say("The pot was under pressure; its vent is open and it is going down.", "caution")
        if moving:
            steady_since_s = None
        elif steady_since_s is None:
            steady_since_s = scan.t_s
        elif scan.t_s - steady_since_s >= _STEADY_FOR_S:
            return
        if scan.t_s - begun_s > _SETTLES_WITHIN_S:
            raise Refused(
                "NOT_VENTED",
                "the pressure keeps moving with the vent open; close the bottle, open the manual bleed",
            )


def check_vented_zero(loop: Loop) -> dict[str, float]:
    """Compare every gauge with the barometer on the vented pot.

    Returns:
        Mean reading of each gauge by its name, in bar.

    Raises:
        Refused: naming the gauge, the difference and the unit mix-up that would explain it.
    """
    limits = loop.limits
    sums: dict[str, float] = {}
    for _ in range(_ZERO_READINGS):
        loop.tick()
        for name, reading in loop.acquisition.raw_pressures_bar().items():
            if isinstance(reading, DriverError):
                raise Refused("GAUGE_LOST", f"{name} gives no reading on the vented pot: {reading.message}")
            sums[name] = sums.get(name, 0.0) + reading
    means = {name: total / _ZERO_READINGS for name, total in sums.items()}
    barometer_bar = loop.scan.barometer_bar
    if barometer_bar is None:
        raise Refused(
            "BAROMETER_LOST", "the barometer gives no plausible reading; the gauges cannot be proved"
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
        barometer_bar=round(barometer_bar, 6),
        verdict="; ".join(problems) or "agrees",
    )
    if problems:
        raise Refused("VENTED_ZERO", "; ".join(problems))
    return means
