"""Draw the pot's plumbing and the chain of coil power that `rig/safety_documents/safety.md` shows.

    python tests/golden/wiring/draw.py [PNG_FOLDER]

Black on white, nothing told by colour. Numbers in black discs are those of `PARTS`, of the table in
`rig/safety_documents/safety.md` and of both drawings. With a folder, PNG copies for looking at are put
there. Look at both before they are committed; `tests/rig/test_safety_document.py` holds the files to what is
drawn here.
"""

from __future__ import annotations

import sys
from pathlib import Path

from matplotlib.figure import Figure
from matplotlib.patches import Arc, Circle, FancyBboxPatch, Polygon, Rectangle

from drivers.modbus.valves import ValveOptions
from grading.pictures.cell import svg

HERE = Path(__file__).parent
PARTS = {
    1: "oxygen cylinder, secured",
    2: "regulator, outlet no higher than the plate",
    3: "filter",
    4: "restrictor",
    5: "supply valve, normally closed",
    6: "second supply valve, normally closed",
    7: "pot; lid that bleeds before it unlatches",
    8: "vent valve, normally open",
    9: "vent restrictor",
    10: "relief valve, nothing shuts it off",
    11: "manual bleed",
    12: "dial gauge",
    13: "two pressure gauges",
    14: "pressure switch, latching",
    15: "lid switch",
    16: "watchdog relay",
    17: "valve block",
    18: "thermometer",
    19: "vent lines to outdoors",
    20: "fuse and isolator of the coil power",
}
PLUMBING_ALT = (
    "Plumbing of the pot. Oxygen cylinder (1), regulator set no higher than the plate of the pot (2), filter "
    "(3), restrictor (4) and two normally closed solenoid valves in series (5, 6) lead to the pot (7) with "
    "its lid that bleeds before it unlatches and the lid switch (15). From the pot, each on a port of its "
    "own: a normally open vent solenoid (8) and its restrictor (9); a manual bleed (11); a relief valve (10) "
    "with no valve before or behind it and an outlet of its own. Vent lines lead outdoors (19). A dial gauge "
    "(12), two pressure gauges (13), a pressure switch (14) and a thermometer (18) each have their own port."
)
POWER_ALT = (
    "Chain of the coil power. From a 24 volt supply through fuse and isolator (20), a contact of the "
    "watchdog relay (16) that is closed only while the heartbeat changes, and a contact of the latching "
    "pressure switch (14) that opens on rising pressure, to the coil rail. The outputs of the valve block "
    "(17) switch from the rail the two supply coils in parallel (5, 6) and the vent coil (8). The computer "
    "writes a changing heartbeat to the valve block, which pulses the watchdog relay. The valve block's own "
    "power is taken before the contacts, and auxiliary contacts tell it of the lid (15), the watchdog (16) "
    "and the pressure switch (14). Without power on the rail, valves 5 and 6 are shut and valve 8 is open."
)

_INK = "black"
_UNITS_PER_INCH = 15.0
_PIPE, _THIN = 2.0, 1.1


