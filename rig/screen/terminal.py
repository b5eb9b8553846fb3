"""The run in a terminal: a live picture where there is a terminal, plain lines where there is none."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from types import TracebackType
from typing import Final

from rich import box
from rich.align import Align
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from grading.gas import PSI_BAR
from rig.control.drive_words import WORDS, Drive
from rig.hand.cues import FAST_BAR_PER_MIN, GREEN_BAR_PER_MIN
from rig.screen.digits import large
from rig.screen.formats import clock_text, maybe
from rig.screen.keyboard import LineReader, can_read_keys, keys_unseen, read_typed
from rig.snapshot import CellLine, Prompt, Severity, Snapshot

SEEN_EVERY_S: Final = 0.1
REFRESH_S: Final = 0.125
PLAIN_AT_MOST_EVERY_S: Final = 0.3
PLAIN_AT_LEAST_EVERY_S: Final = 5.0
_ON_COURSE_BAR: Final = 0.005

_SEVERITY_WORD: Final[dict[Severity, str]] = {"info": "", "caution": "Caution: ", "alarm": "ALARM: "}
_SEVERITY_STYLE: Final[dict[Severity, str]] = {"info": "", "caution": "yellow", "alarm": "bold red"}
_STATE_STYLE: Final[dict[str, str]] = {
    "settled": "bold green",
    "settling": "cyan",
    "not settled": "bold yellow",
    "no reading": "bold red",
    "unplugged": "bold red",
}


class TerminalView:
    """A `View` on a terminal. Use it as a context manager: leaving it gives the terminal back.

    Pictures are drawn at most eight times a second of real time, however fast the rig's clock runs.
    Messages stay in the scroll-back above the picture.
    """

    def __init__(self, console: Console, *, title: str, virtual: bool = False) -> None:
        """Make a view.

        Args:
            console: where to draw.
            title: bench and procedure.
            virtual: whether the bench is software; it is said on every picture.
        """
        self._console = console
        self._title = title
        self._virtual = virtual
        self._lock = threading.RLock()
        self._live: Live | None = None
        self._latest: Snapshot | None = None
        self._next_s = 0.0
        self._due_s = 0.0
        self._shown: tuple[str, str | None] = ("", None)
        self._prompt: Prompt | None = None
        self._typed = ""
        self._closes = False
        self._withdrawn = threading.Event()
        self._lines = LineReader()
        self._terminal = ExitStack()

    def __enter__(self) -> TerminalView:
        if self._console.is_terminal and not self._console.is_dumb_terminal:
            live = Live(console=self._console, auto_refresh=False, transient=True, vertical_overflow="crop")
            with _whatever_the_terminal_does():
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
        with self._lock, _whatever_the_terminal_does():
            live, self._live = self._live, None
            if live is not None:
                live.stop()
            self._terminal.close()

    @property
    def show_every_s(self) -> float:
        """Return how often a picture is worth making: cues are rung for between two drawings."""
        return SEEN_EVERY_S

    def update(self, snapshot: Snapshot) -> None:
        """Show the rig as it is now, if the last picture is old enough. A terminal that is gone is let be."""
        self._latest = snapshot
        self._ring_for(snapshot.cue)
        now_s = time.monotonic()
        if now_s < self._next_s:
            return
        with self._lock:
            if self._live is not None:
                self._next_s = now_s + REFRESH_S
                self._draw()
            elif (snapshot.now, snapshot.cue) != self._shown or now_s >= self._due_s:
                self._next_s = now_s + PLAIN_AT_MOST_EVERY_S
                self._due_s = now_s + PLAIN_AT_LEAST_EVERY_S
                self._shown = (snapshot.now, snapshot.cue)
                self._print(plain_line(snapshot), soft_wrap=True)

    def _print(self, *things: RenderableType, soft_wrap: bool = False) -> None:
        with _whatever_the_terminal_does():
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

    def _ring_for(self, cue: str | None) -> None:
        """Ring once when hands are told to close a valve or to go slower: eyes may be on the valve then."""
        closes = cue is not None and ("CLOSE" in cue or "SLOWER" in cue)
        if closes and not self._closes:
            self._ring()
        self._closes = closes

    def _ring(self) -> None:
        """Ring the terminal's bell, where there is one."""
        if self._live is not None:
            with self._lock, _whatever_the_terminal_does():
                self._console.bell()

    def ask(self, prompt: Prompt) -> str | None:
        """Ask the operator; None when nobody answered in time, nobody can, or the question was withdrawn."""
        until_s = time.monotonic() + prompt.timeout_s
        self._withdrawn.clear()
        self.say(prompt.text)
        while (left_s := until_s - time.monotonic()) > 0:
            answer = self._read(prompt, left_s)
            if answer is None:
                return None
            answer = answer.strip()
            if not prompt.choices or answer in prompt.choices:
                self.say(f"> {answer}")
                return answer
            typed = f"'{answer}' is no answer to this" if answer else "Nothing was typed"
            self.say(f"{typed}; write {' or '.join(prompt.choices)}", "caution")
        return None

    def withdraw(self) -> None:
        """Take back a question that stands; safe in a signal handler."""
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
        parts: list[RenderableType] = []
        if self._latest is not None:
            parts.append(
                picture(
                    self._latest,
                    title=self._title,
                    virtual=self._virtual,
                    unicode=self._console.encoding.lower().startswith("utf"),
                )
            )
        if self._prompt is not None:
            parts.append(_prompt_panel(self._prompt, self._typed))
        with _whatever_the_terminal_does():
            self._live.update(Group(*parts), refresh=True)


