"""The safety documents and drawings say what the program does today."""

import ast
import importlib.util
import io
import math
import re
from pathlib import Path

import numpy as np
import pytest
import typst
from PIL import Image

from drivers.modbus.valves import ValveOptions
from rig.phases.airing import HIGHER_PART
from rig.pressure.gate import LONGEST_SHOT_MS
from rig.safety.cell_witness import AIR_DOUBT_BAR, threshold_bar
from rig.safety.gas_check import ALIKE_AGAIN_PART, ALIKE_FROM_AIR_PART, ALLOWED_PART
from rig.safety.interlocks import INTERLOCKS
from rig.safety.limits import SafetyLimits
from rig.safety.rise import RISE_BAR
from rig.safety.states import STATE_RULES, TRANSITIONS
from rig.safety.vented import ANSWER_BAR, WATCH_AFTER_TRIP_S
from rig.safety_documents.tables import documents
from rig.setup.plan import WATCH_AFTER_RUN_S

ROOT = Path(__file__).parents[2]
DOCUMENTS = ROOT / "rig" / "safety_documents"
DRAWINGS = ROOT / "tests" / "golden" / "wiring"
SAFETY = (DOCUMENTS / "safety.md").read_text(encoding="utf-8")
PROSE = " ".join(SAFETY.split())


@pytest.fixture(scope="module")
def draw():
    spec = importlib.util.spec_from_file_location("draw_wiring", DRAWINGS / "draw.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def drawn(draw):
    return draw.drawings()


def grey(data):
    page = b'#set page(width: auto, height: auto, margin: 0pt)\n#image("picture.svg", width: 264mm)'
    png = typst.compile({"main": page, "picture.svg": data}, format="png", ppi=96)
    return np.asarray(Image.open(io.BytesIO(png)).convert("L"), dtype=float)


def table(heading):
    """The rows of the table in safety.md whose first head is `heading`."""
    lines = SAFETY.splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith(f"| {heading} |"))
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


@pytest.mark.parametrize("name", ["states.md", "faults.md"])
def test_printed_table_is_what_the_program_executes(name):
    kept = (DOCUMENTS / name).read_text(encoding="utf-8")
    assert kept == documents()[name], "run `python -m rig.safety_documents.tables`, read it, commit it"


def test_every_state_transition_and_interlock_is_printed():
    states, faults = documents()["states.md"], documents()["faults.md"]
    assert all(f"| **{state}** |" in states for state in STATE_RULES)
    assert states.count("` to ") == len(TRANSITIONS)
    assert all(f"| `{lock.code}` |" in faults and lock.do_now in faults for lock in INTERLOCKS)


@pytest.mark.parametrize("name", ["plumbing.svg", "coil_power.svg"])
def test_drawing_is_true(drawn, name):
    """Compared as pixels, since another version of a library may write the same picture in other bytes."""
    new, old = grey(drawn[name]), grey((DRAWINGS / name).read_bytes())
    assert new.shape == old.shape
    assert float(np.mean(np.abs(new - old) > 64)) < 0.002, f"{name} has changed; run {DRAWINGS / 'draw.py'}"


def test_drawings_are_black_and_white_and_drawn_the_same_twice(draw, drawn):
    assert draw.drawings() == drawn
    for data in drawn.values():
        assert set(re.findall(rb"#[0-9a-f]{6}", data.split(b"<defs>", 1)[1])) <= {b"#000000", b"#ffffff"}


def test_safety_md_shows_both_drawings_with_a_description(drawn):
    shown = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)", SAFETY)
    assert {(DOCUMENTS / path).resolve() for _, path in shown} == {DRAWINGS / name for name in drawn}
    assert all(len(words) > 80 for words, _ in shown)


def test_parts_in_safety_md_are_those_of_the_drawings(draw):
    assert {int(number): what for number, what in table("part")} == draw.PARTS


def test_every_option_of_the_valve_block_is_listed_with_its_default():
    listed = {name.strip("`"): default for name, default, _ in table("option")}
    plain = {name for name in ValveOptions.model_fields if name not in {"serial", "proof"}}
    plain -= set(ValveOptions.__mro__[1].model_fields)
    defaults = ValveOptions()
    assert {name: listed[name] for name in plain} == {name: str(getattr(defaults, name)) for name in plain}
    assert (
        listed["serial"]
        == f"{defaults.serial.address} to {defaults.serial.address + defaults.serial.count - 1}"
    )
    assert listed["proof"] == f"{defaults.proof.address}, {defaults.proof.address + 1}"