class Sheet:
    """A drawing sheet with the few symbols that both drawings need; lengths in units of 1/15 inch."""

    def __init__(self, width: float, height: float) -> None:
        self.picture = Figure(figsize=(width / _UNITS_PER_INCH, height / _UNITS_PER_INCH), facecolor="white")
        self.axes = self.picture.add_axes((0, 0, 1, 1))
        self.axes.set(xlim=(0, width), ylim=(0, height), aspect="equal")
        self.axes.axis("off")

    def line(self, *points: tuple[float, float], width: float = _THIN, dashed: bool = False) -> None:
        self.axes.plot(
            [x for x, _ in points],
            [y for _, y in points],
            color=_INK,
            linewidth=width,
            linestyle=(0, (4, 2.5)) if dashed else "-",
            solid_capstyle="butt",
            solid_joinstyle="miter",
        )

    def pipe(self, *points: tuple[float, float]) -> None:
        self.line(*points, width=_PIPE)

    def arrow(self, start: tuple[float, float], end: tuple[float, float], dashed: bool = False) -> None:
        style = {"arrowstyle": "-|>", "color": _INK, "linewidth": _THIN, "shrinkA": 0, "shrinkB": 0}
        if dashed:
            style["linestyle"] = (0, (4, 2.5))
        self.axes.annotate("", end, start, arrowprops=style)

    def text(
        self, x: float, y: float, words: str, size: float = 8.0, where: str = "center", bold: bool = False
    ) -> None:
        self.axes.text(
            x,
            y,
            words,
            fontsize=size,
            ha=where,
            va="center",
            color=_INK,
            family="DejaVu Sans",
            weight="bold" if bold else "normal",
            linespacing=1.25,
        )

    def number(self, x: float, y: float, part: int) -> None:
        self.axes.add_patch(Circle((x, y), 1.55, facecolor=_INK, edgecolor=_INK, zorder=5))
        self.axes.text(
            x,
            y - 0.05,
            str(part),
            fontsize=8,
            weight="bold",
            color="white",
            ha="center",
            va="center",
            family="DejaVu Sans",
            zorder=6,
        )

    def box(self, x: float, y: float, width: float, height: float, line_width: float = _THIN) -> None:
        self.axes.add_patch(
            Rectangle(
                (x, y), width, height, facecolor="white", edgecolor=_INK, linewidth=line_width, zorder=2
            )
        )

    def shape(self, *points: tuple[float, float], filled: bool = False) -> None:
        self.axes.add_patch(
            Polygon(
                points,
                closed=True,
                facecolor=_INK if filled else "white",
                edgecolor=_INK,
                linewidth=_THIN + 0.2,
                joinstyle="miter",
                zorder=3,
            )
        )

    def valve(self, x: float, y: float, filled: bool = False) -> None:
        """A valve in a level pipe: two triangles; filled means shut when left alone."""
        self.shape((x - 3, y - 1.8), (x - 3, y + 1.8), (x, y), filled=filled)
        self.shape((x + 3, y - 1.8), (x + 3, y + 1.8), (x, y), filled=filled)

    def solenoid(self, x: float, y: float, filled: bool) -> None:
        self.valve(x, y, filled)
        self.line((x, y), (x, y + 3.4))
        self.box(x - 1.9, y + 3.4, 3.8, 3.2)
        self.line((x - 1.9, y + 3.4), (x + 1.9, y + 6.6))

    def hand_valve(self, x: float, y: float, filled: bool = True) -> None:
        self.valve(x, y, filled)
        self.line((x, y), (x, y + 3.0))
        self.line((x - 1.8, y + 3.0), (x + 1.8, y + 3.0), width=2.0)

    def restrictor(self, x: float, y: float) -> None:
        """Two arcs that squeeze a pipe."""
        self.box(x - 2.6, y - 2.4, 5.2, 4.8)
        self.line((x - 2.6, y), (x + 2.6, y), width=_PIPE)
        for centre_y, begin in ((y + 2.4, 180), (y - 2.4, 0)):
            arc = Arc((x, centre_y), 4.2, 3.6, theta1=begin, theta2=begin + 180, color=_INK, linewidth=1.5)
            arc.set_zorder(4)
            self.axes.add_patch(arc)

    def dial(self, x: float, y: float, letters: str) -> None:
        self.axes.add_patch(
            Circle((x, y), 3.0, facecolor="white", edgecolor=_INK, linewidth=_THIN + 0.2, zorder=3)
        )
        self.axes.text(x, y, letters, fontsize=8, ha="center", va="center", family="DejaVu Sans", zorder=4)


def plumbing() -> Figure:
    """The pot and everything that gas can reach."""
    sheet = Sheet(188, 112)
    sheet.text(4, 107.5, "Plumbing of the pot", 13, "left", bold=True)
    sheet.text(
        4,
        103,
        "Drawn without power: black valves are shut, white valves are open. Each port on the pot is its own.",
        8.5,
        "left",
    )
    _supply(sheet)
    _pot(sheet)
    _ways_out(sheet)
    _instruments(sheet)
    _parts_list(sheet, 5, 41, (1, 2, 3, 4, 5, 6, 7, 8, 9, 10))
    _parts_list(sheet, 47, 41, (11, 12, 13, 14, 15, 18, 19))
    sheet.text(
        5,
        4.2,
        "A principle, not a design: sizes, materials and ratings are for a competent person, the makers' "
        "documents and the local code. All wetted parts cleaned and rated for oxygen.",
        8,
        "left",
    )
    return sheet.picture


