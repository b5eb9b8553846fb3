"""The measuring steps of a run: ambient air first, then oxygen step by step, each a ramp and a hold."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from grading.gas import AIR_PO2_BAR, DRY_AIR_OXYGEN_FRACTION, po2_in_air_bar
from grading.settling.settled import HoldRule
from rig.loop.loop import Loop, Tripped, procedure_trip
from rig.phases.airing import Airing
from rig.phases.cell_reference import CellReference
from rig.phases.hold import HoldResult, HoldTrace, hold
from rig.phases.leak_test import LeakTest
from rig.phases.pot_gas import PotGas
from rig.phases.presenter import Presenter
from rig.pressure.drive import PressureDrive
from rig.pressure.ramp import ramp_to
from rig.safety.gas_check import GasCheck, check_gas, check_gas_again, check_gas_resumed
from rig.safety.interlocks import Response
from rig.safety.scan import Scan
from rig.safety.set_point import Intent
from rig.setup.procedure import SAME_PO2_BAR, ProcedureFile, Step

LEAST_ABOVE_AMBIENT_BAR = 0.015
"""A vent does not reach ambient pressure in finite time: no target is set closer to it than this."""
GRADED_ONLY_WITH = "Its cells are graded only with a second run on another bottle, or with a check cell."


@dataclass(slots=True)
class StepMemory:
    """What later steps need from earlier ones.

    Attributes:
        air_mv, air_po2_bar: settled outputs in ambient air by socket, and the PO2 there.
        leak_tested: whether the leak test has been done.
        gas_checked: whether the cells have been used to check the gas.
        first_mv_per_bar: output per bar of PO2 by socket, by nominal PO2, of the first hold there.
        last_mv_per_bar: the same of the newest hold.
        resumed: whether the run was held since that hold, so that the bottle may be another one.
        off_alike: whether cells off alike have been reported.
    """

    air_mv: dict[int, float] = field(default_factory=dict)
    air_po2_bar: float | None = None
    leak_tested: bool = False
    gas_checked: bool = False
    first_mv_per_bar: dict[float, dict[int, float]] = field(default_factory=dict)
    last_mv_per_bar: dict[int, float] = field(default_factory=dict)
    resumed: bool = False
    off_alike: bool = False


class Steps:
    """Takes the measuring steps of one procedure."""

    def __init__(
        self,
        loop: Loop,
        drive: PressureDrive,
        gas: PotGas,
        procedure: ProcedureFile,
        presenter: Presenter,
        sockets: tuple[int, ...],
        relative_humidity: float,
        airing: Airing,
        known_good: frozenset[int] = frozenset(),
    ) -> None:
        """Take the steps of `procedure`; `known_good` are the sockets of check cells."""
        self._loop = loop
        self._drive = drive
        self._gas = gas
        self._procedure = procedure
        self._presenter = presenter
        self._sockets = sockets
        self._relative_humidity = relative_humidity
        self._known_good = known_good
        self._airing = airing
        self.memory = StepMemory()
        self._reference = CellReference(loop, gas, procedure.calibration_po2_bar)

    def air(self) -> None:
        """Hold in ambient air with the vent open: step 0."""
        loop = self._loop
        self._drive.open_vent()
        scan = loop.scan
        loop.set_point.set(Intent.OPEN, scan.barometer_bar)
        loop.enter("air", 0)
        self._presenter.oxygen_fraction = None
        self._airing.air()
        with self._recorded_hold(
            0, gas="air", direction="up", nominal=None, fraction=DRY_AIR_OXYGEN_FRACTION
        ):
            result = hold(
                loop, self._sockets, self._rule(self._procedure.hold.cap_s), _leave, on_trace=self._show
            )
            self._end_hold(0, result)
        scan = loop.scan
        self.memory.air_mv = result.output_mv
        if scan.barometer_bar is not None:
            temperature_c = 20.0 if scan.temperature_c is None else scan.temperature_c
            self.memory.air_po2_bar = float(
                po2_in_air_bar(scan.barometer_bar, self._relative_humidity, temperature_c)
            )
            loop.witness.air(result.output_mv, self.memory.air_po2_bar)
            loop.compare_hold(result.output_mv, self.memory.air_po2_bar)
            scale = AIR_PO2_BAR / self.memory.air_po2_bar
            self._airing.judge(result, {socket: mv * scale for socket, mv in result.output_mv.items()})

    def oxygen(self, number: int, step: Step) -> None:
        """Ramp to a step in oxygen and hold there."""
        loop, drive, gas = self._loop, self._drive, self._gas
        scan = loop.scan
        start_bar = scan.pressure_bar or 0.0
        target_bar = gas.target_bar(step.po2_bar, start_bar)
        if scan.barometer_bar is not None:
            target_bar = max(target_bar, scan.barometer_bar + LEAST_ABOVE_AMBIENT_BAR)
        loop.enter("fill" if target_bar >= start_bar else "let-out", number)
        loop.acquisition.measure_closely(True)
        loop.log.event("ramp_begin", step=number, target_bar=round(target_bar, 5))
        scan = ramp_to(loop, drive, target_bar)
        gas.filled(start_bar, scan.pressure_bar or start_bar)
        fraction = gas.now().oxygen_fraction
        self._presenter.oxygen_fraction = fraction
        loop.in_oxygen = True
        loop.enter("measure", number)
        drive.begin_keep(scan, target_bar)
        leak = self._leak_test(step)
        with self._recorded_hold(
            number,
            gas="oxygen",
            direction=step.direction,
            nominal=step.po2_bar,
            fraction=fraction,
            target=target_bar,
        ):
            result = hold(
                loop,
                self._sockets,
                self._rule(self._procedure.cap_s(step)),
                _Keeper(drive, leak).keep,
                at_least_s=self._procedure.top_hold_s if leak else 0.0,
                on_trace=self._show,
            )
            self._end_hold(number, result)
        loop.compare_hold(result.output_mv, fraction * result.pressure_bar)
        if self._is_calibration(step) and not self._presenter.calibration:
            po2_bar = fraction * result.pressure_bar
            self._presenter.calibration = {s: mv / po2_bar for s, mv in result.output_mv.items()}
        self._judge_leak(leak)
        self._check_gas(step, result, fraction)
        self._reference.after(step.po2_bar, result, fraction)

    def _is_calibration(self, step: Step) -> bool:
        return abs(step.po2_bar - self._procedure.calibration_po2_bar) < SAME_PO2_BAR

    def _rule(self, cap_s: float) -> HoldRule:
        rule = self._procedure.hold
        return HoldRule(cap_s, rule.least_s, rule.remainder_percent, rule.slope_percent_per_10s)

    def _leak_test(self, step: Step) -> LeakTest | None:
        at_top = self._procedure.is_top(step)
        if self.memory.leak_tested or not at_top or self._loop.acquisition.pressure_is_typed:
            return None
        rule = self._procedure.leak
        return LeakTest(rule.settle_s, rule.hold_s, rule.warn_mbar_per_min, rule.stop_mbar_per_min)

    def _judge_leak(self, leak: LeakTest | None) -> None:
        if leak is None or leak.result is None:
            return
        self.memory.leak_tested = True
        found = leak.result
        self._loop.log.event(
            "leak",
            rate_mbar_per_min=round(found.rate_mbar_per_min, 3),
            expanded_uncertainty_mbar_per_min=round(found.expanded_uncertainty_mbar_per_min, 3),
            verdict=found.verdict,
        )
        if found.verdict in ("leaks too much", "rises too much"):
            mend = (
                "find the leak with the pot vented."
                if found.verdict == "leaks too much"
                else "the supply valve does not shut tight."
            )
            raise Tripped(
                procedure_trip(
                    "LEAK_TEST", Response.STOP, found.text, f"Close the bottle; {mend}", rows=(10, 15)
                )
            )

    def resumed(self) -> None:
        """Note that the run was held: the next hold shows whether the gas is still the same."""
        self.memory.resumed = True

    def _check_gas(self, step: Step, result: HoldResult, fraction: float) -> None:
        """Compare the cells with what they gave in air, in the hold before a stop, and at this PO2 before."""
        memory, po2_bar = self.memory, fraction * result.pressure_bar
        per_bar = {socket: mv / po2_bar for socket, mv in result.output_mv.items()}
        if not memory.gas_checked and memory.air_po2_bar is not None:
            memory.gas_checked = True
            found = check_gas(memory.air_mv, memory.air_po2_bar, result.output_mv, po2_bar, self._known_good)
            self._report_gas(found)
        if memory.resumed and memory.last_mv_per_bar:
            self._report_gas(check_gas_resumed(memory.last_mv_per_bar, per_bar, self._known_good))
        nominal = round(step.po2_bar, 3)
        if nominal in memory.first_mv_per_bar:
            first = memory.first_mv_per_bar[nominal]
            found = check_gas_again(first, per_bar, len(self._sockets), self._known_good)
            if found.verdict in ("suspect", "off alike") or self._is_calibration(step):
                self._report_gas(found)
        memory.first_mv_per_bar.setdefault(nominal, per_bar)
        memory.last_mv_per_bar, memory.resumed = per_bar, False

    def _report_gas(self, found: GasCheck) -> None:
        ratio = None if found.ratio_median is None else round(found.ratio_median, 3)
        self._loop.log.event("gas_check", ratio_median=ratio, verdict=found.verdict, text=found.text)
        if found.verdict == "off alike" and not self.memory.off_alike:
            self.memory.off_alike = True
            self._presenter.say(f"{found.text} The run goes on. {GRADED_ONLY_WITH}", "caution")
        if found.verdict == "suspect":
            raise Tripped(
                procedure_trip(
                    "GAS_SUSPECT",
                    Response.STOP,
                    found.text,
                    found.do_now,
                    rows=(16,),
                )
            )

    @contextmanager
    def _recorded_hold(
        self,
        number: int,
        *,
        gas: str,
        direction: str,
        nominal: float | None,
        fraction: float,
        target: float | None = None,
    ) -> Iterator[None]:
        log = self._loop.log
        log.event(
            "hold_begin",
            step=number,
            gas=gas,
            direction=direction,
            nominal_po2_bar=nominal,
            oxygen_fraction=round(fraction, 6),
            target_bar=None if target is None else round(target, 5),
        )
        try:
            yield
        except BaseException:
            log.event("hold_end", step=number, stop_reason="aborted", settled={})
            raise

    def _end_hold(self, number: int, result: HoldResult) -> None:
        self._loop.log.event(
            "hold_end",
            step=number,
            stop_reason=result.stop_reason,
            settled={str(socket): is_settled for socket, is_settled in result.settled.items()},
        )
        self._presenter.settled(result.settled)

    def _show(self, trace: HoldTrace) -> None:
        self._presenter.settling(trace, self._loop.cells.gone, self._loop.cells.swapped)
        self._reference.during(trace)


class _Keeper:
    """Keeps the pressure during a hold, but leaves it alone during the leak test."""

    def __init__(self, drive: PressureDrive, leak: LeakTest | None) -> None:
        self._drive = drive
        self._leak = leak
        self._rest = False

    def keep(self, scan: Scan) -> None:
        """Do one tick."""
        pressure_bar = scan.gauge.newest_bar
        if self._leak is not None and pressure_bar is not None:
            rested = self._rest
            self._rest = self._leak.add(scan.t_s, pressure_bar, scan.temperature_c)
            if self._rest and not rested:
                self._drive.rest()
        if not self._rest:
            self._drive.keep(scan)


def _leave(_scan: Scan) -> None:
    """Do nothing: the vent is open."""
