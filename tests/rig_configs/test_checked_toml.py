"""What the message about a wrong file says: file, line, key, and what would be right."""

from __future__ import annotations

import os
import re
from datetime import date
from pathlib import Path
from typing import Annotated, Literal

import pytest
from pydantic import Field

from rig_configs.files.checked_toml import (
    FileError,
    StrictModel,
    TomlText,
    dotted,
    key_lines,
    parse,
    read_text,
)
from rig_configs.files.suggestions import nearest, suggestion

TEXT = '''schema = "x/1"
# a comment with [brackets]
numbers = [
  1,
  2, # two
]
"quoted key" = 1
note = """
[not.a.table]
fake = 1
"""
[pot]
volume_l = 1.0
lid.diameter_mm = 100

[[steps]]
po2_bar = 1.0
[steps.hold]
cap_s = 60
[[steps]]
po2_bar = 1.2
'''


class Step(StrictModel):
    po2_bar: float
    direction: Literal["up", "down"] = "up"


class Pot(StrictModel):
    volume_l: float = Field(gt=0, description="free volume of the pot")


class Sheet(StrictModel):
    schema_: Literal["sheet/1"] = Field(alias="schema")
    pot: Pot
    steps: Annotated[tuple[Step, ...], Field(strict=False)] = ()
    named: dict[str, Pot] = Field(default_factory=dict)


def problems(text: str) -> tuple[str, ...]:
    with pytest.raises(FileError) as caught:
        parse(TomlText("sheet.toml", text), Sheet)
    return caught.value.problems


def test_every_table_and_key_has_its_line() -> None:
    lines = key_lines(TEXT)
    assert lines["schema",] == 1
    assert lines["quoted key",] == 7
    assert lines["pot",] == 12
    assert lines["pot", "lid", "diameter_mm"] == 14
    assert lines["steps",] == lines["steps", 0] == 16
    assert lines["steps", 0, "po2_bar"] == 17
    assert lines["steps", 0, "hold", "cap_s"] == 19
    assert lines["steps", 1, "po2_bar"] == 21
    assert not any("fake" in path or "not" in path for path in lines)


def test_unknown_key_is_answered_with_the_nearest() -> None:
    found = problems('schema = "sheet/1"\n[pot]\nvolume_l = 1.0\nvolme_l = 2.0\n')
    assert found == ("sheet.toml:4: pot.volme_l: unknown key; did you mean 'volume_l'?",)


def test_key_near_to_nothing_is_answered_with_what_is_valid() -> None:
    found = problems('schema = "sheet/1"\nzebra = 1\n[pot]\nvolume_l = 1.0\n')
    assert found == ("sheet.toml:2: zebra: unknown key; valid: named, pot, schema, steps",)


def test_unknown_key_in_a_named_table_and_in_a_list_is_found() -> None:
    found = problems(
        'schema = "sheet/1"\n[pot]\nvolume_l = 1.0\n[named.a]\nvolume = 1.0\n[[steps]]\npo2 = 1.0\n'
    )
    assert "sheet.toml:5: named.a.volume: unknown key; did you mean 'volume_l'?" in found
    assert "sheet.toml:7: steps[1].po2: unknown key; did you mean 'po2_bar'?" in found
    assert any(text.startswith("sheet.toml:4: named.a.volume_l: missing") for text in found)


def test_missing_key_says_what_it_gives() -> None:
    assert problems('schema = "sheet/1"\n[pot]\n') == (
        "sheet.toml:2: pot.volume_l: missing; it gives the free volume of the pot",
    )


def test_wrong_type_range_and_word_are_reported_with_what_was_found() -> None:
    found = problems(
        'schema = "sheet/1"\n[pot]\nvolume_l = "1.0"\n[[steps]]\npo2_bar = nan\ndirection = "upp"\n'
    )
    assert found[0] == "sheet.toml:3: pot.volume_l: should be a number without quotes, found '1.0'"
    assert "finite" in found[1]
    assert found[2] == "sheet.toml:6: steps[1].direction: 'upp' is not a valid word; did you mean 'up'?"
    assert "greater than 0" in problems('schema = "sheet/1"\n[pot]\nvolume_l = -1\n')[0]


def test_broken_toml_names_its_line() -> None:
    assert problems('schema = "sheet/1"\n[pot\n')[0].startswith("sheet.toml:2: not valid TOML:")


def test_brackets_nested_without_end_are_one_sentence() -> None:
    assert problems("x = " + "[" * 5000) == ("sheet.toml: not valid TOML: brackets nested too deep",)


class Dated(StrictModel):
    name: Annotated[str, Field(min_length=1)]
    due: date


@pytest.mark.parametrize(
    ("text", "reported"),
    [
        ('name = "a"\ndue = "2027-02-10"\n', "due: should be a date without quotes, such as 2027-02-10"),
        ("name = 1\ndue = 2027-02-10\n", "name: should be text in quotes, found 1"),
        ('name = ""\ndue = 2027-02-10\n', "name: should not be empty"),
    ],
)
def test_quotes_too_many_or_too_few_are_reported(text: str, reported: str) -> None:
    with pytest.raises(FileError, match=re.escape(reported)):
        parse(TomlText("sheet.toml", text), Dated)


@pytest.mark.parametrize("content", [b"\xff\xfe", None])
def test_unreadable_file_is_one_sentence(tmp_path: Path, content: bytes | None) -> None:
    path = tmp_path / "sheet.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(FileError, match=r"no such file|not UTF-8"):
        read_text(path)


def test_folder_in_place_of_a_file_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="folder"):
        read_text(tmp_path)


def test_pipe_in_place_of_a_file_is_one_sentence_and_does_not_block(tmp_path: Path) -> None:
    pipe = tmp_path / "sheet.toml"
    os.mkfifo(pipe)
    with pytest.raises(FileError, match="is a pipe or a device, not a file"):
        read_text(pipe)


def test_device_in_place_of_a_file_is_one_sentence() -> None:
    with pytest.raises(FileError, match="is a pipe or a device, not a file"):
        read_text(Path("/dev/null"))


def test_file_far_too_large_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "sheet.toml"
    with path.open("wb") as file:
        file.truncate(400_000_000)
    with pytest.raises(FileError, match="holds 400 MB where a few kB are usual and 2 MB is the most"):
        read_text(path)


def test_keys_count_items_from_one_and_nearest_needs_likeness() -> None:
    assert dotted(("steps", 0, "po2_bar")) == "steps[1].po2_bar"
    assert nearest("ramp_bar_per_mn", ["ramp_bar_per_min", "scan"]) == "ramp_bar_per_min"
    assert nearest("tb-0471", ["OS-1123", "TB-0417"]) == "TB-0417"
    assert nearest("zebra", ["ramp_bar_per_min"]) is None


def test_a_word_without_a_near_one_is_met_with_what_is_valid_and_a_long_list_is_cut() -> None:
    assert suggestion("zebra", ["b", "a"]) == "valid: a, b"
    assert suggestion("zebra", [f"key_{n:02d}" for n in range(20)]).endswith("key_11, ...")


def test_a_long_value_is_not_printed_whole() -> None:
    found = problems(f'schema = "sheet/1"\npot = "{"p" * 500}"\n')
    assert any(line.startswith("sheet.toml:2: pot: should be a table, found 'ppp") for line in found), found
    assert all(len(line) < 200 for line in found)
