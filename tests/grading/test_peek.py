"""A look into a record reads its events and its end, not the readings."""

import shutil
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import pytest

from grading.measurement import SourceError
from grading.record.event_lines import BadEvent, read_event
from grading.record.events import KINDS
from grading.record.format import event_line
from grading.record.peek import peek
from grading.record.reader import read_record

GOLDEN = Path(__file__).parents[1] / "golden" / "records" / "v1" / "2026-03-02T101500Z-a1b2"
WHEN = datetime(2026, 3, 2, 11, tzinfo=UTC)


@pytest.fixture
def record(tmp_path):
    return Path(shutil.copytree(GOLDEN, tmp_path / GOLDEN.name))


def test_it_says_what_the_reader_says_without_the_samples(record):
    whole = read_record(record)
    (record / "samples.csv").unlink()
    seen = peek(record)
    assert (seen.run, seen.end) == (whole.run, whole.end)
    assert tuple(seen.events()) == whole.events
    assert tuple(seen.events("purge", "leak")) == whole.of_kind("purge", "leak")


def test_what_cannot_be_trusted_is_left_out_as_the_reader_does(record):
    events = record / "events.ndjson"
    lines = events.read_bytes().splitlines(keepends=True)
    lines[3] = lines[3].replace(b'"swings"', b'"Swings"', 1)
    wrong = event_line(22, "leak", 1.0, WHEN, {"verdict": "tight"})
    torn = event_line(23, "note", 1.0, WHEN, {"text": "torn"})[:-1]
    events.write_bytes(b"".join(lines) + wrong + torn)
    (record / "events.2.ndjson").write_bytes(event_line(24, "note", 1.0, WHEN, {"text": "second"}))
    seen = tuple(peek(record).events())
    assert seen == read_record(record).events
    assert [event.n for event in seen] == [1, 2, 3, *range(5, 22), 24]


def test_memory_does_not_grow_with_the_events(record):
    with (record / "events.ndjson").open("ab") as file:
        for n in range(22, 30_022):
            file.write(event_line(n, "valve", 1.0, WHEN, {"valve": "supply", "action": "shot"}))
        file.write(b'{"n":' + b"1" * 20_000_000)
    tracemalloc.start()
    try:
        assert len(list(peek(record).events("leak"))) == 1
        assert sum(1 for _ in peek(record).events()) == 30_021
        assert tracemalloc.get_traced_memory()[1] < 16_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("text", [None, "", "{", "[[" * 100_000, "{}"])
def test_what_is_no_record_is_one_line(record, text):
    (record / "run.json").unlink()
    if text is not None:
        (record / "run.json").write_text(text)
    with pytest.raises(SourceError) as caught:
        peek(record)
    assert "\n" not in str(caught.value)


def test_an_end_that_cannot_be_trusted_is_none(record):
    (record / "end.json").write_text('{"schema": "leadline.end/1", "how": "finished"}')
    assert peek(record).end is None


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_an_event_without_a_member_that_is_needed_is_refused_by_name(kind):
    needed = [
        field.alias or name
        for name, field in KINDS[kind].model_fields.items()
        if field.is_required() and name not in ("n", "t_s", "utc", "kind")
    ]
    assert needed
    with pytest.raises(BadEvent, match=rf"^{kind}: {needed[0]}: missing"):
        read_event(event_line(1, kind, 0.0, WHEN, {}).removesuffix(b"\n"))
