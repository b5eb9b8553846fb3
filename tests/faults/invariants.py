"""What must hold for every run on the virtual bench, by the bench's truth and not by its gauges."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from seed_benches import BY_HAND, CONTROLLER

if TYPE_CHECKING:
    from fault_bench import SeedRun
    from seed_sink import HoldTruth

MARGIN_BAR = 0.2
VENTED_BAR = 0.05
OXYGEN_DOUBT = 0.012
PRESSURE_DOUBT_BAR = 0.020
OUTPUT_DOUBT = 0.01
"""Part of a true output; the outputs themselves are recorded within a thousandth."""
OUTPUT_DOUBT_MV = 0.1
UNSEEN_IN_AIR = 0.03
"""Part by which outputs in air and in oxygen differ without anybody knowing whether it is the gas."""
JUDGED = ("pass", "watch", "reject")
DECIDED = ("pass", "reject")
"""Grades that no cell may have whose own output alone was touched."""

STUCK_VALVES = frozenset({"supply_stuck_open", "vent_stuck_shut", "vent_blocked", "tee_clogged"})


def broken_invariants(run: SeedRun) -> list[str]:
    """Check one run against the invariants; each line begins with the name of the invariant."""
    return [*_pressure(run), *_vented(run), *_record(run), *_holds(run), *_told(run)]


def left_to_hands(run: SeedRun) -> bool:
    """Whether the program is dead and no layer vents the pot: a person has to.

    With solenoid valves that takes a stuck valve; the model check has the same cut sets
    (`test_model_check.py`), and forced pairs show what the remaining layers do (`forced_pairs.py`). A
    pressure controller keeps its set point when the program is gone, and hand valves stay where they are. The
    pressure invariant holds for these runs too.
    """
    if run.how != "killed":
        return False
    return run.bench in (CONTROLLER, *BY_HAND) or any(fault.name in STUCK_VALVES for fault in run.faults)


def _pressure(run: SeedRun) -> Iterable[str]:
    highest_bar = run.highest_bar
    if highest_bar > run.working_pressure_bar - MARGIN_BAR:
        yield f"I1 pressure reached {highest_bar:.3f} bar"


def _vented(run: SeedRun) -> Iterable[str]:
    if left_to_hands(run) or (run.alarmed and run.how != "killed"):
        return
    if run.how == "refused" and run.bench in BY_HAND:
        # The person has not opened the cylinder yet, which this bench does not know.
        return
    if run.how != "killed" and _over_bar(run.truth.pressure_bar, run.truth.room_pressure_bar) > VENTED_BAR:
        yield f"I2 not vented at the end: {run.truth.pressure_bar:.3f} bar, no alarm stands"
        return
    if any(fault.at_s > run.bench_s for fault in run.faults):
        # Broken after the run: the bottle is shut by then, and no program is there to sound an alarm.
        return
    later = run.truth_later
    if _over_bar(later.pressure_bar, later.room_pressure_bar) > VENTED_BAR:
        yield f"I2 not vented three minutes later: {later.pressure_bar:.3f} bar, no alarm stands"
    elif run.how in ("completed", "tripped", "stopped", "aborted") and run.standing_bar > VENTED_BAR:
        yield f"I2 pressure came back while the pot stood: {run.standing_bar:+.3f} bar, no alarm stands"


def _over_bar(pressure_bar: float, room_bar: float) -> float:
    return abs(pressure_bar - room_bar)


def _record(run: SeedRun) -> Iterable[str]:
    if run.sink.misfits:
        yield f"I3 event: {run.sink.misfits[0]}"
    if run.record_problems and run.how not in ("killed",):
        yield f"I3 record: {run.record_problems[0]}"
    if (
        run.outcome is not None
        and run.how != "refused"
        and run.sink.ended is None
        and "disk_full" not in {fault.name for fault in run.faults}
    ):
        yield "I3 the record has no end although the program lived"


def _holds(run: SeedRun) -> Iterable[str]:
    """A hold that a fault touched must not carry a grade; a run that did not complete has none."""
    if run.how != "completed":
        return
    for hold in run.sink.holds:
        wrong = "" if _hide_each_other(hold) else _wrong_of_all(hold)
        graded = [socket for socket, grade in run.grades().items() if grade in JUDGED] if wrong else []
        if graded:
            yield f"{wrong}; graded: {run.grades_text()}"
        for socket, text in _wrong_outputs(hold):
            if graded or _seen_by_nothing(run, hold, socket):
                continue
            grade = run.grades().get(socket)
            if grade in DECIDED:
                yield f"I7 step {hold.step} socket {socket} {text}; graded {grade}"
                return
    for hold in run.sink.air_holds:
        wrong = _wrong_of_all(hold)
        if wrong and "reject" in run.grades().values():
            yield f"I7 air: {wrong}; graded: {run.grades_text()}"


def _wrong_of_all(hold: HoldTruth) -> str:
    """By what a hold's gas or pressure is wrong beyond its doubt, for every cell in it; or nothing."""
    doubt = max(OXYGEN_DOUBT, 3.0 * hold.u_oxygen_fraction)
    if abs(hold.oxygen_fraction - hold.claimed_oxygen_fraction) > doubt:
        return (
            f"I4 step {hold.step} measured in {100 * hold.oxygen_fraction:.2f} % oxygen, recorded as "
            f"{100 * hold.claimed_oxygen_fraction:.2f} %"
        )
    if hold.recorded_bar is not None and abs(hold.recorded_bar - hold.pressure_bar) > PRESSURE_DOUBT_BAR:
        return f"I5 step {hold.step} recorded {hold.recorded_bar:.3f}, true {hold.pressure_bar:.3f} bar"
    return ""


