"""The run on screen: a live picture in a terminal, plain lines elsewhere."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from types import TracebackType
from typing import Final

from rich.console import Console, RenderableType
from rich.live import Live
from rich.text import Text

from rig.terminal.formats import clock_text, maybe
from rig.terminal.keyboard import LineReader, can_read_keys, keys_unseen, read_typed
from rig.terminal.picture import Picture, is_under_way
from rig.view import Action, Cue, Prompt, Severity, Snapshot

SEEN_EVERY_S: Final = 0.1
REFRESH_S: Final = 0.125
PLAIN_AT_MOST_EVERY_S: Final = 0.3
PLAIN_AT_LEAST_EVERY_S: Final = 5.0

_SEVERITY_WORD: Final[dict[Severity, str]] = {"info": "", "caution": "Caution: ", "alarm": "ALARM: "}
_SEVERITY_STYLE: Final[dict[Severity, str]] = {"info": "", "caution": "yellow", "alarm": "bold red"}


class TerminalView:
    """A `View` on a terminal. Use it as a context manager: leaving it restores the terminal.

    Pictures are drawn at most eight times a second of real time, however fast the rig's clock runs.
    Messages stay in the scroll-back above the picture.
    """

    def __init__(self, console: Console, *, title: str, virtual: bool = False) -> None:
        """Make a view.

        Args:
            console: where to draw.
            title: bench and procedure.
            virtual: whether the bench is virtual; every picture says so.
        """
        self._console = console
        self._title = title
        self._virtual = virtual
        self._lock = threading.RLock()
        self._live: Live | None = None
        self._latest: Snapshot | None = None
        self._next_s = 0.0
        self._due_s = 0.0
        self._shown = ("", "")
        self._prompt: Prompt | None = None
        self._typed = ""
        self._closes = False
        self._withdrawn = threading.Event()
        self._lines = LineReader()
        self._terminal = ExitStack()

    def __enter__(self) -> TerminalView:
        if self._console.is_terminal and not self._console.is_dumb_terminal:
            live = Live(console=self._console, auto_refresh=False, transient=True, vertical_overflow="crop")
            with _terminal_may_fail():
                self._terminal.enter_context(keys_unseen())
                live.start()
                self._live = live
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._lock, _terminal_may_fail():
            live, self._live = self._live, None
            if live is not None:
                live.stop()
            self._terminal.close()

    @property
    def show_every_s(self) -> float:
        """Return how often to take a picture: the bell rings for cues between two drawings too."""
        return SEEN_EVERY_S

    def update(self, snapshot: Snapshot) -> None:
        """Show the rig as it is now, if the last picture is old enough. A lost terminal is ignored."""
        self._latest = snapshot
        self._ring_for(snapshot.cue)
        now_s = time.monotonic()
        if now_s < self._next_s:
            return
        with self._lock:
            if self._live is not None:
                self._next_s = now_s + REFRESH_S
                self._draw()
            elif (snapshot.now, snapshot.cue_text) != self._shown or now_s >= self._due_s:
                self._next_s = now_s + PLAIN_AT_MOST_EVERY_S
                self._due_s = now_s + PLAIN_AT_LEAST_EVERY_S
                self._shown = (snapshot.now, snapshot.cue_text)
                self._print(plain_line(snapshot), soft_wrap=True)

    def _print(self, *things: RenderableType, soft_wrap: bool = False) -> None:
        with _terminal_may_fail():
            self._console.print(*things, soft_wrap=soft_wrap)

    def say(self, text: str, severity: Severity = "info") -> None:
        """Print one message into the scroll-back."""
        at = clock_text(self._latest.elapsed_s) if self._latest is not None else "-:--"
        line = Text(f"{at:>7}  ", style="dim")
        line.append(_SEVERITY_WORD[severity] + text, style=_SEVERITY_STYLE[severity])
        with self._lock:
            self._print(line, soft_wrap=self._live is None)
            if severity == "alarm":
                self._ring()

    def _ring_for(self, cue: Cue | None) -> None:
        """Ring once for a cue to close a valve or to go slower: the person may be looking at the valve."""
        closes = cue is not None and cue.action in (Action.CLOSE, Action.SLOWER)
        if closes and not self._closes:
            self._ring()
        self._closes = closes

    def _ring(self) -> None:
        """Ring the terminal's bell, where there is one."""
        if self._live is not None:
            with self._lock, _terminal_may_fail():
                self._console.bell()

    def ask(self, prompt: Prompt) -> str | None:
        """Ask the operator; None when there is no answer in time, no keyboard, or it was withdrawn."""
        until_s = time.monotonic() + prompt.timeout_s
        self._withdrawn.clear()
        self.say(prompt.whole_text)
        while (left_s := until_s - time.monotonic()) > 0:
            answer = self._read(prompt, left_s)
            if answer is None:
                return None
            answer = answer.strip()
            if not prompt.choices or answer in prompt.choices:
                self.say(f"> {answer}")
                return answer
            typed = f"'{answer}' is not an answer to this" if answer else "Nothing was typed"
            self.say(f"{typed}; write {' or '.join(prompt.choices)}", "caution")
        return None

    def withdraw(self) -> None:
        """Withdraw an open question; safe in a signal handler."""
        self._withdrawn.set()

    def _read(self, prompt: Prompt, timeout_s: float) -> str | None:
        if self._live is None or not can_read_keys():
            if self._live is None and prompt.choices:
                self._print(f"[{'/'.join(prompt.choices)}]")
            return self._lines.read(timeout_s, self._withdrawn.is_set)
        with self._lock:
            self._prompt, self._typed = prompt, ""
            self._draw()
        try:
            return read_typed(timeout_s, self._show_typed, self._withdrawn.is_set)
        finally:
            with self._lock:
                self._prompt = None
                self._draw()

    def _show_typed(self, typed: str) -> None:
        with self._lock:
            self._typed = typed
            self._draw()

    def _draw(self) -> None:
        if self._live is None:
            return
        picture = Picture(
            self._title,
            self._latest,
            self._prompt,
            self._typed,
            virtual=self._virtual,
            unicode=self._console.encoding.lower().startswith("utf"),
        )
        with _terminal_may_fail():
            self._live.update(picture, refresh=True)


@contextmanager
def _terminal_may_fail() -> Iterator[None]:
    """Continue when the terminal or the reader of a pipe is gone: the run does not depend on its picture.

    rich ends the program when a pipe closes (SystemExit); during a run that would leave the pot as it is.
    """
    with suppress(OSError, ValueError, SystemExit):
        yield


def plain_line(snapshot: Snapshot) -> str:
    """Return the rig at one tick as one line, for logs and pipes."""
    settled = sum(cell.state == "settled" for cell in snapshot.cells)
    under_way = is_under_way(snapshot)
    parts = [
        f"{clock_text(snapshot.elapsed_s):>7}",
        *((f"{100.0 * snapshot.progress:3.0f} %",) if under_way else ()),
        f"{maybe(snapshot.pressure_bar, 4)} bar",
        snapshot.now,
    ]
    if settled or any(cell.state == "settling" for cell in snapshot.cells):
        parts.append(f"{settled} of {len(snapshot.cells)} settled")
    if snapshot.cue_text:
        parts.append(snapshot.cue_text)
    if snapshot.lid_force_n is not None:
        parts.append(f"LID UNDER PRESSURE: {snapshot.lid_force_n:.0f} N")
    if under_way:
        parts.append(f"{clock_text(snapshot.left_s)} left")
    if snapshot.alarm:
        parts.append(f"ALARM: {snapshot.alarm}")
    return "  ".join(parts)
