"""A grading as JSON and back: `results.json` beside a record, and what `leadline grade --json` prints.

`results.json` ("leadline.results/1") holds everything, so that certificates can be made from it alone. The
public form ("leadline.grading/1") is the part of it that scripts can rely on.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, is_dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from grading import wording
from grading.figure_kinds import FIGURE_KINDS
from grading.results import CellResult, Figure, Grading
from rig_configs.files.checked_toml import FileError
from rig_configs.files.whole_file import write_whole

RESULTS_SCHEMA = "leadline.results/1"
PUBLIC_SCHEMA = "leadline.grading/1"
RESULTS_NAME = "results.json"

Json = dict[str, Any]

_PLACE = ("key", "nominal_po2_bar")


def to_json(grading: Grading) -> Json:
    """A whole grading as JSON data; an infinite number becomes the text "Infinity"."""
    whole = {name: getattr(grading, name) for name in Grading.__dataclass_fields__}
    data: Json = {"schema": RESULTS_SCHEMA}
    data |= {
        name: _plain(value)
        for name, value in whole.items()
        if name not in ("cells", "second_run") and not name.startswith("limits_")
    }
    data |= _second_run(grading)
    data["limits"] = {
        "name": grading.limits_name,
        "version": grading.limits_version,
        "sha256": grading.limits_sha256,
        **_not_graded(grading),
    }
    data["cells"] = [_full_cell(cell) for cell in grading.cells]
    return data


def from_json(data: Json, file: str = RESULTS_NAME) -> Grading:
    """Rebuild a grading from `to_json`'s data.

    Raises:
        FileError: the data is not a grading; one line.
    """
    if not isinstance(data, dict) or data.get("schema") != RESULTS_SCHEMA:
        found = data.get("schema") if isinstance(data, dict) else None
        raise FileError(f"{file}: not a results file: schema is {found!r}, should be '{RESULTS_SCHEMA}'")
    try:
        flat = {key: value for key, value in data.items() if key not in ("schema", "limits", "cells")}
        flat |= {f"limits_{key}": value for key, value in data["limits"].items()}
        flat["cells"] = [
            {key: value for key, value in cell.items() if key != "cell"}
            | {"figures": _unkeyed(cell["figures"])}
            for cell in data["cells"]
        ]
        return _adapter().validate_python(flat)
    except ValidationError as error:
        problem = error.errors()[0]
        where = ".".join(str(part) for part in problem["loc"])
        raise FileError(f"{file}: {where}: {problem['msg'].lower()}") from None
    except (KeyError, TypeError, AttributeError, ValueError) as error:
        raise FileError(f"{file}: not a whole results file: {error!r}") from None


def public_json(grading: Grading) -> Json:
    """What `leadline grade --json` prints: the public form, without budgets and pictures."""
    return {
        "schema": PUBLIC_SCHEMA,
        "source": grading.source,
        **_second_run(grading),
        "limits": {
            "name": grading.limits_name,
            "sha256": grading.limits_sha256,
            **_not_graded(grading),
        },
        "cells": [_public_cell(cell) for cell in grading.cells],
    }


def dumps(data: Json) -> str:
    """Print JSON data as text, one key a line, ending in a newline; never NaN or Infinity as a number."""
    return json.dumps(data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def write_results(record: Path, grading: Grading) -> Path:
    """Write `results.json` into a record's folder and return its path; the old one is replaced whole.

    Raises:
        FileError: the folder can't be written; one line. The old file, if any, is untouched.
    """
    target = record / RESULTS_NAME
    text = dumps(to_json(grading))
    try:
        write_whole(target, text.encode())
    except OSError as error:
        raise FileError(f"{target}: can't write the results: {error.strerror or error}") from None
    return target


def read_results(path: Path) -> Grading:
    """Read the results of a record, by its folder or by the file itself.

    Raises:
        FileError: not there, not readable, or not a results file; one line.
    """
    file = path / RESULTS_NAME if path.is_dir() else path
    try:
        if file.exists() and not file.is_file():
            raise FileError(f"{file}: is not a file that grading writes")
        data = json.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise FileError(f"{file}: no such file; grade the record first") from None
    except OSError as error:
        raise FileError(f"{file}: cannot be read: {error.strerror or error}") from None
    except ValueError as error:
        raise FileError(f"{file}: not valid JSON: {error}") from None
    return from_json(data, str(file))


@dataclass(frozen=True, slots=True)
class Change:
    """What differs for one cell between two gradings.

    Attributes:
        what: "grade", or the name of the figure as printed, with its step.
        before, after: grade words, or "not graded".
    """

    cell: str
    what: str
    before: str
    after: str

    def __str__(self) -> str:
        return f"{self.cell}: {self.what}: {self.before}, now {self.after}"


def compare(before: Grading, after: Grading) -> tuple[Change, ...]:
    """List what changed from one grading to another: cells' grades first, then their figures' grades.

    Meant for an old record under a new limits file, but any two gradings that share cells can be compared.
    Cells that only one of them has are left out.
    """
    old_cells = {cell.info.cell: cell for cell in before.cells}
    changes: list[Change] = []
    for cell in after.cells:
        old = old_cells.get(cell.info.cell)
        if old is None:
            continue
        name = cell.info.cell
        if old.grade != cell.grade:
            changes.append(Change(name, "grade", old.grade, cell.grade))
        old_figures = {(figure.key, figure.nominal_po2_bar): figure for figure in old.figures}
        for figure in cell.figures:
            earlier = old_figures.get((figure.key, figure.nominal_po2_bar))
            was = (earlier.grade if earlier else None) or "not graded"
            now = figure.grade or "not graded"
            if was != now:
                changes.append(Change(name, wording.figure_name(figure), was, now))
    return tuple(changes)


def _not_graded(grading: Grading) -> Json:
    """The keys that the limits do not grade; no entry at all where they grade every figure."""
    return {"not_graded": list(grading.limits_not_graded)} if grading.limits_not_graded else {}


@lru_cache(maxsize=1)
def _adapter() -> TypeAdapter[Grading]:
    return TypeAdapter(Grading)


def _plain(value: Any) -> Any:
    """Turn dataclasses and tuples into JSON data."""
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        if math.isnan(value):
            return None
        return value if math.isfinite(value) else ("Infinity" if value > 0 else "-Infinity")
    if is_dataclass(value):
        return {name: _plain(getattr(value, name)) for name in value.__dataclass_fields__}
    return [_plain(item) for item in value]


def _full_cell(cell: CellResult) -> Json:
    data: Json = {"cell": cell.info.cell}
    data |= {
        name: _plain(getattr(cell, name)) for name in CellResult.__dataclass_fields__ if name != "figures"
    }
    # The place of a figure in the document already gives these.
    figures = [
        {name: _plain(getattr(figure, name)) for name in Figure.__dataclass_fields__ if name not in _PLACE}
        for figure in cell.figures
    ]
    data["figures"] = _keyed(cell.figures, figures)
    if not cell.info.check_cell:
        del data["info"]["check_cell"]
    return data


def _second_run(grading: Grading) -> Json:
    """The second run that the grades depend on; left out without one, as before it was known."""
    return {"second_run": grading.second_run} if grading.second_run else {}


def _keyed(figures: Iterable[Figure], data: Iterable[Json]) -> Json:
    """Arrange figures by key, and by nominal PO2 to one decimal where they have one."""
    keyed: Json = {}
    for figure, item in zip(figures, data, strict=True):
        if _by_step(figure.key):
            steps = keyed.setdefault(figure.key, {})
            if figure.nominal_po2_bar is not None:
                steps[f"{figure.nominal_po2_bar:.1f}"] = item
        else:
            keyed[figure.key] = item
    return keyed


def _by_step(key: str) -> bool:
    kind = FIGURE_KINDS.get(key)
    return kind is not None and kind.by_step


def _unkeyed(figures: Json) -> list[Json]:
    """Undo `_keyed`."""
    found: list[Json] = []
    for key, item in figures.items():
        if _by_step(key):
            found += [one | {"key": key, "nominal_po2_bar": float(step)} for step, one in item.items()]
        else:
            found.append(item | {"key": key})
    return found


def _public_cell(cell: CellResult) -> Json:
    figures = _keyed(cell.figures, [_public_figure(figure) for figure in cell.figures])
    return {
        "cell": cell.info.cell,
        "grade": cell.grade,
        "reasons": list(cell.reasons),
        "diagnosis": list(cell.diagnosis),
        "figures": {key: figures.get(key, {} if _by_step(key) else _NOT_TESTED) for key in FIGURE_KINDS},
    }


_NOT_TESTED: Json = {
    "value": None,
    "expanded_uncertainty": None,
    "grade": None,
    "probability_of_conformity": None,
    "reason": "not tested",
}


def _public_figure(figure: Figure) -> Json:
    quantity: Json = {
        "value": figure.value,
        "expanded_uncertainty": figure.expanded_uncertainty,
        "grade": figure.grade,
        "probability_of_conformity": figure.probability_of_conformity,
    }
    if figure.at_least is not None:
        quantity["at_least"] = figure.at_least
    if figure.value is None and figure.at_least is None:
        quantity["reason"] = figure.reason or "not tested"
    elif figure.reason:
        quantity["reason"] = figure.reason
    return quantity
