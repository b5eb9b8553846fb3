"""What a run reports to the operator and keeps in its record."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
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
_VENTILATE = "Ventilate the room; find where the oxygen comes from."


class Notices:
    """Reports each thing once, on the screen and in the record.

    Attributes:
        asks_codes: whether the next run on this rig asks for the code of this one's trip.
    """

    def __init__(self, view: View, log: RunLog, clock: Clock, frozen: FrozenFiles) -> None:
        """Report on `view` and in `log`; `frozen` are the files that must not be edited meanwhile."""
        self._view = view
        self._log = log
        self._clock = clock
        self._frozen = frozen
        self._room = RoomWatch()
        self._code_shown = False
        self._barometer_reported = False
        self._swapped: frozenset[int] = frozenset()
        self.asks_codes = False

    def caution(self, text: str) -> None:
        """Show a caution on the screen and put it into the record's notes, which every paper prints."""
        self._log.event("note", text=text)
        self._view.say(text, "caution")

    def trip(self, trip: Trip, scan: Scan) -> None:
        """Report a trip, and record it with its evidence."""
        self._log.event(
            "trip", code=trip.code, text=trip.text, done=trip.done, do_now=trip.do_now, **evidence(trip, scan)
        )
        self._view.say(trip.message, "alarm")
        if self.asks_codes and trip.code != "STOPPED_NOW" and not self._code_shown:
            self._code_shown = True
            self._view.say(f"Code of this trip: {trip.code}. The next run asks for it.", "caution")

    def moved_zero(self, why: str) -> None:
        """Report that the gauges have drifted during the run, which makes all of its readings doubtful."""
        self._log.event(
            "trip",
            code="ZERO_MOVED",
            text=why,
            done="The pot is vented.",
            do_now="Check the gauges.",
            invalid_from_s=0.0,
        )
        self._view.say(why, "alarm")

    def deaf_voltmeter(self, why: str) -> None:
        """Report a voltmeter that did not follow the vent: it may have stood still in the last hold."""
        self._log.event(
            "trip",
            code="VOLTMETER_LOST",
            text=why,
            done="The pot is vented.",
            do_now="Check the voltmeter and its cable.",
            invalid_from_s=0.0,
        )
        self._view.say(f"{why} Check the voltmeter and its cable.", "alarm")

    def tick(self, scan: Scan) -> None:
        """Report what is new about the room, the barometer and the files that the run was started with."""
        self._report_edits()
        self._report_barometer(scan)
        if alarming := self._room.look(scan.room_oxygen_percent):
            self._log.event("alarm", code="ROOM_OXYGEN_RISES", text=alarming, do_now=_VENTILATE)
            self._view.say(f"{alarming} {_VENTILATE}", "alarm")

    def swapped(self, sockets: frozenset[int]) -> None:
        """Report sockets whose channels have been exchanged, once each."""
        new = sorted(sockets - self._swapped)
        if new:
            self._swapped = sockets
            which = " and ".join(str(socket) for socket in new)
            self.caution(
                f"Sockets {which} have been exchanged during the run: each shows what the other showed. "
                "Their cells are not graded; check which lead goes to which socket before the next run."
            )

    def last_words(self) -> None:
        """Record how the room was monitored, and check the files a last time."""
        self._log.event("note", text=self._room.record_sentence)
        self._frozen.look_a_last_time()
        self._report_edits()

    def resting(self, out: Path, cells: Sequence[CellInfo]) -> None:
        """Report cells that have not rested since a fast decompression in an earlier run."""
        resting = still_resting(out, [cell.cell for cell in cells], self._clock.utc())
        if resting:
            text = (
                f"Decompressed fast in an earlier run and not rested yet: {', '.join(sorted(resting))}. They "
                "should stay at ambient pressure until "
            )
            until = max(resting.values())
            self._log.event("note", text=f"{text}{until:%H:%M} UTC.")
            self._view.say(f"{text}{_local_time(until)}.", "caution")

    def rest(self, under_gas_s: float, *, sure: bool) -> None:
        """Report how long cells rest after a fast decompression from `under_gas_s` seconds of pressure.

        They rest as well where it is not `sure` that the pressure fell fast.
        """
        seconds = rest_s(under_gas_s)
        self._log.event("rest", rest_s=round(seconds, 1))
        until = self._clock.utc() + timedelta(seconds=seconds)
        were = "were" if sure else "may have been"
        self._view.say(
            f"These cells {were} decompressed fast: leave them at ambient pressure until "
            f"{_local_time(until)} before they are tested again.",
            "caution",
        )

    def lost_record(self) -> None:
        """Report that the record stopped, and show the last readings that were kept in memory only."""
        kept = len(self._log.rows_in_memory)
        self._view.say(
            f"The record stopped: {self._log.failure}. {kept} readings since then were kept in memory only "
            "and are lost now; the run cannot be graded.",
            "alarm",
        )
        for row in self._log.last_rows(_ROWS_SHOWN):
            self._view.say(row)

    def _report_barometer(self, scan: Scan) -> None:
        """Report once a barometer that does not answer: its last reading then stands for ambient pressure."""
        if scan.barometer_bad >= _BAROMETER_LOST_AFTER and not self._barometer_reported:
            self._barometer_reported = True
            last = "" if scan.barometer_bar is None else f", {1000.0 * scan.barometer_bar:.1f} hPa,"
            self.caution(f"The barometer no longer answers; its last reading{last} is used until it does.")
        elif scan.barometer_bad == 0 and self._barometer_reported:
            self._barometer_reported = False
            self._log.event("note", text="The barometer answers again.")

    def _report_edits(self) -> None:
        for name in self._frozen.newly_changed():
            self.caution(f"{name} was edited during the run, which continues with what it read at the start.")


def _local_time(moment: datetime) -> str:
    """The time of day in the time zone of this computer, with its name."""
    local = moment.astimezone()
    return f"{local:%H:%M} {local.tzname()}"
