"""What is typed and told at a hand pot, piece by piece; whole runs stand in tests/faults."""

from __future__ import annotations

import json

import pytest

from grading.strict_toml import TomlText
from rig.cli.main import main
from rig.hand.cues import CRACK_BAR, advise
from rig.hand.last_run import last_run
from rig.hand.typed_pressure import TypedWrong, both_ways, read_pressure
from rig.setup.bench_file import load_bench, parse_bench


@pytest.mark.parametrize(
    ("text", "absolute_bar"),
    [
        ("1.6 bara", 1.6),
        ("0.6barg", 1.6),
        ("1600 mbara", 1.6),
        ("1013.25 hPa", 1.01325),
        ("160 kPaa", 1.6),
        ("23.206 psia", 1.6),
        ("8.702 psig", 1.6),
        ("-0.01 barg", 0.99),
    ],
)
def test_a_pressure_with_its_unit_is_read(text, absolute_bar):
    assert read_pressure(text).absolute_bar(1.0) == pytest.approx(absolute_bar, abs=1e-4)
    assert read_pressure(text).gauge_bar(1.0) == pytest.approx(absolute_bar - 1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("16", "has no unit"),
        ("1,6 bara", "has a comma"),
        ("1,6", "has a comma"),
        ("1.6 bar", "say absolute or gauge"),
        ("1.6 atm", "'atm' is not known"),
        ("", "is no pressure"),
        ("yes", "is no pressure"),
    ],
)
def test_anything_else_gets_one_line_that_says_what_would_be_right(text, words):
    with pytest.raises(TypedWrong) as wrong:
        read_pressure(text)
    assert words in str(wrong.value)
    assert "for example 1.6 bara (absolute) or 0.6 barg (gauge)" in str(wrong.value)
    assert "\n" not in str(wrong.value)


def test_a_dial_is_told_its_reading_in_its_own_words():
    assert both_ways(2.01325, 1.01325) == "2.013 bar absolute = 1.00 bar gauge (14.5 psi gauge)"
    assert both_ways(1.0130, 1.0132) == "1.013 bar absolute = 0.00 bar gauge (0.0 psi gauge)"


@pytest.mark.parametrize("up", [True, False])
@pytest.mark.parametrize("rate", [0.2, 0.5, 1.0, 2.0])
def test_close_now_comes_one_reaction_before_the_target(up, rate):
    sign = 1.0 if up else -1.0
    lead_bar = rate / 60.0 * 1.5
    late = advise(1.6, 1.6 - sign * (lead_bar + 0.002), sign * rate, up=up)
    early = advise(1.6, 1.6 - sign * (lead_bar + 0.012), sign * rate, up=up)
    assert late.action == "close"
    assert "NOW" in late.text
    assert early.action != "close"


def test_the_cue_tells_distance_and_rate_and_slows_the_hasty():
    assert advise(1.6, 1.2, 0.0, up=True).action == "open"
    steady = advise(1.6, 1.2, 0.45, up=True)
    assert steady.action == "wait"
    assert "400 mbar to go, +0.45 bar/min" in steady.text
    assert advise(1.6, 1.2, 1.3, up=True).action == "slower"
    assert advise(1.6, 1.2, 2.3, up=True).action == "close"
    assert advise(1.6, 1.6 - 0.9 * CRACK_BAR, 0.0, up=True).action == "crack"
    assert advise(1.2, 1.6, -0.45, up=False).valve == "vent"


def write_record(folder, name, bench_text, *, events=(), how=None):
    record = folder / name
    record.mkdir(parents=True)
    bench = {"name": "Hand pot (virtual)", "text": bench_text}
    (record / "run.json").write_text(json.dumps({"bench": bench}))
    (record / "events.ndjson").write_text("".join(json.dumps(event) + "\n" for event in events))
    if how is not None:
        (record / "end.json").write_text(json.dumps({"how": how}))


def test_the_last_run_tells_its_first_trip_and_what_was_changed_since(tmp_path):
    bench = load_bench("virtual_hand_pot")
    assert last_run(tmp_path / "none", bench) is None
    write_record(tmp_path, "2026-01-01", bench.text)
    found = last_run(tmp_path, bench)
    assert found is not None
    assert found.interrupted
    assert found.changes == ()
    trips = ({"kind": "trip", "code": "TOO_FAST"}, {"kind": "trip", "code": "NOT_VENTED"})
    older = bench.text.replace("volume_l = 0.5", "volume_l = 0.4")
    write_record(tmp_path, "2026-01-02", older, events=trips, how="tripped")
    found = last_run(tmp_path, bench)
    assert found is not None
    assert not found.interrupted
    assert found.first_out == "TOO_FAST"
    assert [change.text for change in found.changes] == ["volume_l 0.4 -> 0.5"]
    (tmp_path / "2026-01-03").mkdir()
    (tmp_path / "2026-01-03" / "run.json").write_text("{torn")
    assert last_run(tmp_path, bench) == found


def test_runs_of_other_benches_do_not_count(tmp_path):
    bench = load_bench("virtual_hand_pot")
    other = parse_bench(TomlText("other.toml", bench.text.replace("Hand pot (virtual)", "Another")))
    write_record(tmp_path, "2026-01-01", bench.text)
    assert last_run(tmp_path, other) is None


def test_the_shipped_pot_can_be_practised_on_from_the_command_line(tmp_path, capsys):
    code = main(
        [
            "run",
            "virtual_hand_pot",
            "-p",
            "quick",
            "-c",
            "three_cells",
            "-o",
            str(tmp_path),
            "--no-certificates",
        ]
    )
    out = capsys.readouterr().out
    assert code == 0
    for words in ("Type EYES.", "simulated person", "mbar to go", "you may open the lid now, slowly"):
        assert words in out
    assert main(["archive", "check", str(tmp_path)]) == 0


def test_a_meter_read_by_eye_is_sent_to_the_readings_table(tmp_path, capsys):
    text = load_bench("virtual_hand_pot").text
    before, _, rest = text.partition("[instruments.meter]")
    after = rest[rest.index("[instruments.gauge]") :]
    meter = '[instruments.meter]\nrole = "voltmeter"\ndriver = "typed_voltmeter"\naddress = "virtual"\n\n'
    file = tmp_path / "by_eye.toml"
    file.write_text(before + meter + after)
    assert main(["run", str(file), "-c", "three_cells", "-o", str(tmp_path / "out")]) == 3
    said = capsys.readouterr()
    assert "leadline grade" in said.out + said.err