@contextmanager
def _whatever_the_terminal_does() -> Iterator[None]:
    """Go on when the terminal or the reader of a pipe is gone: the run matters, its picture does not.

    rich ends the program when a pipe closes (SystemExit); amid a run that would leave the pot as it is.
    """
    with suppress(OSError, ValueError, SystemExit):
        yield


def plain_line(snapshot: Snapshot) -> str:
    """Return the rig at one tick as one line, for logs and pipes."""
    settled = sum(cell.state == "settled" for cell in snapshot.cells)
    parts = [
        f"{clock_text(snapshot.elapsed_s):>7}",
        f"{100.0 * snapshot.progress:3.0f} %",
        f"{maybe(snapshot.pressure_bar, 4)} bar",
        snapshot.now,
    ]
    if settled or any(cell.state == "settling" for cell in snapshot.cells):
        parts.append(f"{settled} of {len(snapshot.cells)} settled")
    if snapshot.cue:
        parts.append(snapshot.cue)
    if snapshot.lid_force_n is not None:
        parts.append(f"LID UNDER PRESSURE: {snapshot.lid_force_n:.0f} N")
    parts.append(f"{clock_text(snapshot.left_s)} left")
    if snapshot.alarm:
        parts.append(f"ALARM: {snapshot.alarm}")
    return "  ".join(parts)


def picture(snapshot: Snapshot, *, title: str, virtual: bool = False, unicode: bool = True) -> RenderableType:
    """Return the rig at one tick as a picture for a terminal of 80 columns or more."""
    rows: list[RenderableType] = [_head(snapshot, unicode), _cell_table(snapshot)]
    if snapshot.cue:
        rows.append(_cue_panel(snapshot.cue, snapshot.ramp_bar_per_min))
    if snapshot.lid_force_n is not None:
        rows.append(
            Text(f"LID UNDER PRESSURE: {snapshot.lid_force_n:.0f} N on the lid", style="bold reverse red")
        )
    if snapshot.alarm:
        rows.append(Panel(Text(snapshot.alarm, style="bold"), title="ALARM", border_style="bold red"))
    rows.append(_progress(snapshot))
    rows.append(Text(WORDS[snapshot.drive].stop_keys, style="dim"))
    return Panel(
        Group(*rows),
        title=Text(title, style="bold"),
        title_align="left",
        subtitle=Text("bench of software: nothing here is a measurement") if virtual else None,
        subtitle_align="right",
        border_style="red" if snapshot.alarm else "blue",
        padding=(0, 1),
    )


def _cue_panel(cue: str, rate_bar_per_min: float | None) -> Panel:
    """Return the hands' cue; its frame is green up to half a bar a minute, red above one or to close."""
    fast = abs(rate_bar_per_min or 0.0)
    if "CLOSE" in cue or fast > FAST_BAR_PER_MIN:
        colour = "red"
    else:
        colour = "green" if fast < GREEN_BAR_PER_MIN else "yellow"
    text = Text(cue, style=f"bold {colour}", justify="center")
    return Panel(text, border_style=f"bold {colour}")


def _head(snapshot: Snapshot, unicode: bool) -> Table:
    grid = Table.grid(padding=(0, 3), expand=True)
    grid.add_column(no_wrap=True)
    grid.add_column(ratio=1)
    text = "-.----" if snapshot.pressure_bar is None else f"{snapshot.pressure_bar:.3f}"
    off_course = (
        snapshot.target_bar is not None
        and snapshot.pressure_bar is not None
        and abs(snapshot.pressure_bar - snapshot.target_bar) > _ON_COURSE_BAR
    )
    style = "bold yellow" if off_course else "bold green"
    lines = large(text, unicode=unicode)
    number = Text("\n".join(lines), style=style)
    grid.add_row(Group(Text("in the pot, bar absolute", style="dim"), number), _facts(snapshot))
    return grid