def test_numbers_of_the_program_in_safety_md_are_the_programs():
    limits = SafetyLimits(working_pressure_bar=3.5, stop_pressure_bar=2.2, trip_pressure_bar=2.3)
    assert f"a gauge may be off by at most {limits.zero_bar * 1000:.0f} mbar" in PROSE
    assert f"of at most {LONGEST_SHOT_MS} ms" in PROSE
    assert (
        f"for {WATCH_AFTER_RUN_S:.0f} s after a completed run and {WATCH_AFTER_TRIP_S:.0f} s after" in PROSE
    )
    assert f"a rise of {RISE_BAR * 1000:.0f} mbar **[J]**, sounds at once" in PROSE
    assert f"A rise by more than {RISE_BAR * 1000:.0f} mbar above the lowest reading" in PROSE
    assert f"within {limits.vented_bar * 1000:.0f} mbar of the barometer for two seconds" in PROSE
    assert f"it has not risen by {ANSWER_BAR * 1000:.0f} mbar with it" in PROSE
    assert f"`[limits]` of the bench file, {limits.fastest_vent_bar_per_min:.0f} where" in PROSE
    one, five, twenty = (f"{threshold_bar(60.0 * minutes, 4) * 1000:.0f}" for minutes in (1, 5, 20))
    assert f"from {one} mbar one minute after the hold, {five} after five, {twenty} after twenty" in PROSE
    more_bar = threshold_bar(60.0, 8) - threshold_bar(60.0, 4)
    assert f"and {more_bar * 1000:.0f} mbar more with eight cells" in PROSE
    assert f"a PO2 of {AIR_DOUBT_BAR:g} bar above the room's pressure" in PROSE
    assert f"off alike by more than {ALIKE_FROM_AIR_PART:.0%}".replace("%", " %") in PROSE
    assert f"changes during the run shows from {ALIKE_AGAIN_PART:.1%}".replace("%", " %") in PROSE
    assert f"an error above {ALLOWED_PART:.0%}".replace("%", " %") in PROSE
    assert f"an enrichment of {HIGHER_PART:.0%}".replace("%", " %") in PROSE
    assert "0.1 bar gauge on a lid of 60, 100 or 150 mm is 28, 79 or 177 N" in PROSE
    assert f"{limits.lid_force_n(0.1):.0f} N" == "79 N"


def choked_rise_bar_per_min(bore_mm, volume_l, supply_bar=4.0):
    """Rise of a pot behind a choked orifice: Cd 0.8, oxygen as an ideal gas (gamma 1.4) at 20 °C."""
    gamma, gas_constant, kelvin = 1.4, 8.314462618 / 0.031998, 293.15
    area_m2 = math.pi / 4 * (bore_mm / 1000) ** 2
    choked = (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1)))
    flow_pa_m3_per_s = 0.8 * area_m2 * supply_bar * 1e5 * choked * math.sqrt(gamma * gas_constant * kelvin)
    return 60 * flow_pa_m3_per_s / (volume_l / 1000) / 1e5


def test_computed_numbers_of_safety_md_follow_from_the_formulas_beside_them():
    hot_c = [293.15 * ratio ** (2 / 7) - 273.15 for ratio in (100, 200, 4)]
    assert f"reaches {hot_c[0]:.0f} or {hot_c[1]:.0f} °C in theory" in PROSE
    assert f"on 4 bar reaches {hot_c[2]:.0f} °C in theory" in PROSE
    rises = [choked_rise_bar_per_min(bore, 1.0) for bore in (0.1, 0.13, 0.2, 0.3, 0.5, 0.8)]
    shown = (
        "0.10 mm {:.2f}, 0.13 mm {:.2f}, 0.2 mm {:.1f}, 0.3 mm {:.1f}, 0.5 mm {:.1f} and 0.8 mm {:.0f} bar"
    )
    assert shown.format(*rises) in PROSE
    assert "the shortest shot of 15 ms stays within 2 mbar" in PROSE
    for bore_mm, volume_l in ((0.5, 1.0), (0.27, 0.3)):
        assert choked_rise_bar_per_min(bore_mm, volume_l) / 60 * 0.015 < 0.002
    force_n = [1e4 * math.pi / 4 * (lid_mm / 1000) ** 2 for lid_mm in (60, 100, 150)]
    low, high = ("{:.0f}, {:.0f} or {:.0f} N".format(*(k * n for n in force_n)) for k in (1, 10))
    assert f"60, 100 or 150 mm is {low}; 1 bar gauge is {high}" in PROSE
    energy_j = 3e5 * 1e-3 / 0.4 * (1 - (1 / 3) ** (2 / 7))
    assert f"{energy_j:.1g}" == "2e+02"
    assert "200 J in 1 L at 3 bar" in PROSE


