"""What people see: the live picture, plain lines, prompts and tables, as rendered text."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import termios
import threading
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from rig.run.preflight import Check, PreflightReport
from rig.safety.drive_words import Drive
from rig.setup.bench import load_bench
from rig.setup.plan import make_plan
from rig.setup.procedure import load_procedure
from rig.terminal.digits import large
from rig.terminal.formats import clock_text, maybe
from rig.terminal.keyboard import LineReader, keys_pressed, keys_unseen, read_typed
from rig.terminal.live import TerminalView, plain_line
from rig.terminal.picture import Picture
from rig.terminal.tables import plan_table, preflight_table
from rig.view import Action, CellLine, Cue, Prompt, Snapshot, Valve

CELLS = (
    CellLine(1, "TB-0417", 80.31, 1.599, 0.02, "settled"),
    CellLine(2, "TB-0388", 71.20, 1.468, 0.31, "settling"),
    CellLine(3, "OS-1090", None, None, None, "no reading"),
)
HOLD = Snapshot(
    elapsed_s=2051.4,
    left_s=1130.0,
    progress=0.645,
    state="EXECUTE",
    now="PO2 1.6 bar up",
    next="PO2 1.8 bar",
    pressure_bar=1.6229,
    target_bar=1.6226,
    barometer_bar=1.0132,
    po2_bar=1.6008,
    temperature_c=21.34,
    ramp_bar_per_min=-0.01,
    gas_used_l=8.43,
    cells=CELLS,
)


def rendered(snapshot: Snapshot, *, width: int = 100, unicode: bool = True) -> str:
    console = Console(width=width, file=io.StringIO(), record=True, markup=False, emoji=False)
    console.print(Picture("Bench · full 1", snapshot, virtual=True, unicode=unicode))
    return console.export_text()


@pytest.mark.parametrize("width", [80, 100, 160])
def test_picture_shows_every_cell_and_number_at_usual_widths(width: int) -> None:
    text = rendered(HOLD, width=width)
    for shown in (
        "TB-0417",
        "80.31",
        "1.599",
        "settled",
        "no reading",
        "PO2 1.6 bar up",
        "PO2 1.8 bar",
        "1.623 bar",
        "1.601 bar",
        "34:11",
        "about 18:50 left",
        "Ctrl-C",
        "nothing here is a measurement",
    ):
        assert shown in text
    assert all(len(line) <= width for line in text.splitlines())


TRIPPED = replace(
    HOLD,
    state="ABORTING",
    now="venting at once",
    next="the end",
    alarm="NOT VENTED: +236 mbar against ambient, 185 N on the lid. Close the bottle NOW. "
    "Use the manual bleed. Keep the lid shut until the gauge on the pot shows no pressure.",
)
VENTED = Prompt(
    "not_vented",
    "Type VENTED once the dial on the pot shows no pressure.",
    ("VENTED",),
    alarm=TRIPPED.alarm or "",
)
SIZES = [(120, 40), (80, 24), (60, 16), (40, 24)]


def fitted(picture: Picture, width: int, height: int) -> str:
    """The picture on a terminal of that size, its words one blank apart."""
    console = Console(width=width, height=height, file=io.StringIO(), record=True, markup=False, emoji=False)
    console.print(picture)
    lines = console.export_text().splitlines()
    assert len(lines) <= height - 2, "no room for what is told above the picture"
    assert all(len(line) <= width for line in lines)
    return " ".join("\n".join(lines).translate(str.maketrans("", "", "╭╮╰╯│─")).split())


def cells(count: int, state: str = "settled") -> tuple[CellLine, ...]:
    return tuple(
        CellLine(socket, f"TB-{socket:04d}", 50.0 + socket, 1.6, 0.01, state)
        for socket in range(1, count + 1)
    )


@pytest.mark.parametrize("size", [*SIZES, (40, 16), (60, 12)])
@pytest.mark.parametrize("count", [3, 6, 20, 64])
def test_alarm_and_question_are_on_the_screen_at_any_size(size: tuple[int, int], count: int) -> None:
    picture = Picture("Bench", replace(TRIPPED, cells=cells(count)), VENTED, "VENT", virtual=True)
    text = fitted(picture, *size)
    assert "Close the bottle NOW. Use the manual bleed. Keep the lid shut" in text
    assert text.count("NOT VENTED") == 1
    assert "Type VENTED once the dial on the pot shows no pressure. [VENTED] > VENT" in text


@pytest.mark.parametrize("size", SIZES)
def test_cue_and_lid_force_are_on_the_screen_at_any_size(size: tuple[int, int]) -> None:
    cue = Cue(Valve.SUPPLY, Action.CLOSE, "CLOSE SUPPLY NOW   12 mbar to go")
    snapshot = replace(HOLD, cells=cells(6), cue=cue, lid_force_n=344.0)
    text = fitted(Picture("Bench", snapshot), *size)
    assert "CLOSE SUPPLY NOW" in text
    assert "LID UNDER PRESSURE: 344 N on the lid" in text
    assert "1.623 bar" in text
    assert "PO2 1.6 bar up" in text


@pytest.mark.parametrize("size", SIZES)
def test_what_contradicts_the_gauges_is_on_the_screen_until_the_alarm_says_it(size: tuple[int, int]) -> None:
    snapshot = replace(HOLD, cells=cells(20), witness="NOT CONFIRMED: the cells still show pressure.")
    assert "the cells still show pressure" in fitted(Picture("Bench", snapshot), *size)
    alarmed = replace(snapshot, alarm="NOT CONFIRMED.")
    assert "the cells still show pressure" not in fitted(Picture("Bench", alarmed), *size)


@pytest.mark.parametrize("size", SIZES)
def test_the_pressure_what_is_done_and_ctrl_c_stay_where_cells_give_way(size: tuple[int, int]) -> None:
    text = fitted(Picture("Bench", replace(HOLD, cells=cells(20)), virtual=True), *size)
    for shown in ("1.623 bar", "PO2 1.6 bar up", "about 18:50 left", "Ctrl-C: vent on the ramp and stop."):
        assert shown in text


def test_fewer_lines_show_the_cells_to_look_at_and_count_the_others() -> None:
    bad = CellLine(18, "TB-0018", None, None, None, "no reading")
    text = fitted(Picture("Bench", replace(HOLD, cells=(*cells(17), bad))), 80, 24)
    assert "TB-0018 – – – no reading" in text
    more = re.search(r"and (\d+) more: (\d+) settled", text)
    assert more is not None
    assert int(more[1]) == int(more[2]) == 18 - text.count("TB-")


@pytest.mark.parametrize("height", range(14, 31))
def test_every_cell_is_shown_or_counted_at_every_height(height: int) -> None:
    text = fitted(Picture("Bench", replace(HOLD, cells=cells(6)), Prompt("lid", "Lid?")), 50, height)
    more = re.search(r"and (\d+) more: ", text)
    counted = int(more[1]) if more else 0
    assert more is None or counted > 1
    assert "6 cells: 6 settled" in text or text.count("TB-") + counted == 6


def test_cells_without_room_are_counted_in_one_line() -> None:
    mixed = (*cells(4), *(replace(cell, state="settling") for cell in cells(6)[4:]))
    text = fitted(Picture("Bench", replace(HOLD, cells=mixed)), 60, 16)
    assert "6 cells: 4 settled, 2 settling" in text


def test_serials_stay_whole_on_a_narrow_terminal() -> None:
    twins = tuple(replace(cell, serial=f"TB-2026-0417-{cell.socket}") for cell in cells(2))
    text = fitted(Picture("Bench", replace(HOLD, cells=twins)), 40, 24)
    for socket in (1, 2):
        assert f"TB-2026-0417-{socket} {50 + socket}.00 settled" in text


def test_only_a_settled_cell_is_held_against_the_truth() -> None:
    text = rendered(HOLD)
    settled = next(line for line in text.splitlines() if "TB-0417" in line)
    settling = next(line for line in text.splitlines() if "TB-0388" in line)
    assert "−0.1 %" in settled
    assert "%" not in settling.replace("% per 10 s", "")


def test_alarm_and_lid_force_cannot_be_missed() -> None:
    text = rendered(replace(HOLD, alarm="Gauges disagree. Close the bottle.", lid_force_n=344.0))
    assert "ALARM" in text
    assert "Close the bottle." in text
    assert "LID UNDER PRESSURE: 344 N on the lid" in text


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (Drive.VALVES, "Twice: drop every valve now."),
        (Drive.CONTROLLER, "Twice: the controller vents at once."),
        (Drive.HANDS, "Twice: open the vent at once."),
    ],
)
def test_the_foot_of_the_picture_shows_what_ctrl_c_does_on_this_bench(drive: Drive, words: str) -> None:
    text = rendered(replace(HOLD, drive=drive), width=80)
    assert words in text
    assert text.count("Twice:") == 1


@pytest.mark.parametrize("state", ["EXECUTE", "ABORTING", "STOPPING", "STOPPED"])
def test_after_a_trip_no_time_is_left_and_no_key_offers_what_is_done_already(state: str) -> None:
    tripped = replace(TRIPPED, state=state)
    for text in (fitted(Picture("Bench", tripped), 80, 24), plain_line(tripped)):
        assert "Close the bottle NOW." in text
        assert " left" not in text
        assert "64 %" not in text
        assert "Ctrl-C" not in text


@pytest.mark.parametrize(
    ("drive", "words"),
    [
        (Drive.VALVES, "Stopping. Ctrl-C twice: drop every valve now."),
        (Drive.CONTROLLER, "Stopping. Ctrl-C twice: the controller vents at once."),
        (Drive.HANDS, "Stopping. Ctrl-C twice: open the vent at once."),
    ],
)
@pytest.mark.parametrize("size", SIZES)
def test_a_run_that_is_being_stopped_says_so(size: tuple[int, int], drive: Drive, words: str) -> None:
    stopping = replace(HOLD, state="STOPPING", now="venting on the ramp", drive=drive)
    text = fitted(Picture("Bench", stopping), *size)
    assert words in text
    assert "now venting on the ramp" in text
    assert " left" not in text


def test_a_hand_pot_shows_its_pressure_as_the_dial_does() -> None:
    text = rendered(replace(HOLD, drive=Drive.HANDS))
    assert "0.61 bar gauge   8.8 psi gauge" in text
    assert "gauge" not in rendered(HOLD)


@pytest.mark.parametrize(
    ("cue", "rate_bar_per_min", "colour"),
    [
        (Cue(Valve.SUPPLY, Action.WAIT, "SUPPLY as it is"), 0.49, "32"),
        (Cue(Valve.SUPPLY, Action.WAIT, "SUPPLY as it is"), 0.51, "33"),
        (Cue(Valve.SUPPLY, Action.SLOWER, "SUPPLY a little less"), 1.01, "31"),
        (Cue(Valve.SUPPLY, Action.CLOSE, "SUPPLY shut at once"), 0.2, "31"),
        (Cue(Valve.VENT, Action.WAIT, "VENT as it is"), -0.7, "33"),
    ],
)
def test_the_cue_is_green_at_a_good_rate_and_red_when_it_is_too_fast(
    cue: Cue, rate_bar_per_min: float, colour: str
) -> None:
    stream = io.StringIO()
    console = Console(width=100, file=stream, force_terminal=True, color_system="standard")
    console.print(Picture("Bench", replace(HOLD, cue=cue, ramp_bar_per_min=rate_bar_per_min)))
    line = next(line for line in stream.getvalue().splitlines() if cue.text in line)
    assert f"\x1b[1;{colour}m" in line


def test_the_bell_rings_once_when_hands_are_to_close_or_to_go_slower() -> None:
    stream = io.StringIO()
    console = Console(width=100, file=stream, force_terminal=True, color_system=None)
    rung = []
    with TerminalView(console, title="Bench") as view:
        for cue in (
            Cue(Valve.SUPPLY, Action.OPEN, "SUPPLY a little"),
            Cue(Valve.SUPPLY, Action.CLOSE, "SUPPLY shut at once"),
            Cue(Valve.SUPPLY, Action.CLOSE, "SUPPLY shut at once"),
            None,
            Cue(Valve.SUPPLY, Action.SLOWER, "SUPPLY a little less"),
        ):
            view.update(replace(HOLD, cue=cue))
            rung.append(stream.getvalue().count("\x07"))
    assert rung == [0, 1, 1, 1, 2]


def test_missing_readings_are_dashes_and_never_zero() -> None:
    text = rendered(
        replace(
            HOLD, pressure_bar=None, po2_bar=None, temperature_c=None, barometer_bar=None, target_bar=None
        )
    )
    assert "not known yet" in text
    assert "0.000" not in text


def test_plain_line_is_one_line_for_a_log() -> None:
    line = plain_line(replace(HOLD, alarm="Gauges disagree."))
    assert line.split("  ")[-1] == "ALARM: Gauges disagree."
    assert "1.6229 bar" in line
    assert "LID" not in line
    assert "LID UNDER PRESSURE: 344 N" in plain_line(replace(HOLD, lid_force_n=344.0))
    assert "1 of 3 settled" in line
    assert "\n" not in line


def test_large_digits_have_equal_lines() -> None:
    for unicode, height in ((True, 3), (False, 5)):
        lines = large("-1.9876 0", unicode=unicode)
        assert len(lines) == height
        assert len({len(line) for line in lines}) == 1
    assert all(ord(sign) < 128 for line in large("0.123456789", unicode=False) for sign in line)


def test_times_and_signs() -> None:
    assert clock_text(247.2) == "4:07"
    assert clock_text(3847) == "1:04:07"
    assert clock_text(-3) == "0:00"
    assert maybe(None, 2) == "–"
    assert maybe(-0.004, 2, signed=True) == "0.00"


def test_view_on_a_pipe_writes_lines_and_keeps_messages() -> None:
    file = io.StringIO()
    with TerminalView(Console(file=file, width=130, markup=False, emoji=False), title="t") as view:
        view.say("starting [not markup] :100:")
        view.update(HOLD)
        view.say("gauges 41 mbar apart", "alarm")
        for _ in range(1000):
            view.update(HOLD)
    lines = file.getvalue().splitlines()
    assert lines[0].endswith("starting [not markup] :100:")
    assert "34:11   64 %" in lines[1]
    assert lines[2].endswith("ALARM: gauges 41 mbar apart")
    assert len(lines) == 3


def test_view_on_a_terminal_leaves_messages_and_takes_its_picture_away() -> None:
    file = io.StringIO()
    console = Console(file=file, width=100, height=30, force_terminal=True, markup=False, emoji=False)
    with TerminalView(console, title="Bench") as view:
        view.update(HOLD)
        view.say("kept in the scroll-back")
    text = file.getvalue()
    assert "TB-0417" in text
    assert "kept in the scroll-back" in text
    assert text.rstrip().endswith("\x1b[?25h") or "\x1b[2K" in text


@pytest.mark.parametrize("terminal", [False, True])
def test_closed_pipe_never_reaches_the_run(terminal: bool) -> None:
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError(32, "Broken pipe")

        def flush(self) -> None:
            raise BrokenPipeError(32, "Broken pipe")

    console = Console(file=Gone(), width=100, height=30, force_terminal=terminal)
    view = TerminalView(console, title="Bench")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("os.dup2", lambda *_: None)  # rich would take pytest's own stdout away
        with view:
            view.update(HOLD)
            view.say("nobody reads this", "alarm")
            view.update(replace(HOLD, now="venting"))


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch):  # type: ignore[no-untyped-def]
    """Make stdin a pipe; returns what writes to it."""
    read_end, write_end = os.pipe()
    with os.fdopen(read_end) as stdin, os.fdopen(write_end, "w") as writer:
        monkeypatch.setattr("sys.stdin", stdin)

        def send(text: str) -> None:
            writer.write(text)
            writer.flush()

        yield send


def quiet_view() -> tuple[TerminalView, io.StringIO]:
    file = io.StringIO()
    return TerminalView(Console(file=file, width=130, markup=False, emoji=False), title="t"), file


def test_prompt_takes_only_its_own_answers(typed) -> None:  # type: ignore[no-untyped-def]
    typed("perhaps\nyes\n")
    view, file = quiet_view()
    assert view.ask(Prompt("lid", "Is the lid closed?", ("yes", "no"), timeout_s=5.0)) == "yes"
    assert "'perhaps' is not an answer to this; write yes or no" in file.getvalue()


def test_prompt_that_nobody_answers_ends_in_none(typed) -> None:  # type: ignore[no-untyped-def]
    view, _ = quiet_view()
    assert view.ask(Prompt("lid", "Is the lid closed?", timeout_s=0.05)) is None
    typed("late\n")


@pytest.mark.parametrize("terminal", [False, True])
def test_question_that_is_withdrawn_ends_in_none(typed, terminal: bool) -> None:  # type: ignore[no-untyped-def]
    console = Console(file=io.StringIO(), width=100, height=30, force_terminal=terminal)
    with TerminalView(console, title="t") as view:
        view.update(HOLD)
        withdraw = threading.Timer(0.2, view.withdraw)
        withdraw.start()
        assert view.ask(Prompt("lid", "Is the lid closed?", ("yes",), timeout_s=60.0)) is None
        withdraw.join()


def test_cue_for_the_hands_is_on_every_picture() -> None:
    ask = replace(HOLD, cue=Cue(Valve.SUPPLY, Action.CLOSE, "CLOSE NOW"))
    assert "CLOSE NOW" in rendered(ask)
    assert "CLOSE NOW" in plain_line(ask)


def test_end_of_input_is_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    with Path(os.devnull).open() as nothing:
        monkeypatch.setattr("sys.stdin", nothing)
        reader = LineReader()
        assert reader.read(5.0) is None
        assert reader.read(5.0) is None


def test_keys_are_read_without_echo_and_can_be_corrected(monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = pty.openpty()
    with os.fdopen(theirs) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        shown: list[str] = []

        def type_keys() -> None:
            while termios.tcgetattr(theirs)[3] & termios.ICANON:
                time.sleep(0.01)
            os.write(ours, b"wrong\x151.62")
            while not shown:
                time.sleep(0.01)
            os.write(ours, b"\x7f3\n")

        typist = threading.Thread(target=type_keys)
        typist.start()
        assert read_typed(60.0, shown.append) == "1.63"
        typist.join()
        assert shown[0] == "1.62"
        assert read_typed(0.1, shown.append) is None
    os.close(ours)


def test_keys_pressed_beside_a_picture_are_not_printed_into_it(monkeypatch: pytest.MonkeyPatch) -> None:
    ours, theirs = pty.openpty()
    with os.fdopen(theirs) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        with keys_unseen():
            os.write(ours, b"S\n")
            assert not select.select([ours], [], [], 0.2)[0]
        os.write(ours, b"S")
        assert select.select([ours], [], [], 60.0)[0]
    os.close(ours)


def test_a_terminal_that_is_closed_during_a_question_is_no_answer_and_no_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    ours, theirs = pty.openpty()
    with os.fdopen(theirs) as stdin:
        monkeypatch.setattr("sys.stdin", stdin)
        with keys_unseen():
            closing = threading.Timer(0.2, os.close, [ours])
            closing.start()
            assert read_typed(5.0, lambda typed: None) is None
            closing.join()
            assert read_typed(5.0, lambda typed: None) is None
            assert keys_pressed(0.1) is None


REPORT = PreflightReport(
    "Skerry Point Bench (virtual)",
    "virtual_bench.toml",
    (
        Check("scanner answers", "ok", "Tideway Works TW-8 TW-8-0031 1.2"),
        Check("valves watchdog", "ok", "outputs drop 2 s after the last heartbeat, one comes every 0.4 s"),
        Check("room oxygen", "not checked", "no monitor", "ventilate the room, and lead the vent outdoors"),
        Check(
            "scanner noise",
            "not checked",
            "912.5 µV rms at the quietest socket (2); no cell and no short in any socket",
            "put a short into a socket",
        ),
        Check("gauge_b calibration", "fail", "ran out on 2025-03-02", "have it calibrated"),
    ),
)


def test_preflight_shows_what_was_found_and_what_to_do_at_every_width() -> None:
    for width in range(40, 201):
        console = Console(width=width, file=io.StringIO(), record=True, markup=False, emoji=False)
        console.print(preflight_table(REPORT))
        words = Counter(console.export_text().split())
        for check in REPORT.checks:
            for shown in (check.what, check.found, check.to_do):
                assert not Counter(shown.split()) - words, f"{width} columns"


@pytest.mark.parametrize("width", [40, 60, 80, 130])
def test_no_number_of_a_plan_is_cut(width: int) -> None:
    bench = load_bench("virtual_bench")
    plan = make_plan(bench, load_procedure("full"))
    console = Console(width=width, file=io.StringIO(), record=True, markup=False, emoji=False)
    console.print(plan_table(plan))
    text = console.export_text()
    assert "…" not in text
    words = text.split()
    assert clock_text(plan.duration_s) in words
    assert f"{plan.gas_l:.2f}" in words
    assert f"{plan.parts[-1].to_bar:.3f}" in words
