"""Whether a run's gas, gauges or meter are in doubt, and whether a check cell or a second run settles it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from grading.judgement.common_cause import ADVICE, Deviations, OffAlike, find_off_alike, shows_the_same
from grading.measurement import Measurement

_MEASURING: Final = ("gauge", "second_gauge", "voltmeter")


@dataclass(frozen=True, slots=True)
class Suspicion:
    """What is in doubt.

    Attributes:
        reasons: why no cell of the run is graded; empty where they are.
        notes: what a second run has shown, for every reader of the result.
        second_run: its record, where the grades depend on it.
    """

    reasons: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    second_run: str = ""


def suspicion(
    measurement: Measurement,
    shown: Sequence[Deviations],
    second: Measurement | None,
    deviations_of: Callable[[Measurement], Sequence[Deviations]],
) -> Suspicion:
    """Return what is in doubt in a run.

    Args:
        measurement: the run.
        shown: what a common cause could have moved in each of its cells.
        second: a second run of the same cells with another bottle; None without one.
        deviations_of: gives the same as `shown` of the second run.
    """
    if measurement.ungraded:
        return Suspicion()
    found, seen = find_off_alike(shown), measurement.suspect
    if found is None and not seen:
        return Suspicion()
    vouching = [one.cell for one in shown if one.check_cell and one.agrees]
    if vouching:
        return Suspicion(notes=(_vouched(vouching),))
    reasons = (*((found.text,) if found is not None else seen), ADVICE)
    if second is None:
        return Suspicion(reasons)
    name = second.conditions.record_id
    if second.ungraded:
        return Suspicion((*reasons, f"The second run {name} can't decide it: {second.ungraded[0]}"))
    if found is None or not shows_the_same(shown, deviations_of(second), found):
        return Suspicion(
            (*reasons, f"The second run {name} does not show the same cells off in the same way.")
        )
    return Suspicion(notes=(_settled(found, measurement, second, name),), second_run=name)


def _vouched(check_cells: Sequence[str]) -> str:
    return (
        f"Cells are off alike, but the check cell {check_cells[0]} reads right in the same gas, by the same "
        "gauges and meter: it is the cells, and they are graded."
    )


def _settled(found: OffAlike, first: Measurement, second: Measurement, name: str) -> str:
    text = (
        f"{len(found.cells)} cells are off alike ({', '.join(found.cells)}). The second run {name} with "
        f"another bottle ('{second.bottle}', here '{first.bottle}') shows them off in the same way, so they "
        "are graded. That rules out this one bottle, on the word of the bench files that they were two, and "
        "not a gas that both came from."
    )
    if _measured_by(first) == _measured_by(second):
        text += " The gauges and the meter were the same in both runs and are not ruled out."
    return f"{text} A check cell in the same run would rule out all of them."


def _measured_by(run: Measurement) -> set[tuple[str, str]]:
    """Role and serial of what measures pressure and millivolts."""
    return {(line.role, line.serial) for line in run.conditions.instruments if line.role in _MEASURING}