def _facts(snapshot: Snapshot) -> Table:
    facts = Table.grid(padding=(0, 2))
    facts.add_column(style="dim", no_wrap=True)
    facts.add_column()
    facts.add_row("now", Text(snapshot.now, style="bold"))
    facts.add_row("next", snapshot.next)
    moving = (
        ""
        if snapshot.ramp_bar_per_min is None
        else f"moving {maybe(snapshot.ramp_bar_per_min, 2, signed=True)} bar/min"
    )
    facts.add_row("target", f"{_target(snapshot) or 'none  '}{moving}")
    po2 = "not known yet" if snapshot.po2_bar is None else f"{snapshot.po2_bar:.3f} bar"
    if snapshot.drive is Drive.HANDS:
        facts.add_row("dial", _dial(snapshot))
    facts.add_row("PO2", f"{po2}   oxygen used {snapshot.gas_used_l:.1f} L")
    facts.add_row(
        "room", f"{maybe(snapshot.barometer_bar, 4)} bar   pot {maybe(snapshot.temperature_c, 1)} °C"
    )
    return facts


def _dial(snapshot: Snapshot) -> str:
    """Return the pressure as a dial on the pot shows it, which a person compares."""
    if snapshot.pressure_bar is None or snapshot.barometer_bar is None:
        return maybe(None, 2)
    gauge_bar = snapshot.pressure_bar - snapshot.barometer_bar
    return f"{maybe(gauge_bar, 2)} bar gauge   {maybe(gauge_bar / PSI_BAR, 1)} psi gauge"


def _target(snapshot: Snapshot) -> str:
    if snapshot.target_bar is None:
        return ""
    if snapshot.pressure_bar is None:
        return f"{snapshot.target_bar:.3f} bar  "
    away_mbar = 1000.0 * (snapshot.pressure_bar - snapshot.target_bar)
    return f"{snapshot.target_bar:.3f} bar ({maybe(away_mbar, 0, signed=True)} mbar)  "


def _cell_table(snapshot: Snapshot) -> Table:
    table = Table(box=box.SIMPLE_HEAD, expand=True, padding=(0, 1), header_style="dim", show_edge=False)
    table.add_column("socket", justify="right", no_wrap=True)
    table.add_column("cell", no_wrap=True)
    table.add_column("mV", justify="right", no_wrap=True)
    table.add_column("claims PO2", justify="right", no_wrap=True)
    table.add_column("off by", justify="right", no_wrap=True)
    table.add_column("% per 10 s", justify="right", no_wrap=True)
    table.add_column("state", no_wrap=True)
    for cell in snapshot.cells:
        table.add_row(
            str(cell.socket),
            cell.serial,
            maybe(cell.output_mv, 2),
            maybe(cell.claimed_po2_bar, 3),
            _off_by(cell, snapshot.po2_bar),
            maybe(cell.slope_percent_per_10s, 2, signed=True),
            Text(cell.state, style=_STATE_STYLE.get(cell.state, "")),
        )
    return table


def _off_by(cell: CellLine, po2_bar: float | None) -> str:
    """Return the claim against the truth; only a settled cell's claim can be held against it."""
    if cell.state != "settled" or cell.claimed_po2_bar is None or not po2_bar:
        return ""
    return f"{maybe(100.0 * (cell.claimed_po2_bar / po2_bar - 1.0), 1, signed=True)} %"


def _progress(snapshot: Snapshot) -> Table:
    grid = Table.grid(padding=(0, 2), expand=True)
    grid.add_column(no_wrap=True)
    grid.add_column(ratio=1)
    grid.add_column(no_wrap=True)
    bar = ProgressBar(total=1.0, completed=min(max(snapshot.progress, 0.0), 1.0))
    grid.add_row(
        f"{clock_text(snapshot.elapsed_s)}",
        Align(bar, vertical="middle"),
        f"{100.0 * snapshot.progress:.0f} %  about {clock_text(snapshot.left_s)} left",
    )
    return grid


def _prompt_panel(prompt: Prompt, typed: str) -> Panel:
    hint = f"  [{' / '.join(prompt.choices)}]" if prompt.choices else ""
    body = Text(prompt.text)
    body.append(f"{hint}\n> {typed}", style="bold")
    body.append("▏", style="blink")
    return Panel(body, title="Your turn", border_style="yellow")
