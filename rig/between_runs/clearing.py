"""Before a run: what the last run on this rig left is shown, and a person must clear it first.

A trip is cleared by typing its code; changed limits are confirmed in two steps. Both can be given beforehand
with `--clear CODE`, for a start without a keyboard: the refusal names the code to give.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from grading.record.format import utc_text
from rig.between_runs.last_run import (
    INTERRUPTED,
    NOT_VENTED,
    Change,
    last_recorded,
    latest,
    limit_changes,
    newest,
    value_word,
    watched_limits,
)
from rig.between_runs.memory import How, MemoryDamaged, Remembered, read_memory, write_memory
from rig.loop.dialogue import Dialogue, NoAnswer
from rig.loop.loop import Refused
from rig.loop.run_log import RunLog
from rig.setup.bench_file import BenchFile
from rig.view import Prompt, View, Wanted

MEMORY_LOST = "MEMORY_LOST"


class Clearing:
    """What a rig's last run left, and what of it still has to be cleared.

    Attributes:
        interrupted: the last run never ended.
    """

    def __init__(
        self,
        bench: BenchFile,
        records: Path,
        memories: Sequence[Path],
        codes: Sequence[str],
        view: View,
        log: RunLog,
    ) -> None:
        """Look up the last run.

        Args:
            bench: of this run.
            records: folder in which records are looked for as well.
            memories: files of the rig's memory, one for each of its names; a virtual bench has none.
            codes: cleared beforehand.
            view: where it is shown.
            log: of this run.
        """
        self._memories = tuple(memories)
        self._codes = tuple(codes)
        self._view = view
        self._log = log
        self._limits = watched_limits(bench)
        self._bench_name = bench.name
        self._last, self._damaged = _looked_up(bench, records, self._memories)
        self.interrupted = self._last is not None and not (self._last.how or self._last.cleared)

    def settle(self, dialogue: Dialogue) -> None:
        """Have everything cleared that the last run left open.

        Raises:
            Refused: NOT_CLEARED or LIMITS_CHANGED.
            StopAsked, Tripped: as `Dialogue.demand`.
        """
        latched = _latched(self._last, self._damaged)
        changes = _changes(self._last, self._damaged, self._limits)
        outstanding = [code for code, _ in latched] + ([_code_of(changes)] if changes else [])
        if self._codes and not outstanding:
            self._view.say(f"Nothing had to be cleared: --clear {' '.join(self._codes)} was not needed.")
        for code, what in latched:
            self._clear(dialogue, code, what, outstanding)
        if changes:
            self._confirm(dialogue, changes, outstanding)
        if outstanding and self._last is not None:
            self._remember(replace(self._last, cleared=True, limits=self._limits))

    def begun(self, record: Path, started: datetime) -> None:
        """Note that a run has begun; until `ended` is called it counts as interrupted."""
        self._last = Remembered(self._bench_name, str(record.absolute()), utc_text(started), self._limits)
        self._remember(self._last)

    def ended(self, how: How, code: str, text: str, ended: datetime, *, vented: bool) -> None:
        """Note how the run that was begun has ended; a trip, or a pot not vented, stays until cleared."""
        if self._last is None:
            return
        if how != "tripped":
            code = "" if vented else NOT_VENTED
        self._last = replace(self._last, how=how, code=code, text=text, ended_utc=utc_text(ended))
        self._remember(self._last)

    def _clear(self, dialogue: Dialogue, code: str, what: str, outstanding: list[str]) -> None:
        self._view.say(what, "caution")
        self._log.event("note", text=what)
        way_on = f"find out why, then type {code} when asked, or give --clear {code}"
        if not self._given(code, what, way_on, outstanding):
            text = f"Find out why before you continue, then type {code}."
            prompt = Prompt("clear_trip", text, wanted=Wanted.TRIP_CODE)
            self._typed(
                "NOT_CLEARED", what, way_on, lambda: dialogue.demand(prompt, _only(code, "the code to type"))
            )
        self._log.event("note", text=f"cleared: {code}")

    def _confirm(self, dialogue: Dialogue, changes: tuple[Change, ...], outstanding: list[str]) -> None:
        code = _code_of(changes)
        listed = ", ".join(change.text for change in changes)
        what = _in_words(changes, self._damaged)
        self._log.event("note", text=what)

        def in_two_steps() -> None:
            dialogue.confirm("changed_limits", f"{what} Is each change intended?", "CHANGED")
            for change in changes:
                wanted = value_word(change.now)
                prompt = Prompt(
                    f"changed_{change.key}",
                    f"Second step: type the new value of {change.key} from the plate or its document, "
                    "as written in the bench file" + (", or 'not set'." if change.now is None else "."),
                    wanted=Wanted.BENCH_VALUE,
                    bench_key=change.key,
                )
                dialogue.demand(prompt, _only(wanted, "what the bench file says"))

        way_on = f"if each is intended, confirm it when asked, or give --clear {code}"
        if self._given(code, what, way_on, outstanding):
            self._view.say(what, "caution")
        else:
            self._typed("LIMITS_CHANGED", what, way_on, in_two_steps)
        self._log.event("note", text=f"confirmed: {listed}")

    def _given(self, code: str, what: str, way_on: str, outstanding: list[str]) -> bool:
        """Whether a code was given beforehand.

        Raises:
            Refused: other codes were given, and not this one.
        """
        if code in self._codes:
            return True
        wrong = [given for given in self._codes if given not in outstanding]
        if wrong:
            raise Refused("NOT_CLEARED", f"{what} --clear {' '.join(wrong)} does not clear it; {way_on}")
        return False

    def _typed(self, refusal: str, what: str, way_on: str, ask: Callable[[], object]) -> None:
        try:
            ask()
        except NoAnswer:
            raise Refused(refusal, f"{what} It was not cleared; {way_on}") from None

    def _remember(self, remembered: Remembered) -> None:
        for file in self._memories:
            try:
                write_memory(file, remembered)
            except OSError as error:
                self._view.say(
                    f"{file}: cannot be written ({error.strerror}); the next start will find this run "
                    "only by its record.",
                    "caution",
                )
                return


def left_open(
    bench: BenchFile, records: Path, memories: Sequence[Path]
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return what the last run left to be cleared, and which limits have to be confirmed: code and what.

    Args:
        bench: of the next run.
        records: folder in which records are looked for as well.
        memories: files of the rig's memory.
    """
    last, damaged = _looked_up(bench, records, memories)
    changes = _changes(last, damaged, watched_limits(bench))
    confirm = [(_code_of(changes), _in_words(changes, damaged))] if changes else []
    return _latched(last, damaged), confirm


