"""What a run tells the operator, and keeps in its record for whoever reads that later."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path

from drivers.ports import Clock
from grading.results import CellInfo
from rig.between_runs.resting import rest_s, still_resting
from rig.loop.run_log import RunLog
from rig.run.frozen_files import FrozenFiles
from rig.run.trip_evidence import evidence
from rig.safety.interlocks import Trip
from rig.safety.room_oxygen import RoomWatch
from rig.safety.scan import Scan
from rig.view import View

_ROWS_SHOWN = 10
_BAROMETER_LOST_AFTER = 2
_AIR_THE_ROOM = "Air the room; find where the oxygen comes from."


class Notices:
    """Says things once, on the screen and in the record alike.

    Attributes:
        asks_codes: whether the next run on this rig asks for the code of this one's trip.
    """

    def __init__(self, view: View, log: RunLog, clock: Clock, frozen: FrozenFiles) -> None:
        """Tell on `view` and in `log`; `frozen` are the files that must not be edited meanwhile."""
        self._view = view
        self._log = log
        self._clock = clock
        self._frozen = frozen
        self._room = RoomWatch()
        self._code_told = False
        self._barometer_told = False
        self.asks_codes = False

    def caution(self, text: str) -> None:
        """Say something on the screen and in the record's notes, which every paper prints."""
        self._log.event("note", text=text)
        self._view.say(text, "caution")

    def trip(self, trip: Trip, scan: Scan) -> None:
        """Tell of a trip, and record it with what it was judged on."""
        self._log.event(
            "trip", code=trip.code, text=trip.text, done=trip.done, do_now=trip.do_now, **evidence(trip, scan)
        )
        self._view.say(trip.message, "alarm")
        if self.asks_codes and trip.code != "STOPPED_NOW" and not self._code_told:
            self._code_told = True
            self._view.say(f"Code of this trip: {trip.code}. The next run asks for it.", "caution")

    def moved_zero(self, why: str) -> None:
        """Tell that the gauges have moved during the run, which puts all of its readings in doubt."""
        self._log.event(
            "trip",
            code="ZERO_MOVED",
            text=why,
            done="The pot is vented.",
            do_now="Check the gauges.",
            invalid_from_s=0.0,
        )
        self._view.say(why, "alarm")

    def tick(self, scan: Scan) -> None:
        """Tell what is new about the room, the barometer and the files that the run was started with."""
        self._tell_edits()
        self._tell_barometer(scan)
        if alarming := self._room.look(scan.room_oxygen_percent):
            self._log.event("alarm", code="ROOM_OXYGEN_RISES", text=alarming, do_now=_AIR_THE_ROOM)
            self._view.say(f"{alarming} {_AIR_THE_ROOM}", "alarm")

    def last_words(self) -> None:
        """Record how the room was watched, and look at the files a last time."""
        self._log.event("note", text=self._room.told_in_record)
        self._frozen.look_a_last_time()
        self._tell_edits()

    def resting(self, out: Path, cells: Sequence[CellInfo]) -> None:
        """Tell of cells that have not rested since they were decompressed fast in an earlier run."""
        resting = still_resting(out, [cell.cell for cell in cells], self._clock.utc())
        if resting:
            self.caution(
                f"Decompressed fast not long ago, and not rested yet: {', '.join(sorted(resting))}. They "
                f"should stay at ambient pressure until {max(resting.values()):%H:%M} UTC."
            )

    def rest(self, under_gas_s: float) -> None:
        """Tell how long cells rest that were decompressed fast after `under_gas_s` seconds of pressure."""
        seconds = rest_s(under_gas_s)
        self._log.event("rest", rest_s=round(seconds, 1))
        until = self._clock.utc() + timedelta(seconds=seconds)
        self._view.say(
            "These cells were decompressed fast: leave them at ambient pressure until "
            f"{until:%H:%M} UTC before they are tested again.",
            "caution",
        )

    def lost_record(self) -> None:
        """Tell that the record stopped, and show the last readings that were kept in memory only."""
        kept = len(self._log.rows_in_memory)
        self._view.say(
            f"The record stopped: {self._log.failure}. {kept} readings since then were kept in memory only "
            "and are lost now; the run cannot be graded.",
            "alarm",
        )
        for row in self._log.last_rows(_ROWS_SHOWN):
            self._view.say(row)

    def _tell_barometer(self, scan: Scan) -> None:
        """Tell once of a barometer that is silent: what the pot is vented to is then an old reading."""
        if scan.barometer_bad >= _BAROMETER_LOST_AFTER and not self._barometer_told:
            self._barometer_told = True
            last = "" if scan.barometer_bar is None else f", {1000.0 * scan.barometer_bar:.1f} hPa,"
            self.caution(f"The barometer no longer answers; its last reading{last} is used until it does.")
        elif scan.barometer_bad == 0 and self._barometer_told:
            self._barometer_told = False
            self._log.event("note", text="The barometer answers again.")

    def _tell_edits(self) -> None:
        for name in self._frozen.newly_changed():
            self.caution(f"{name} was edited during the run, which goes on with what it read at the start.")
