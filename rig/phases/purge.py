"""Purges the air from the pot, by swings or by flow, and proves the result from measurements."""

from __future__ import annotations

from rig.loop.loop import Loop, Tripped, procedure_trip
from rig.phases.pot_gas import PotGas
from rig.pressure.drive import PressureDrive
from rig.pressure.ramp import ramp_to
from rig.safety.interlocks import Response
from rig.safety.set_point import Intent
from rig.setup.procedure import ProcedureFile

_FLOW_LIMIT_S_PER_VOLUME = 300.0
"""Time for one volume of a pot up to 1 L, and for each litre of a larger one, whose restrictors may be
those of a small one. Shots that cannot pass a volume in that time cannot fill the pot at 0.2 bar/min either;
restrictors that fit their pot take some 45 s, whatever its size (measured from 0.05 to 20 L)."""
_FLOW_JUDGED_EVERY_S = 4.0
_LEAST_BACK_PRESSURE_BAR = 0.0015
_MOST_TRIES = 2


def purge(loop: Loop, drive: PressureDrive, gas: PotGas, procedure: ProcedureFile) -> None:
    """Purge until the measured swings or flow leave enough oxygen; repeated once, then given up.

    Raises:
        Tripped: PURGE_POOR after the second try, and as a tick does.
    """
    loop.enter("purge")
    loop.acquisition.measure_closely(False)
    before = gas.now().oxygen_fraction
    for _ in range(_MOST_TRIES):
        if procedure.purge.method == "swings":
            _swing(loop, drive, gas, procedure)
        else:
            _flow(loop, drive, gas, procedure.purge.flow_volumes)
        left = gas.now()
        loop.log.event(
            "purge",
            method=procedure.purge.method,
            swings=[[round(low, 5), round(high, 5)] for low, high in gas.swings],
            volumes=round(gas.volumes, 3),
            oxygen_fraction=round(left.oxygen_fraction, 6),
            u_oxygen_fraction=round(left.u_oxygen_fraction, 6),
            oxygen_fraction_before=round(before, 6),
        )
        if left.oxygen_fraction >= procedure.purge.least_oxygen_fraction:
            return
    raise Tripped(
        procedure_trip(
            "PURGE_POOR",
            Response.STOP,
            f"After {_MOST_TRIES} purges the pot holds {100 * left.oxygen_fraction:.2f} % oxygen by measured "
            f"{procedure.purge.method}; {100 * procedure.purge.least_oxygen_fraction:.1f} % is needed.",
            "Check the bottle, purge with more swings, and start again.",
            rows=(16,),
        )
    )


def _swing(loop: Loop, drive: PressureDrive, gas: PotGas, procedure: ProcedureFile) -> None:
    scan = loop.scan
    for _ in range(procedure.purge.swings):
        low_bar = scan.pressure_bar or 0.0
        scan = ramp_to(loop, drive, procedure.purge.high_bar)
        gas.filled(low_bar, scan.pressure_bar or low_bar)
        scan = ramp_to(loop, drive, procedure.purge.low_bar)


def _flow(loop: Loop, drive: PressureDrive, gas: PotGas, volumes: float) -> None:
    """Let gas through with the vent open; the back pressure at the gauge must show that it flows."""
    volume_l = loop.limits.volume_l
    # A short filling first shows how much a shot lets in; the flow is calculated from that.
    scan = loop.scan
    ambient_bar = scan.barometer_bar or scan.pressure_bar or 1.0
    ramp_to(loop, drive, ambient_bar + 0.15)
    ramp_to(loop, drive, ambient_bar + 0.03)
    drive.open_vent()
    loop.set_point.set(Intent.FLOW)
    passed_l = 0.0
    longest_s = volumes * _FLOW_LIMIT_S_PER_VOLUME * max(1.0, volume_l)
    begun_s = judged_s = loop.now_s
    back_bar: list[float] = []
    while passed_l < volumes * ambient_bar * volume_l:
        scan = loop.tick()
        passed_l += drive.flow(scan)
        if scan.gauge.newest_bar is not None and scan.barometer_bar is not None:
            back_bar.append(scan.gauge.newest_bar - scan.barometer_bar)
        if scan.t_s - judged_s >= _FLOW_JUDGED_EVERY_S:
            judged_s = scan.t_s
            flows = bool(back_bar) and sum(back_bar) / len(back_bar) > _LEAST_BACK_PRESSURE_BAR
            loop.set_point.weak_groups = 0 if flows else loop.set_point.weak_groups + 1
            back_bar.clear()
        if scan.t_s - begun_s > longest_s:
            raise Tripped(
                procedure_trip(
                    "PURGE_SLOW",
                    Response.STOP,
                    f"The flow purge passed {passed_l:.2g} L in {scan.t_s - begun_s:.0f} s: too little flow.",
                    "Check bottle, regulator and restrictor.",
                    rows=(16,),
                )
            )
    gas.flowed(passed_l / (ambient_bar * volume_l))
