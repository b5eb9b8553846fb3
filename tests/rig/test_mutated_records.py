"""A record whose checksums hold and whose members are wrong is graded or refused in one line."""

from __future__ import annotations

import copy
import hashlib
import json
import os
import random
import shutil
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from rig.cli.main import main

GOLDEN = Path(__file__).parents[1] / "golden" / "records" / "v1" / "2026-03-02T101500Z-a1b2"
MUTANTS = int(os.environ.get("LEADLINE_EXAMPLES", "30"))
ABSENT = object()
WRONG = (
    ABSENT, None, "", "x", "-1", "2026-03-02", "\x00\x1b[2J", "\ud800", True, 0, -1, 1, 7, 1.5, -1e300, 1e300,
    10**400, float("nan"), float("inf"), [], [[]], [None], ["x"], {}, {"x": {}}, {"text": "x"},
)  # fmt: skip
TOML = (
    "[hold]\ncap_s = 'x'",
    "hold = 5",
    "[hold]\nleast_s = -1",
    "[purge]\nleast_oxygen_fraction = 7",
    "x = [",
)

Path_ = tuple[Any, ...]


def places(value: Any, path: Path_ = ()) -> Iterator[Path_]:
    """Every member of JSON data, by its way from the top."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from places(inner, (*path, index))


def put(data: Any, path: Path_, wrong: Any) -> None:
    for part in path[:-1]:
        data = data[part]
    if wrong is not ABSENT:
        data[path[-1]] = wrong
    elif isinstance(data, dict):
        del data[path[-1]]
    else:
        data.pop(path[-1])


def golden() -> dict[str, Any]:
    """The golden record as data that can be changed and sealed again."""
    events = [json.loads(line) for line in (GOLDEN / "events.ndjson").read_bytes().splitlines()]
    for event in events:
        del event["crc32"]
    return {
        "run": json.loads((GOLDEN / "run.json").read_bytes()),
        "events": events,
        "end": json.loads((GOLDEN / "end.json").read_bytes()),
    }


def seal(data: dict[str, Any], folder: Path) -> Path:
    """Write a record with every checksum made anew, as a program that writes such members would have."""
    record = folder / GOLDEN.name
    shutil.rmtree(record, ignore_errors=True)
    record.mkdir(parents=True)
    rows = (GOLDEN / "samples.csv").read_bytes().splitlines(keepends=True)
    run = json.dumps(data["run"], indent=1).encode() + b"\n"
    chain, taken, lines, since = hashlib.sha256(run).hexdigest(), 0, [], 0
    for event in data["events"]:
        if isinstance(event, dict) and event.get("kind") == "checkpoint" and type(event.get("rows")) is int:
            digest = hashlib.sha256(chain.encode())
            for line in (*rows[1 + taken : 1 + event["rows"]], *lines[since:]):
                digest.update(line)
            event["previous"], event["sha256"] = chain, digest.hexdigest()
            chain, taken, since = digest.hexdigest(), event["rows"], len(lines)
        body = json.dumps(event, separators=(",", ":")).encode()[:-1]
        lines.append(body + b',"crc32":"' + f'{zlib.crc32(body):08x}"}}\n'.encode())
    files = {"run.json": run, "samples.csv": b"".join(rows), "events.ndjson": b"".join(lines)}
    for name, content in files.items():
        (record / name).write_bytes(content)
    end = data["end"]
    listed = end.get("files") if isinstance(end, dict) else None
    if isinstance(listed, dict):
        end["files"] = {
            name: hashlib.sha256(files[name]).hexdigest()
            if name in files and isinstance(sha256, str)
            else sha256
            for name, sha256 in listed.items()
        }
    text = json.dumps(end, ensure_ascii=False, indent=1) + "\n"
    (record / "end.json").write_bytes(text.encode("utf-8", "surrogatepass"))
    return record


def outcome(record: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(["grade", str(record), "--limits", "general", "--json"])
    out, err = capsys.readouterr()
    return code, out, err


def test_the_golden_record_sealed_again_grades_as_before(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    code, out, _ = outcome(GOLDEN, capsys)
    again, out_again, _ = outcome(seal(golden(), tmp_path), capsys)
    assert (code, json.loads(out)["cells"]) == (again, json.loads(out_again)["cells"])
    assert code == 0


def mutants() -> Iterator[tuple[str, Callable[[dict[str, Any]], None]]]:
    """Members of a record and what is put in their place; the same ones every time."""
    whole = golden()
    every = [path for path in places(whole) if path != ("events",)]
    dice = random.Random(5)
    for _ in range(MUTANTS):
        path, wrong = dice.choice(every), dice.choice(WRONG)
        yield (
            f"{path} = {'absent' if wrong is ABSENT else wrong!r:.40}",
            lambda data, p=path, w=wrong: put(data, p, w),
        )
    for text in TOML:
        for file in ("procedure", "bench"):
            yield f"{file} = {text!r}", lambda data, f=file, t=text: put(data, ("run", f, "text"), t)


def test_wrong_members_are_graded_or_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    crashed = []
    for name, mutate in mutants():
        data = copy.deepcopy(golden())
        mutate(data)
        record = seal(data, tmp_path)
        code, out, err = outcome(record, capsys)
        one_line = code == 2 and err.startswith("leadline: ") and err.count("\n") == 1
        if "internal error" in err or not (one_line or (code == 0 and json.loads(out)["cells"])):
            crashed.append(f"{name}: {code}: {err}")
    assert crashed == []


@pytest.mark.parametrize(
    ("path", "wrong", "told"),
    [
        (("run", "sockets"), "two", "run.json: sockets: should be"),
        (("run", "cells", 1, "cell"), 5, "run.json: cells[2].cell: should be text in quotes, found 5"),
        (("run", "gas", "oxygen_fraction"), 99.5, "run.json: gas.oxygen_fraction: should be less than"),
        (("run", "ambient"), ABSENT, "run.json: ambient: missing"),
        (("run", "started_utc"), "yesterday", "run.json: started_utc: should be a moment with its time zone"),
        (("run", "procedure", "text"), "[hold]\ncap_s = 'x'", "procedure.text: hold.cap_s: should be"),
    ],
)  # fmt: skip
def test_a_wrong_member_of_the_run_file_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], path: Path_, wrong: Any, told: str
):
    data = golden()
    put(data, path, wrong)
    code, _, err = outcome(seal(data, tmp_path), capsys)
    assert code == 2
    assert told in err


def test_an_event_with_a_wrong_member_is_left_out_and_named_and_nothing_is_graded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    data = golden()
    data["events"][3]["u_oxygen_fraction"] = "small"
    code, out, _ = outcome(seal(data, tmp_path), capsys)
    assert code == 0
    cells = json.loads(out)["cells"]
    assert {cell["grade"] for cell in cells} == {"ungraded"}
    told = "events.ndjson line 4: purge: u_oxygen_fraction: should be a number without quotes, found 'small'"
    assert all(any(told in reason for reason in cell["reasons"]) for cell in cells)


def test_members_and_kinds_of_a_later_version_are_read_past(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    plain = json.loads(outcome(GOLDEN, capsys)[1])["cells"]
    data = golden()
    data["run"]["later"] = {"a": 1}
    data["run"]["cells"][0]["later"] = [1]
    for event in data["events"]:
        event["later"] = None
    data["events"][16:17] = [{**data["events"][16], "kind": "later kind"}]
    code, out, _ = outcome(seal(data, tmp_path), capsys)
    assert (code, json.loads(out)["cells"]) == (0, plain)