def _supply(sheet: Sheet) -> None:
    y = 76.0
    sheet.pipe((10, 72), (10, y), (101, y))
    cylinder = FancyBboxPatch(
        (6, 49),
        8,
        20,
        boxstyle="round,pad=0,rounding_size=3.4",
        facecolor="white",
        edgecolor=_INK,
        linewidth=1.6,
        zorder=2,
    )
    sheet.axes.add_patch(cylinder)
    sheet.text(10, 59, "O₂", 11, bold=True)
    sheet.pipe((10, 69), (10, 72))
    sheet.shape((8.2, 69), (11.8, 69), (10, 71.5), filled=True)
    sheet.shape((8.2, 74), (11.8, 74), (10, 71.5), filled=True)
    sheet.line((10, 71.5), (14, 71.5))
    sheet.line((14, 69.7), (14, 73.3), width=2.0)
    sheet.line((4, 63), (6, 63))
    sheet.line((14, 63), (16, 63))
    sheet.line((4, 61), (4, 65), width=2.0)
    sheet.line((16, 61), (16, 65), width=2.0)
    sheet.number(4.2, 71.5, 1)

    sheet.valve(26, y)
    arc = Arc((26, y + 1.8), 5.6, 6.5, theta1=0, theta2=180, color=_INK, linewidth=_THIN + 0.2)
    sheet.axes.add_patch(arc)
    sheet.line((23.2, y + 1.8), (28.8, y + 1.8))
    sheet.line((26, y), (26, y + 1.8))
    sheet.line((33, y), (33, y + 4))
    sheet.dial(33, y + 7, "PI")
    sheet.number(26, y + 8.2, 2)
    sheet.text(27, y - 6.2, "outlet ≤ plate\nof the pot", 8)

    sheet.shape((43, y), (46, y + 3), (49, y), (46, y - 3))
    sheet.line((46, y + 3), (46, y - 3), dashed=True)
    sheet.number(46, y + 8.2, 3)

    sheet.restrictor(58, y)
    sheet.number(58, y + 8.2, 4)
    sheet.text(58, y - 6.2, "limits every\nfill, always", 8)

    for x, part in ((69, 5), (82, 6)):
        sheet.solenoid(x, y, filled=True)
        sheet.number(x, y + 9.2, part)
    sheet.text(75.5, y - 6.2, "two in series,\nnormally closed", 8)
    sheet.text(38, y + 16, "supply", 9, bold=True)
    sheet.arrow((44, y + 16), (54, y + 16))


def _pot(sheet: Sheet) -> None:
    sheet.box(101, 46, 32, 38, 2.4)
    sheet.box(98, 84, 38, 5, 2.0)
    for x in (99.5, 132.5):
        sheet.box(x, 81.5, 2.0, 10, 1.4)
    sheet.line((117, 89), (117, 92.5))
    sheet.line((115, 92.5), (119, 92.5), width=2.0)
    sheet.text(120.5, 92.8, "bleed screw", 8, "left")
    sheet.number(113, 92.5, 7)
    sheet.text(117, 77, "pot", 10, bold=True)
    sheet.text(117, 73, "plate: highest\nworking pressure", 8)
    for x in (105, 112, 119, 126):
        sheet.box(x - 2, 50, 4, 6, 1.2)
        sheet.line((x - 2, 56), (x + 2, 56), width=2.2)
        sheet.line((x, 50), (x, 48))
    sheet.line((105, 48), (126, 48))
    sheet.text(115.5, 60, "cells in their sockets", 8)
    sheet.box(92.5, 85, 5.5, 3.4, 1.2)
    sheet.line((93.5, 86), (96.8, 87.6))
    sheet.number(95.2, 91.5, 15)
    sheet.line((97, 62), (101, 62))
    sheet.dial(94, 62, "TT")
    sheet.number(88.8, 62, 18)


