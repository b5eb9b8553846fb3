"""A view whose failures do not reach the run: a pot under pressure needs the program, not the picture."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from rig.safety.scan import Scan
from rig.view import Cue, CuedView, PatientView, Prompt, Severity, Snapshot, View

T = TypeVar("T")


class GuardedView:
    """Shows everything on another view, and keeps the first failure of that view to be reported."""

    def __init__(self, view: View) -> None:
        """Guard `view`."""
        self._view = view
        self._failed = False
        self._unreported = ""

    def take_failure(self) -> str:
        """Return how the view failed first, as one clause, when first asked after that; else nothing."""
        failure, self._unreported = self._unreported, ""
        return failure

    @property
    def show_every_s(self) -> float:
        """Shortest real time between two pictures, in seconds."""
        return self._view.show_every_s

    def update(self, snapshot: Snapshot) -> None:
        """Show the rig as it is now."""
        self._attempt(lambda: self._view.update(snapshot))

    def say(self, text: str, severity: Severity = "info") -> None:
        """Show one message."""
        self._attempt(lambda: self._view.say(text, severity))

    def ask(self, prompt: Prompt) -> str | None:
        """Ask and wait; None also when the view fails."""
        return self._attempt(lambda: self._view.ask(prompt))

    def withdraw(self) -> None:
        """Withdraw an open question."""
        self._attempt(self._view.withdraw)

    def _attempt(self, show: Callable[[], T]) -> T | None:
        # A library that draws may even ask the program to end (SystemExit).
        try:
            return show()
        except (Exception, SystemExit) as error:
            if not self._failed:
                self._failed = True
                self._unreported = f"{type(error).__name__}: {' '.join(str(error).split())}"
            return None


class GuardedPerson(GuardedView):
    """The same for a simulated operator, whose own acts are not guarded."""

    def __init__(self, person: PatientView) -> None:
        """Guard what `person` is shown."""
        super().__init__(person)
        self._person = person

    def put(self, prompt: Prompt, t_s: float) -> None:
        """Put a question."""
        self._person.put(prompt, t_s)

    def take(self, t_s: float) -> str | None:
        """The answer, or None while there is none yet."""
        return self._person.take(t_s)

    def cue(self, cue: Cue | None, scan: Scan) -> None:
        """Show the cue of this tick."""
        if isinstance(self._person, CuedView):
            self._person.cue(cue, scan)


def guarded(view: View) -> GuardedView:
    """Return a view that shows everything on `view` and never raises; a guarded one as it is."""
    if isinstance(view, GuardedView):
        return view
    return GuardedPerson(view) if isinstance(view, PatientView) else GuardedView(view)