def _hide_each_other(hold: HoldTruth) -> bool:
    """Whether gas and meter are wrong and make up for each other, so that every cell gives what it should.

    Two faults that cancel within what a good gas and a good meter differ by are seen by nothing in the run.
    """
    if not hold.claimed_oxygen_fraction or not hold.recorded_mv:
        return False
    gas = hold.oxygen_fraction / hold.claimed_oxygen_fraction
    return all(
        abs(gas * recorded_mv / hold.true_mv[socket] - 1.0) <= UNSEEN_IN_AIR
        and abs(recorded_mv / hold.true_mv[socket] - 1.0) > OUTPUT_DOUBT
        for socket, recorded_mv in hold.recorded_mv.items()
        if recorded_mv is not None and hold.true_mv.get(socket)
    )


def _wrong_outputs(hold: HoldTruth) -> Iterable[tuple[int, str]]:
    for socket, true_mv in hold.true_mv.items():
        recorded_mv = hold.recorded_mv.get(socket)
        if recorded_mv is None:
            continue
        if abs(recorded_mv - true_mv) > OUTPUT_DOUBT * abs(true_mv) + OUTPUT_DOUBT_MV:
            yield socket, f"recorded {recorded_mv:.2f} mV, true {true_mv:.2f} mV"


def _seen_by_nothing(run: SeedRun, hold: HoldTruth, socket: int) -> bool:
    """Whether the meter was off by one part in every hold in oxygen, and in air by nearly the same.

    No step differs from another then, and the purge's uncertainty covers the little by which air does. Only
    the meter's calibration shows that, or whoever plugs its channels in.
    """
    holds = [*run.sink.air_holds[:1], *run.sink.holds]
    scales = [
        each.recorded_mv[socket] / each.true_mv[socket]
        for each in holds
        if socket in each.recorded_mv and each.true_mv[socket]
    ]
    if len(scales) < len(holds) or not hold.true_mv[socket]:
        return False
    air, *oxygen = scales
    alike = max(oxygen) - min(oxygen) < OUTPUT_DOUBT * max(oxygen)
    return alike and abs(air - oxygen[0]) < UNSEEN_IN_AIR * oxygen[0]


def _told(run: SeedRun) -> Iterable[str]:
    if run.told:
        yield f"I6 told {run.told[0]}"