def _ways_out(sheet: Sheet) -> None:
    header = 170.0
    sheet.pipe((133, 76), (header, 76))
    sheet.solenoid(144, 76, filled=False)
    sheet.number(144, 85.2, 8)
    sheet.restrictor(157, 76)
    sheet.number(157, 84.2, 9)
    sheet.text(144, 71.8, "normally open", 8)
    sheet.text(157, 71.8, "≤ 10 bar/min", 8)
    sheet.pipe((133, 62), (header, 62))
    sheet.hand_valve(144, 62)
    sheet.number(144, 67.4, 11)
    sheet.text(157, 64, "by hand", 8)
    sheet.pipe((header, 62), (header, 96))
    sheet.arrow((header, 92), (header, 98))
    sheet.number(header + 4.2, 88, 19)
    sheet.text(header, 100.3, "outdoors", 8.5)

    sheet.pipe((133, 50), (144, 50))
    sheet.shape((141, 48.2), (141, 51.8), (144, 50), filled=True)
    sheet.shape((142.2, 47), (145.8, 47), (144, 50), filled=True)
    zigzag = (
        [(144, 50)] + [(144 + (0.9 if k % 2 else -0.9), 50.9 + 0.8 * k) for k in range(6)] + [(144, 55.8)]
    )
    sheet.line(*zigzag)
    sheet.line((142.2, 55.8), (145.8, 55.8), width=2.0)
    sheet.number(149, 53.4, 10)
    sheet.text(151.5, 53.4, "no valve before it\nor behind it", 8, "left")
    sheet.pipe((144, 47), (144, 43.5), (header, 43.5))
    sheet.pipe((header, 43.5), (178, 43.5))
    sheet.arrow((176, 43.5), (182, 43.5))
    sheet.number(172, 47, 19)
    sheet.text(161, 40.3, "own wide outlet, away from faces, outdoors", 8)


def _instruments(sheet: Sheet) -> None:
    for x, letters in ((105, "PI"), (113, "PT"), (121, "PT"), (129, "PS")):
        sheet.line((x, 46), (x, 38))
        sheet.dial(x, 35, letters)
    sheet.text(105, 29.3, "dial", 8)
    sheet.text(117, 29.3, "gauge 1    gauge 2", 8)
    sheet.text(130, 29.3, "switch", 8)
    sheet.number(105, 25.4, 12)
    sheet.number(117, 25.4, 13)
    sheet.number(129, 25.4, 14)
    sheet.line((132, 35), (140, 35), dashed=True)
    sheet.text(141, 35, "cuts the coil power", 8, "left")
    x, y = 141.0, 27.0
    sheet.text(x, y, "Without power, whatever the reason:", 8.5, "left", bold=True)
    sheet.number(x + 1.6, y - 4.5, 5)
    sheet.number(x + 5.4, y - 4.5, 6)
    sheet.text(x + 8.2, y - 4.5, "shut by their springs", 8.5, "left")
    sheet.number(x + 1.6, y - 9, 8)
    sheet.text(x + 8.2, y - 9, "opened by its spring: the pot vents", 8.5, "left")
    sheet.text(x, y - 13.8, "A stuck valve moves for nobody:", 8.5, "left", bold=True)
    sheet.number(x + 1.6, y - 18.3, 2)
    sheet.number(x + 5.4, y - 18.3, 4)
    sheet.number(x + 9.2, y - 18.3, 10)
    sheet.number(x + 13.0, y - 18.3, 11)
    sheet.text(x + 15.8, y - 18.3, "need no power", 8.5, "left")


def _parts_list(sheet: Sheet, x: float, top: float, parts: tuple[int, ...]) -> None:
    for place, part in enumerate(parts):
        y = top - 3.7 * place
        sheet.number(x + 1.5, y, part)
        sheet.text(x + 4.2, y, PARTS[part], 8, "left")


def coil_power() -> Figure:
    """The chain that every coil's power passes through."""
    sheet = Sheet(188, 112)
    sheet.text(4, 107.5, "Chain of the coil power", 13, "left", bold=True)
    sheet.text(
        4,
        103,
        "Drawn without power. The contacts 16 and 14 stand before every coil; software can open the chain, "
        "and never bridge it.",
        8.5,
        "left",
    )
    _chain(sheet)
    _block(sheet)
    _coils(sheet)
    _inputs(sheet)
    _what_opens(sheet)
    return sheet.picture


