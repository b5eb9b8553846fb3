"""The live picture of a run, drawn to fit the terminal.

Where there is not enough room, the cells are left out first, then the facts about the pot. An alarm, the cue
for the hands, a question and the line being typed are on every picture.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rich.align import Align
from rich.console import Console, ConsoleOptions, Group, RenderableType, RenderResult
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from grading.gas import PSI_BAR
from rig.hand.cues import FAST_BAR_PER_MIN, GREEN_BAR_PER_MIN
from rig.safety.drive_words import WORDS, Drive
from rig.safety.states import State
from rig.terminal.cell_lines import all_cells, cells_in_one_line, some_cells
from rig.terminal.digits import large
from rig.terminal.formats import clock_text, maybe
from rig.view import Action, Prompt, Snapshot

_VIRTUAL: Final = "virtual bench: nothing here is a measurement"
_VIRTUAL_SHORT: Final = "virtual: no measurement"
_ON_COURSE_BAR: Final = 0.005
_WIDE: Final = 76
_WITNESS_STYLE: Final = "bold yellow"
_FOR_MESSAGES: Final = 2
"""Lines above the picture: the last messages, such as what is wrong with an answer."""
_HEADING_AND_COUNT: Final = 2
_FEWEST_CELLS: Final = 2
_CUT_SHORT: Final = (State.STOPPING, State.STOPPED, State.ABORTING)


def is_under_way(shot: Snapshot) -> bool:
    """Whether the run goes as planned: after a stop or a trip the remaining time is not shown."""
    return not shot.alarm and shot.state not in _CUT_SHORT


@dataclass(frozen=True, slots=True)
class Picture:
    """The rig at one tick, and the open question.

    Attributes:
        title: bench and procedure.
        snapshot: None before the first tick.
        prompt: None while nothing is asked.
        typed: the answer so far.
        virtual: whether the bench is virtual, which every picture says.
        unicode: whether the terminal can show half blocks.
    """

    title: str
    snapshot: Snapshot | None
    prompt: Prompt | None = None
    typed: str = ""
    virtual: bool = False
    unicode: bool = True

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
        for line in self._lines(console, options):
            yield from line
            yield Segment.line()

    def _lines(self, console: Console, options: ConsoleOptions) -> list[list[Segment]]:
        def drawn(*parts: RenderableType) -> list[list[Segment]]:
            return console.render_lines(Group(*parts), options, pad=False)

        question = () if self.prompt is None else (self._question_panel(),)
        shot = self.snapshot
        if shot is None:
            return drawn(*question)

        def showing(cells: RenderableType | None, *, short: bool = False) -> list[list[Segment]]:
            return drawn(self._panel(shot, cells, options.max_width, short=short), *question)

        room = options.size.height - _FOR_MESSAGES
        whole = showing(all_cells(shot.cells, shot.po2_bar))
        if len(whole) <= room:
            return whole
        for short in (False, True):
            counted = showing(cells_in_one_line(shot.cells), short=short)
            spare = room - len(counted)
            if spare >= _HEADING_AND_COUNT + _FEWEST_CELLS - 1:
                most = spare + 1 - _HEADING_AND_COUNT
                return showing(some_cells(shot.cells, shot.po2_bar, most), short=short)
            if spare >= 0:
                return counted
        without = showing(None, short=True)
        if len(without) <= room:
            return without
        bare = drawn(*self._bare(shot))
        for part in self._beside_it(shot):
            more = drawn(part)
            if len(bare) + len(more) <= room:
                bare += more
        return bare

    def _panel(self, shot: Snapshot, cells: RenderableType | None, width: int, *, short: bool) -> Panel:
        rows: list[RenderableType] = []
        if short:
            rows.append(_short_facts(shot))
        elif width < _WIDE:
            rows.append(_facts(shot, pressure=True))
        else:
            rows.append(_head(shot, unicode=self.unicode))
        if cells is not None:
            rows.append(cells)
        if shot.cue_text:
            style = _cue_style(shot)
            rows.append(Panel(Text(shot.cue_text, style=style, justify="center"), border_style=style))
        if shot.lid_force_n is not None:
            rows.append(_lid(shot.lid_force_n))
        if shot.witness and not shot.alarm:
            rows.append(Text(shot.witness, style=_WITNESS_STYLE))
        if shot.alarm:
            rows.append(Panel(Text(shot.alarm, style="bold"), title="ALARM", border_style="bold red"))
        rows.extend(_foot(shot))
        return Panel(
            Group(*rows),
            title=Text(self.title, style="bold"),
            title_align="left",
            subtitle=Text(_VIRTUAL if width >= _WIDE else _VIRTUAL_SHORT) if self.virtual else None,
            subtitle_align="right",
            border_style="red" if shot.alarm else "blue",
            padding=(0, 1),
        )

    def _bare(self, shot: Snapshot) -> Iterator[RenderableType]:
        """Yield what must always be visible, the most important first, without frames."""
        if shot.alarm:
            yield Text(f"ALARM: {shot.alarm}", style="bold red")
        if shot.lid_force_n is not None:
            yield _lid(shot.lid_force_n)
        if shot.witness and not shot.alarm:
            yield Text(shot.witness, style=_WITNESS_STYLE)
        if shot.cue_text:
            yield Text(shot.cue_text, style=_cue_style(shot))
        if self.prompt is not None:
            yield self._question()

    def _beside_it(self, shot: Snapshot) -> Iterator[RenderableType]:
        """Yield what may follow below that, as far as there is room."""
        yield _short_facts(shot)
        yield from _foot(shot)
        yield cells_in_one_line(shot.cells)
        if self.virtual:
            yield Text(_VIRTUAL_SHORT, style="dim")

    def _question_panel(self) -> Panel:
        return Panel(self._question(), title="Your turn", border_style="yellow")

    def _question(self) -> Text:
        """Return the question and the text typed so far; an alarm shown above is not repeated."""
        assert self.prompt is not None
        shown = self.snapshot is not None and self.snapshot.alarm == self.prompt.alarm
        body = Text(self.prompt.text if shown else self.prompt.whole_text)
        hint = f"  [{' / '.join(self.prompt.choices)}]" if self.prompt.choices else ""
        body.append(f"{hint}\n> {self.typed}", style="bold")
        body.append("▏", style="blink")
        return body


def _lid(force_n: float) -> Text:
    return Text(f"LID UNDER PRESSURE: {force_n:.0f} N on the lid", style="bold reverse red")


def _cue_style(shot: Snapshot) -> str:
    """Return the colour of a cue: green up to half a bar a minute, red above one or to close."""
    fast = abs(shot.ramp_bar_per_min or 0.0)
    closes = shot.cue is not None and shot.cue.action is Action.CLOSE
    if closes or fast > FAST_BAR_PER_MIN:
        return "bold red"
    return "bold green" if fast < GREEN_BAR_PER_MIN else "bold yellow"


def _head(shot: Snapshot, *, unicode: bool) -> Table:
    """Return the pressure in digits that are readable across the room, and the facts beside it."""
    grid = Table.grid(padding=(0, 3), expand=True)
    grid.add_column(no_wrap=True)
    grid.add_column(ratio=1)
    lines = large("-.----" if shot.pressure_bar is None else f"{shot.pressure_bar:.3f}", unicode=unicode)
    number = Text("\n".join(lines), style=_pressure_style(shot))
    grid.add_row(Group(Text("in the pot, bar absolute", style="dim"), number), _facts(shot))
    return grid


def _pressure_style(shot: Snapshot) -> str:
    off_set_point = (
        shot.target_bar is not None
        and shot.pressure_bar is not None
        and abs(shot.pressure_bar - shot.target_bar) > _ON_COURSE_BAR
    )
    return "bold yellow" if off_set_point else "bold green"


def _fact_grid() -> Table:
    facts = Table.grid(padding=(0, 2))
    facts.add_column(style="dim", no_wrap=True)
    facts.add_column(overflow="fold")
    return facts


def _facts(shot: Snapshot, *, pressure: bool = False) -> Table:
    """Return the facts about the pot; on a narrow terminal they include the pressure."""
    facts = _fact_grid()
    if pressure:
        facts.add_row("pot", _pressure(shot))
    facts.add_row("now", Text(shot.now, style="bold"))
    facts.add_row("next", shot.next)
    moving = (
        ""
        if shot.ramp_bar_per_min is None
        else f"moving {maybe(shot.ramp_bar_per_min, 2, signed=True)} bar/min"
    )
    facts.add_row("target", f"{_target(shot) or 'none  '}{moving}")
    po2 = "not known yet" if shot.po2_bar is None else f"{shot.po2_bar:.3f} bar"
    if shot.drive is Drive.HANDS:
        facts.add_row("dial", _dial(shot))
    facts.add_row("PO2", f"{po2}   oxygen used {shot.gas_used_l:.1f} L")
    facts.add_row("room", f"{maybe(shot.barometer_bar, 4)} bar   pot {maybe(shot.temperature_c, 1)} °C")
    return facts


def _short_facts(shot: Snapshot) -> Table:
    facts = _fact_grid()
    facts.add_row("pot", _pressure(shot))
    facts.add_row("now", Text(shot.now, style="bold"))
    return facts


def _pressure(shot: Snapshot) -> Text:
    return Text(f"{maybe(shot.pressure_bar, 3)} bar absolute", style=_pressure_style(shot))


def _dial(shot: Snapshot) -> str:
    """Return the pressure as a dial on the pot shows it, for comparison."""
    if shot.pressure_bar is None or shot.barometer_bar is None:
        return maybe(None, 2)
    gauge_bar = shot.pressure_bar - shot.barometer_bar
    return f"{maybe(gauge_bar, 2)} bar gauge   {maybe(gauge_bar / PSI_BAR, 1)} psi gauge"


def _target(shot: Snapshot) -> str:
    if shot.target_bar is None:
        return ""
    if shot.pressure_bar is None:
        return f"{shot.target_bar:.3f} bar  "
    away_mbar = 1000.0 * (shot.pressure_bar - shot.target_bar)
    return f"{shot.target_bar:.3f} bar ({maybe(away_mbar, 0, signed=True)} mbar)  "


def _foot(shot: Snapshot) -> Iterator[RenderableType]:
    """Yield the progress of the run and what Ctrl-C does now."""
    words = WORDS[shot.drive]
    if not is_under_way(shot):
        yield Text(f"{clock_text(shot.elapsed_s)} since the start", style="dim")
        if shot.state == State.STOPPING and not shot.alarm:
            yield Text(f"Stopping. Ctrl-C twice: {words.stop_twice}.", style="bold yellow")
        return
    yield _progress(shot)
    yield Text(words.stop_keys, style="dim")


def _progress(shot: Snapshot) -> Table:
    grid = Table.grid(padding=(0, 2), expand=True)
    grid.add_column(no_wrap=True)
    grid.add_column(ratio=1)
    grid.add_column(no_wrap=True)
    bar = ProgressBar(total=1.0, completed=min(max(shot.progress, 0.0), 1.0))
    grid.add_row(
        f"{clock_text(shot.elapsed_s)}",
        Align(bar, vertical="middle"),
        f"{100.0 * shot.progress:.0f} %  about {clock_text(shot.left_s)} left",
    )
    return grid
