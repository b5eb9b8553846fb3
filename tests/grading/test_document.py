import json
import math
from pathlib import Path

import pytest

from grading.document import (
    compare,
    dumps,
    from_json,
    public_json,
    read_results,
    to_json,
    write_results,
)
from grading.judgement.grade import grade
from grading.judgement.limits import general_limits, load_limits
from rig_configs.files.checked_toml import FileError

FIGURES = [
    "air_output_mv",
    "oxygen_output_mv",
    "indication_error_percent",
    "linear_to_bar",
    "air_slope_agreement_percent",
    "t90_s",
    "hysteresis_percent",
    "fade_percent_per_min",
    "noise_percent",
]


@pytest.fixture(scope="module")
def grading(measured):
    return grade(measured(lambda p: 50.0 * p, lambda p: min(50.0 * p, 75.0), t90_s=5.0), general_limits())


def test_results_come_back_as_they_were(grading):
    assert from_json(json.loads(dumps(to_json(grading)))) == grading


def test_infinite_degrees_of_freedom_survive_and_the_text_is_strict_json(grading):
    text = dumps(to_json(grading))
    json.loads(text, parse_constant=lambda name: pytest.fail(f"{name} is not JSON"))
    budget = from_json(json.loads(text)).cells[0].figures[0].budget
    assert any(math.isinf(line.degrees_of_freedom) for line in budget)


def test_public_form_is_the_promised_one(grading):
    data = public_json(grading)
    assert list(data) == ["schema", "source", "limits", "cells"]
    assert data["schema"] == "leadline.grading/1"
    assert data["limits"] == {"name": "general", "sha256": general_limits().sha256}
    for cell in data["cells"]:
        assert list(cell) == ["cell", "grade", "reasons", "diagnosis", "figures"]
        assert list(cell["figures"]) == FIGURES
        assert list(cell["figures"]["indication_error_percent"]) == ["1.2", "1.4", "1.6", "1.8", "2.0"]
    straight, bent = data["cells"]
    quantity = bent["figures"]["indication_error_percent"]["2.0"]
    assert set(quantity) == {"value", "expanded_uncertainty", "grade", "probability_of_conformity"}
    assert quantity["value"] == pytest.approx(-25.0)
    assert straight["figures"]["linear_to_bar"]["at_least"] == pytest.approx(2.0)
    assert straight["figures"]["linear_to_bar"]["value"] is None
    assert "at_least" not in bent["figures"]["linear_to_bar"]
    assert bent["figures"]["linear_to_bar"]["value"] == pytest.approx(1.579, abs=0.05)


def test_results_hold_at_least_what_the_public_form_holds(grading):
    full, public = to_json(grading), public_json(grading)

    def holds(big, small):
        if isinstance(small, dict):
            return all(key in big and holds(big[key], value) for key, value in small.items())
        if isinstance(small, list):
            return len(big) == len(small) and all(map(holds, big, small))
        return big == small

    assert full.pop("schema") == "leadline.results/1"
    public.pop("schema")
    assert holds(full, public)


def test_what_cannot_be_had_is_null_with_its_reason(measured):
    data = public_json(grade(measured(lambda p: 50.0 * p, air=False), general_limits()))
    assert data["cells"][0]["figures"]["air_output_mv"] == {
        "value": None,
        "expanded_uncertainty": None,
        "grade": None,
        "probability_of_conformity": None,
        "reason": "no step in ambient air",
    }


def test_results_replace_the_old_ones_whole(grading, tmp_path):
    (tmp_path / "results.json").write_text("old")
    path = write_results(tmp_path, grading)
    assert read_results(tmp_path) == grading == read_results(path)
    assert [item.name for item in tmp_path.iterdir()] == ["results.json"]


def test_a_failed_write_leaves_the_old_results(grading, tmp_path, monkeypatch):
    old = write_results(tmp_path, grading).read_text()

    def full_disk(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full_disk)
    with pytest.raises(FileError, match=r"results\.json: can't write the results: No space left on device"):
        write_results(tmp_path, grading)
    assert (tmp_path / "results.json").read_text() == old
    assert len(list(tmp_path.iterdir())) == 1


def test_a_missing_folder_is_one_line(grading, tmp_path):
    with pytest.raises(FileError, match="can't write the results"):
        write_results(tmp_path / "nowhere", grading)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "not valid JSON"),
        ("[]", "not a results file"),
        ('{"schema": "leadline.results/7"}', "should be 'leadline.results/1'"),
        ('{"schema": "leadline.results/1"}', "not a whole results file"),
        ('{"schema": "leadline.results/1", "limits": {}, "cells": []}', "source"),
    ],
)
def test_what_is_no_results_file_is_reported_in_one_line(tmp_path, text, words):
    (tmp_path / "results.json").write_text(text)
    with pytest.raises(FileError) as raised:
        read_results(tmp_path)
    assert words in str(raised.value)
    assert "\n" not in str(raised.value)
    assert "results.json" in str(raised.value)


def test_no_results_yet(tmp_path):
    with pytest.raises(FileError, match="no such file; grade the record first"):
        read_results(tmp_path)


def test_comparison_says_what_a_new_limits_file_changes(measured):
    run = measured(lambda p: 42.0 * p, lambda p: 50.0 * p, t90_s=5.0)
    before, after = grade(run, general_limits()), grade(run, load_limits("skerry_point"))
    changes = compare(before, after)
    assert [str(change) for change in changes] == [
        "TB-0417: grade: pass, now watch",
        "TB-0417: Output in air, at PO2 0.2095 bar: pass, now watch",
        "TB-0417: Output in oxygen, at PO2 1.0 bar: pass, now watch",
    ]
    assert compare(before, before) == ()


def test_results_of_version_1_stay_readable():
    # Written once and kept; a later version of the form gets its own file beside it.
    path = Path(__file__).parents[1] / "golden" / "results_1.json"
    kept = read_results(path)
    assert [(cell.info.cell, cell.grade) for cell in kept.cells] == [
        ("TB-0417", "pass"),
        ("OS-1090", "reject"),
    ]
    holds_everything_of(to_json(kept), json.loads(path.read_text(encoding="utf-8")))


def holds_everything_of(now, then):
    """A later version may add a key with its default; it may lose or change nothing."""
    if isinstance(then, dict):
        assert then.keys() <= now.keys()
        for key, value in then.items():
            holds_everything_of(now[key], value)
    elif isinstance(then, list):
        assert len(now) == len(then)
        for one_now, one_then in zip(now, then, strict=True):
            holds_everything_of(one_now, one_then)
    else:
        assert now == then