def _chain(sheet: Sheet) -> None:
    y = 91.0
    sheet.box(6, 85, 16, 11, 1.8)
    sheet.text(14, 92, "24 V DC", 8.5, bold=True)
    sheet.text(14, 88, "supply", 8)
    sheet.line((22, y), (26, y), width=1.6)
    sheet.box(26, y - 1.3, 7, 2.6, 1.4)
    sheet.line((26, y), (33, y))
    sheet.line((33, y), (37, y), width=1.6)
    sheet.line((37, y), (42.4, y + 3), width=1.6)
    sheet.line((43, y), (66, y), width=1.6)
    sheet.number(34.5, y + 5.5, 20)
    sheet.text(34.5, y - 4.6, "fuse, isolator\nat the pot", 8)

    sheet.line((66, y), (71.4, y + 3), width=1.6)
    sheet.line((72, y), (104, y), width=1.6)
    sheet.line((69, y + 1.5), (69, y - 4.6), dashed=True)
    sheet.box(64.5, y - 9.4, 9, 4.8, 1.4)
    sheet.text(69, y - 7.1, "relay", 8)
    sheet.number(69, y + 5.8, 16)
    sheet.text(75.5, y - 4.6, "watchdog: closed only while\nthe heartbeat changes", 8, "left")

    sheet.line((110, y), (110, y + 2.2), width=1.6)
    sheet.line((104, y), (110.8, y + 1.6), width=1.6)
    sheet.line((110, y), (182, y), width=1.6)
    sheet.box(103.2, y + 4.6, 8, 4.4, 1.4)
    sheet.text(107.2, y + 6.8, "p >", 8)
    sheet.line((107.2, y + 0.9), (107.2, y + 4.6), dashed=True)
    sheet.number(100.5, y + 6.8, 14)
    sheet.text(
        112.5, y + 6.8, "pressure switch: opens on rise, latches,\nreset with a key at the pot", 8, "left"
    )
    sheet.text(152, y + 2.2, "coil rail", 9, bold=True)


def _block(sheet: Sheet) -> None:
    options = ValveOptions()
    sheet.box(52, 55, 130, 20, 1.8)
    sheet.number(56, 71.8, 17)
    sheet.text(58.5, 71.8, "valve block", 9, "left", bold=True)
    lines = (
        f"register {options.heartbeat}: heartbeat, written by the computer",
        f"register {options.de_energise}: 1 drops all outputs; nothing else re-arms",
        "shots are timed in here, none longer than 500 ms",
    )
    for place, words in enumerate(lines):
        sheet.text(78, 71.8 - 3.3 * place, words, 8, "left")
    sheet.line((47, 91), (47, 69), (52, 69), width=1.4)
    sheet.axes.add_patch(Circle((47, 91), 0.7, color=_INK, zorder=4))
    sheet.text(45.8, 78.5, "own power,\nstays on", 8, "right")
    sheet.arrow((69, 75), (69, 81.6), dashed=True)
    sheet.text(71, 78.2, "one pulse for each new value", 8, "left")

    sheet.box(14, 56, 22, 12, 1.8)
    sheet.text(25, 64.2, "computer", 9, bold=True)
    sheet.text(25, 60, "runs leadline", 8)
    sheet.arrow((36, 62), (52, 62), dashed=True)
    sheet.text(33, 51.6, "a new value each second scan\n(every 0.4 s at 0.2 s scans)", 8)


def _coils(sheet: Sheet) -> None:
    for x, output, what in ((151, 0, "supply"), (173, 1, "vent")):
        sheet.line((x, 91), (x, 68), width=1.4)
        sheet.axes.add_patch(Circle((x, 91), 0.7, color=_INK, zorder=4))
        sheet.axes.plot([x, x], [75, 68], color=_INK, linewidth=1.4, zorder=4)
        sheet.axes.plot([x, x + 2.6], [62.6, 68], color=_INK, linewidth=1.4, zorder=4)
        sheet.axes.plot([x, x], [62.6, 55], color=_INK, linewidth=1.4, zorder=4)
        sheet.text(x - 1.5, 65.4, f"output {output}\n{what}", 8, "right")
    sheet.line((151, 55), (151, 51), width=1.4)
    sheet.line((142, 51), (160, 51), width=1.4)
    for x, part in ((142, 5), (160, 6)):
        _coil(sheet, x, part)
    sheet.line((173, 55), (173, 51), width=1.4)
    _coil(sheet, 173, 8)
    sheet.text(151, 46.5, "shut\nwithout\npower", 8)
    sheet.text(178.5, 46.5, "open\nwithout\npower", 8, "left")


