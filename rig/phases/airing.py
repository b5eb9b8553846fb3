"""Fresh air in the pot before the reading in air: asked of the person there, and confirmed by the cells.

A pot that was not aired since the last run, or whose supply seeps, holds more oxygen than air. Every cell
then reads high in 'air', and would be blamed for the difference to oxygen.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median

from rig.loop.dialogue import Dialogue, NoAnswer
from rig.loop.loop import Loop, Tripped, procedure_trip
from rig.phases.hold import HoldResult
from rig.safety.interlocks import Response
from rig.safety.scan import Scan

AIRED = "AIRED"
LONGEST_AIRING_S = 600.0
LID_OFF_S = 60.0
HIGHER_PART = 0.05
"""Cells that all read higher in air than in their last record by more than this: no cell gains so much at
rest. Common practice, no source."""
HIGHER_ALONE_PART = 0.10
MOVES_PART = 0.02
"""Cells that all moved by more than this during the hold in air: the gas in the pot was still changing."""

_AIR_IT = (
    "Shut the bottle and the supply valve, take the lid off for a minute so that fresh air fills the pot, "
    "put it back, and start again."
)
_SUPPLY_LEAKS = (
    "If it was aired, the likely cause is a supply valve that leaks: repair it. With the bottle shut and the "
    "regulator's line empty the readings then rest."
)


class Airing:
    """Has the pot aired, and judges the reading in air."""

    def __init__(
        self, loop: Loop, dialogue: Dialogue, known_air_mv: Mapping[int, float], *, asks: bool
    ) -> None:
        """Ask through `dialogue` where a person is there (`asks`).

        Args:
            loop: of the run.
            dialogue: where the person is asked.
            known_air_mv: output in air from earlier records by socket, scaled to the PO2 of dry air.
            asks: whether to ask for the pot to be aired.
        """
        self._loop = loop
        self._dialogue = dialogue
        self._known_air_mv = known_air_mv
        self._asks = asks
        self._seen_open = False
        self._doubted = False

    def air(self) -> None:
        """Have the pot aired, the vent open and no gas on.

        Raises:
            Tripped: AIR_SUSPECT, when nobody confirms it.
            StopAsked: a stop was asked for.
        """
        if not self._asks:
            return
        text = (
            "Air the pot: with the dial at zero take the lid off for a minute, or open it wide, and put it "
            "back shut. It must hold fresh room air, no oxygen left from before."
        )
        try:
            self._dialogue.confirm(
                "air_pot",
                text,
                AIRED,
                timeout_s=LONGEST_AIRING_S,
                watch=self._watch_lid,
                lid_off_s=LID_OFF_S,
                contradiction=self._lid_contradicts,
            )
        except NoAnswer as nobody:
            raise _suspect(f"Nobody has confirmed that the pot was aired: {nobody}") from None
        self._loop.log.event("note", text=f"The pot was aired before the reading in air: {self._seen_by()}.")

    def judge(self, result: HoldResult, scaled_mv: Mapping[int, float]) -> None:
        """Judge the hold in air by the cells.

        Args:
            result: of the hold.
            scaled_mv: its outputs by socket, scaled to the PO2 of dry air.

        Raises:
            Tripped: AIR_SUSPECT.
        """
        moved = [
            result.output_mv[socket] / first - 1.0
            for socket, first in result.first_mv.items()
            if socket in result.output_mv and first > 1.0
        ]
        if len(moved) > 1 and (min(moved) > MOVES_PART or max(moved) < -MOVES_PART):
            raise _suspect(
                f"All {len(moved)} cells moved by {100 * median(moved):+.0f} % while they should rest in "
                "air: the gas in the pot is changing.",
                leaks=max(moved) > 0.0,
            )
        higher = [
            scaled_mv[socket] / known - 1.0
            for socket, known in self._known_air_mv.items()
            if socket in scaled_mv and known > 1.0
        ]
        allowed = HIGHER_ALONE_PART if len(higher) == 1 else HIGHER_PART
        if higher and min(higher) > allowed:
            who = "The cell reads" if len(higher) == 1 else f"All {len(higher)} cells known from before read"
            raise _suspect(
                f"{who} {100 * median(higher):.0f} % higher in air than in the last record: the pot holds "
                "more oxygen than air.",
                leaks=True,
            )

    def _watch_lid(self, scan: Scan) -> None:
        if scan.valves is not None and scan.valves.lid_closed is False:
            self._seen_open = True

    def _lid_closed(self) -> bool | None:
        """What the lid switch says now; None without one."""
        valves = self._loop.scan.valves
        return None if valves is None else valves.lid_closed

    def _lid_contradicts(self) -> str | None:
        """What the lid switch says against the word: an open lid each time, one never opened only once."""
        closed = self._lid_closed()
        if closed is False:
            return f"the lid switch says that the lid is open: put it back, then type {AIRED}"
        if closed and not self._seen_open and not self._doubted:
            self._doubted = True
            return (
                "the lid switch has not seen the lid open: take the lid off for a minute and put it back; if "
                f"it was off, check the switch. Then type {AIRED} once more"
            )
        return None

    def _seen_by(self) -> str:
        if self._seen_open:
            return "the lid switch saw the lid open and shut"
        by_word = "by the word of the operator"
        return f"{by_word}; the lid switch has not seen the lid open" if self._lid_closed() else by_word


def _suspect(text: str, *, leaks: bool = False) -> Tripped:
    """The trip; `leaks` where oxygen that comes in during the hold would explain it too."""
    do_now = f"{_AIR_IT} {_SUPPLY_LEAKS}" if leaks else _AIR_IT
    return Tripped(procedure_trip("AIR_SUSPECT", Response.STOP, text, do_now, rows=(16,)))
