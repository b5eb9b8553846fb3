"""Gives the cells' witness its references, and stops a run in which the cells read high together."""

from __future__ import annotations

from rig.loop.loop import Loop, Tripped, procedure_trip
from rig.phases.hold import HoldResult, HoldTrace
from rig.phases.pot_gas import PotGas
from rig.safety.cell_witness import RENEWED_EVERY_S, cells_read_high
from rig.safety.interlocks import Response

_GAS_COVERAGE = 2.0
_STEADY_PART = 0.003
"""A cell that moves by less than this in ten seconds is steady enough for a witness, which needs 1 %
(judgement). Noise that leaves it unsettled for its grade is averaged out."""


class CellReference:
    """Renews the reference in each hold in oxygen, and compares the hold with the calibration hold."""

    def __init__(self, loop: Loop, gas: PotGas, calibration_po2_bar: float) -> None:
        self._loop = loop
        self._gas = gas
        self._calibration_po2_bar = calibration_po2_bar
        self._calibration: dict[int, float] = {}
        self._calibrated_s = 0.0
        self._u_mixing = 0.0
        self._renewed_s = 0.0

    def during(self, trace: HoldTrace) -> None:
        """Renew the reference while a hold goes on; in ambient air there is nothing to renew."""
        if self._loop.in_oxygen and self._loop.now_s - self._renewed_s >= RENEWED_EVERY_S:
            self._renew(trace.result("", self._loop.cells.gone))

    def after(self, nominal_po2_bar: float, result: HoldResult, fraction: float) -> None:
        """Renew the reference at the end of a hold in oxygen, and judge its outputs.

        Raises:
            Tripped: CELLS_READ_HIGH.
        """
        self._renew(result)
        po2_bar = fraction * result.pressure_bar
        if po2_bar <= 0.0:
            return
        per_bar = {socket: mv / po2_bar for socket, mv in result.output_mv.items()}
        if not self._calibration:
            if abs(nominal_po2_bar - self._calibration_po2_bar) < 0.005:
                self._calibration = {s: per_bar[s] for s in per_bar if result.settled[s]}
                self._calibrated_s, self._u_mixing = self._loop.now_s, self._gas.now().u_mixing
            return
        diluted = max(0.0, self._u_mixing - self._gas.now().u_mixing)
        part = cells_read_high(
            self._calibration,
            per_bar,
            minutes=(self._loop.now_s - self._calibrated_s) / 60.0,
            gas_doubt_part=_GAS_COVERAGE * diluted / fraction,
        )
        if part is not None:
            raise Tripped(
                procedure_trip(
                    "CELLS_READ_HIGH",
                    Response.STOP,
                    f"The cells read {100.0 * part:.1f} % above the straight line through PO2 "
                    f"{self._calibration_po2_bar:g}, which no fault of a cell does: the gauges may read low, "
                    "or the meter or the gas is suspect.",
                    "Close the bottle; compare both gauges with the dial, then check meter and bottle.",
                    rows=(3, 16),
                )
            )

    def _renew(self, result: HoldResult) -> None:
        steady_mv = {
            socket: mv
            for socket, mv in result.output_mv.items()
            if result.settled[socket] or abs(result.moved_part.get(socket, 1.0)) < _STEADY_PART
        }
        if result.pressure_bar > 0.0 and steady_mv:
            self._renewed_s = self._loop.now_s
            self._loop.witness.renew(
                self._loop.now_s, steady_mv, result.pressure_bar, self._gas.now().oxygen_fraction
            )