def _coil(sheet: Sheet, x: float, part: int) -> None:
    sheet.line((x, 51), (x, 48.6), width=1.4)
    sheet.box(x - 3, 43.6, 6, 5, 1.4)
    sheet.line((x - 3, 43.6), (x + 3, 48.6))
    sheet.line((x, 43.6), (x, 34), width=1.4)
    sheet.number(x, 40.2, part)


def _inputs(sheet: Sheet) -> None:
    options = ValveOptions()
    bits = (
        (62, options.lid_bit, 15, "lid closed"),
        (87, options.watchdog_bit, 16, "watchdog\ntripped"),
        (112, options.pressure_switch_bit, 14, "switch\ntripped"),
    )
    for x, bit, part, words in bits:
        sheet.line((x, 55), (x, 49), width=1.4)
        sheet.line((x, 44), (x + 2.6, 49), width=1.4)
        sheet.line((x, 44), (x, 40), width=1.4)
        sheet.number(x - 3.4, 46.5, part)
        sheet.text(x + 4, 46.5, words, 8, "left")
        sheet.text(x + 1.2, 57, f"input bit {bit}", 8)
    sheet.line((62, 40), (112, 40), width=1.4)
    sheet.line((112, 40), (112, 34), width=1.4)
    sheet.line((132, 55), (132, 34), width=1.4)
    sheet.line((9, 85), (9, 34), (173, 34), width=1.6)
    sheet.text(12, 36.2, "0 V", 9, "left", bold=True)


def _what_opens(sheet: Sheet) -> None:
    sheet.text(6, 29, "What opens the chain", 9, "left", bold=True)
    rows = (
        (
            (16,),
            "the heartbeat no longer changes: program crashed, hung or killed, computer asleep, cable out",
        ),
        ((14,), "the pot is above the switch's setting, whatever gauges and software believe"),
        ((20,), "somebody turns the isolator; the fuse blows; the mains fail"),
    )
    for place, (parts, words) in enumerate(rows):
        y = 24.8 - 4.1 * place
        for part in parts:
            sheet.number(8, y, part)
        sheet.text(11, y, words, 8.5, "left")
    sheet.text(128, 29, "Then", 9, "left", bold=True)
    for y, parts, words in ((24.8, (5, 6), "shut by their springs"), (20.7, (8,), "opens: the pot vents")):
        for place, part in enumerate(parts):
            sheet.number(130 + 3.8 * place, y, part)
        sheet.text(137, y, words, 8.5, "left")
    sheet.text(
        6,
        10.2,
        "A coil suppressor belongs across every coil; a plain diode makes a valve let go slowly. Prove every "
        "contact by test on the real parts, not by this drawing.",
        8,
        "left",
    )
    sheet.text(
        6,
        6.2,
        "A principle, not a design: fusing, earthing, enclosure and cable are for a licensed person, the "
        "makers' documents and the local code.",
        8,
        "left",
    )


def drawings() -> dict[str, bytes]:
    """Both drawings by file name."""
    return {
        "plumbing.svg": svg(plumbing(), "Plumbing of the pot", PLUMBING_ALT),
        "coil_power.svg": svg(coil_power(), "Chain of the coil power", POWER_ALT),
    }


if __name__ == "__main__":
    for name, data in drawings().items():
        (HERE / name).write_bytes(data)
        print(f"{HERE / name}: {len(data)} bytes")
    if len(sys.argv) > 1:
        for name, picture in (("plumbing", plumbing()), ("coil_power", coil_power())):
            picture.savefig(Path(sys.argv[1]) / f"{name}.png", dpi=110)