def _looked_up(bench: BenchFile, records: Path, memories: Sequence[Path]) -> tuple[Remembered | None, str]:
    """The last run, and which memory is damaged, as a clause."""
    damaged = ""
    found = []
    for file in memories:
        try:
            found.append(read_memory(file))
        except MemoryDamaged as error:
            damaged = damaged or str(error)
    return newest(latest(found), last_recorded(records, bench)), damaged


def _latched(last: Remembered | None, damaged: str) -> list[tuple[str, str]]:
    """Codes to be typed, each with what happened."""
    if damaged:
        what = f"{damaged}: the state that the last run left is not known. Check the rig first."
        return [(MEMORY_LOST, what)]
    if last is None or last.cleared:
        return []
    name = Path(last.record).name
    if not last.how:
        what = (
            f"The last run ({name}) did not end properly; what the pot holds is not known. Close the bottle, "
            "keep the lid shut, open the vent, wait until the dial shows no pressure, and air the pot."
        )
        return [(INTERRUPTED, what)]
    if last.code:
        when = last.ended_utc[:16].replace("T", " ")
        what = f"The last run ({name}) ended at {when} UTC with {last.code}: {last.text}"
        return [(last.code, what)]
    return []


def _changes(last: Remembered | None, damaged: str, limits: Mapping[str, float | None]) -> tuple[Change, ...]:
    if damaged:
        return tuple(Change(key, None, now, known=False) for key, now in limits.items())
    return () if last is None else limit_changes(last.limits, limits)


def _in_words(changes: tuple[Change, ...], damaged: str) -> str:
    since = "Changed in the bench file since the last run"
    if damaged:
        since = "The limits of the last run are not known. They are now"
    return f"{since}: {', '.join(change.text for change in changes)}."


def _code_of(changes: tuple[Change, ...]) -> str:
    """The code that confirms exactly these changes."""
    text = "; ".join(change.text for change in changes)
    return f"LIMITS-{hashlib.sha256(text.encode()).hexdigest()[:6].upper()}"


def _only(wanted: str, what: str) -> Callable[[str], str | None]:
    return lambda answer: None if answer == wanted else f"'{answer}' is not {what}"