def test_room_table_of_safety_md_follows_from_perfect_mixing():
    def shown(litres, room_m3):
        return 20.9 + 79.1 * -math.expm1(-litres / (1000 * room_m3))

    rows = {row[0]: row[1:] for row in table("release")}
    stuck_l = 60 * choked_rise_bar_per_min(0.3, 1.0)
    for words, litres, kind in (
        ("one run of 12 L", 12, "+{:.2f} %"),
        ("60 L, the shipped", 60, "+{:.1f} %"),
        ("supply stuck open, 2.6 L/min", stuck_l, "{:.1f} %"),
        ("a cylinder of 10 L at 200 bar", 2000, "{:.0f} %"),
    ):
        (cells,) = (cells for head, cells in rows.items() if head.startswith(words))
        base = 20.9 if kind.startswith("+") else 0.0
        assert cells == [kind.format(shown(litres, room_m3) - base) for room_m3 in (5, 15)]


def test_every_trip_named_in_safety_md_exists():
    source = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "rig").rglob("*.py"))
    named = set(re.findall(r"`([A-Z]+(?:_[A-Z]+)+|WATCHDOG)`", SAFETY))
    assert named
    assert [code for code in named if f'"{code}"' not in source] == []


def test_links_of_the_safety_documents_lead_somewhere():
    for name in ("safety.md", "states.md", "faults.md", "proofs.md"):
        text = (DOCUMENTS / name).read_text(encoding="utf-8")
        headings = {
            re.sub(r"[^a-z0-9 -]", "", line.lstrip("#").strip().lower()).replace(" ", "-")
            for line in text.splitlines()
            if line.startswith("#")
        }
        for target in re.findall(r"\]\(([^)]+)\)", text):
            path, _, anchor = target.partition("#")
            assert (DOCUMENTS / path).exists(), target
            assert path or anchor in headings, target


PROOFS = (DOCUMENTS / "proofs.md").read_text(encoding="utf-8")
TEST_ID = re.compile(r"`(tests/[\w/]+\.py)::(\w+)`")


def plain(text):
    """Text without links, emphasis and code marks, on one line."""
    return " ".join(re.sub(r"[*`]", "", re.sub(r"\[([^\]]+)\]\([^)]*\)", r"\1", text)).split())


def sentences_of(heading):
    """The sentences of each bullet below a heading of safety.md."""
    section = SAFETY.split(f"\n## {heading}\n", 1)[1].split("\n## ", 1)[0]
    for bullet in re.split(r"^- ", section, flags=re.MULTILINE)[1:]:
        yield from re.split(r"(?<=\.) (?=[A-Z])", plain(bullet.split("\n\n", 1)[0]))


def functions_of(path):
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def test_every_proof_is_a_test_that_exists():
    named = set(TEST_ID.findall(PROOFS))
    tests = {path: functions_of(path) for path, _ in named if (ROOT / path).exists()}
    missing = [f"{path}::{name}" for path, name in sorted(named) if name not in tests.get(path, ())]
    assert missing == []
    assert all(name.startswith("test_") for _, name in named)


def test_every_claim_of_the_proofs_has_a_test_or_the_words_not_proven():
    rows = [line for line in PROOFS.splitlines() if line.startswith("| ")]
    claims = [row for row in rows if not re.match(r"\| (claim|limit|row|---) ", row)]
    assert len(claims) > 100
    assert [row for row in claims if not (TEST_ID.search(row) or "**not proven**" in row)] == []


@pytest.mark.parametrize("heading", ["What the software does", "What it cannot promise"])
def test_every_sentence_of_what_is_promised_and_what_is_not_stands_in_the_proofs(heading):
    """A new claim needs its proof, or the words that nothing proves it."""
    claims = [plain(line[2:]) for line in PROOFS.splitlines() if line.startswith("| ")]
    words = [" ".join(sentence.split()[:5]).rstrip(",.;:") for sentence in sentences_of(heading)]
    assert len(words) >= 10
    assert [begins for begins in words if not any(claim.startswith(begins) for claim in claims)] == []
