"""Readings tables: settled outputs typed in by hand or exported by another program, one row for each step.

`cell,step,gas,direction,pressure_bar,oxygen_fraction,temperature_c,mv`, optionally `relative_humidity`,
`t90_s`, `u_mv` and `u_pressure_bar`. One table may hold any number of cells, each with its own steps.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from grading.gas import DRY_AIR_OXYGEN_FRACTION
from grading.measurement import ErrorModel, FloatArray, IntArray, Measurement, StepTable
from grading.results import LONGEST_SERIAL, CellInfo, Direction, Gas, RunConditions, StepResponse
from grading.sources.sheet import (
    ASSUMED_HUMIDITY,
    HUMIDITY_ASSUMED,
    PRESSURE_COLUMNS,
    Sheet,
    median_or_none,
    range_or_none,
    unknown_column,
)

REQUIRED: Final = ("cell", "step", "gas", "direction", "oxygen_fraction", "temperature_c", "mv")
OPTIONAL: Final = ("relative_humidity", "t90_s", "u_mv", "u_pressure_bar")
GASES: Final[tuple[Gas, ...]] = ("air", "oxygen", "nitrogen")
DIRECTIONS: Final[tuple[Direction, ...]] = ("up", "down")
STATED_T90_U_S: Final = 0.5
"""Standard uncertainty of a T90 stated in a table: that of a hand-held stopwatch."""

_MOST_STEP: Final = 100_000
_MOST_PO2_BAR: Final = 100
_STEP_RANGES: Final = (_MOST_STEP + 1, len(GASES), len(DIRECTIONS), 10 * _MOST_PO2_BAR)

BoolArray = NDArray[np.bool_]


def is_readings(sheet: Sheet) -> bool:
    """Whether a table's header is that of a readings table."""
    return "cell" in sheet.names and "mv" in sheet.names


def load_readings(sheet: Sheet, path: Path, errors: ErrorModel | None) -> Measurement:
    """Reduce a readings table for grading.

    Args:
        sheet: the table.
        path: where it came from, for the printed source.
        errors: uncertainties of the instruments used; the stated default set when None.

    Raises:
        SourceError: every fault of the table, one line for each.
    """
    _check_columns(sheet)
    rows = _read_rows(sheet)
    sheet.close()
    layout = _layout(rows)
    _refuse_twice(sheet, rows, layout)
    errors = errors or ErrorModel()
    count = len(layout.cells)
    return Measurement(
        source=str(path),
        source_kind="readings",
        cells=tuple(CellInfo(cell) for cell in layout.cells),
        steps=_step_table(rows, layout),
        errors=errors,
        conditions=_conditions(sheet, rows, errors),
        responses=_responses(sheet, rows, layout),
        cell_ungraded=((),) * count,
        cell_notes=((),) * count,
    )


@dataclass(frozen=True, slots=True)
class _Rows:
    """The fields of a table, one for each row.

    Attributes:
        humidity: relative, 0 to 1.
        u_mv, u_pressure_bar: standard uncertainty from scatter.
    """

    cell: list[str]
    step: FloatArray
    gas: list[str]
    direction: list[str]
    pressure_bar: FloatArray
    oxygen_fraction: FloatArray
    temperature_c: FloatArray
    humidity: FloatArray
    output_mv: FloatArray
    u_mv: FloatArray
    u_pressure_bar: FloatArray


def _read_rows(sheet: Sheet) -> _Rows:
    """Read every column and note faults in the sheet; the order sets that of the faults of one line."""
    step = _steps(sheet)
    gas = sheet.words("gas", GASES)
    direction = sheet.words("direction", DIRECTIONS, blank="up")
    pressure_bar = sheet.pressure_bar()
    fraction = sheet.oxygen_fraction(blank=True)
    temperature_c = sheet.temperature_c()
    output_mv = sheet.output_mv("mv")
    return _Rows(
        step=step,
        gas=gas,
        direction=direction,
        pressure_bar=pressure_bar,
        temperature_c=temperature_c,
        output_mv=output_mv,
        oxygen_fraction=_fraction_by_gas(sheet, fraction, gas),
        humidity=_humidity(sheet, _in_gas(gas, "air")),
        u_mv=_scatter(sheet, "u_mv"),
        u_pressure_bar=_scatter(sheet, "u_pressure_bar"),
        cell=_cells(sheet),
    )


def _in_gas(gas: list[str], wanted: Gas) -> BoolArray:
    return np.array([word == wanted for word in gas])


def _steps(sheet: Sheet) -> FloatArray:
    """Step numbers, whole."""
    step = sheet.numbers("step", judge=_judge_step, low=0.0, high=_MOST_STEP)
    with np.errstate(invalid="ignore"):
        for at in np.flatnonzero((step != np.floor(step)) & np.isfinite(step)):
            sheet.fault(int(at), "step", f"{step[at]:g} is not a whole number")
    return step


def _fraction_by_gas(sheet: Sheet, fraction: FloatArray, gas: list[str]) -> FloatArray:
    """Oxygen fraction as given; where blank, that of dry air, or zero in nitrogen."""
    air = _in_gas(gas, "air")
    for at in np.flatnonzero(np.isnan(fraction) & ~air & ~_in_gas(gas, "nitrogen")):
        if not sheet.columns["oxygen_fraction"][at].strip():
            sheet.fault(int(at), "oxygen_fraction", "blank; write the fraction in the pot, such as 0.995")
    return np.where(np.isnan(fraction), np.where(air, DRY_AIR_OXYGEN_FRACTION, 0.0), fraction)


def _cells(sheet: Sheet) -> list[str]:
    """The cell of each row."""
    cells = [text.strip() for text in sheet.columns["cell"]]
    for row, cell in enumerate(cells):
        if not cell:
            sheet.fault(row, "cell", "blank; write the cell of the row")
        elif len(cell) > LONGEST_SERIAL or not cell.isprintable():
            sheet.fault(
                row, "cell", f"{cell[:LONGEST_SERIAL]!r}: write at most {LONGEST_SERIAL} printable characters"
            )
    return cells


@dataclass(frozen=True, slots=True)
class _Layout:
    """Place of each row of a readings table in a table of N cells by K steps.

    Two rows belong to one step when number, gas, direction and, in oxygen, nominal PO2 are the same.

    Attributes:
        cells: length N, in the order of the file.
        row_cell, row_step: place of each row, 0 to N - 1 and 0 to K - 1.
        step, gas, direction, tenths: of each step, shape (K,): its number, places in `GASES` and
            `DIRECTIONS`, nominal PO2 in tenths of a bar.
    """

    cells: tuple[str, ...]
    row_cell: IntArray
    row_step: IntArray
    step: IntArray
    gas: IntArray
    direction: IntArray
    tenths: IntArray

    def spread(self, values: FloatArray) -> FloatArray:
        """Values by row as (N, K), NaN where a cell has no such step."""
        table = np.full((len(self.cells), self.step.size), np.nan)
        table[self.row_cell, self.row_step] = values
        return table


def _layout(rows: _Rows) -> _Layout:
    number = {cell: i for i, cell in enumerate(dict.fromkeys(rows.cell))}
    tenths = np.rint(10.0 * rows.oxygen_fraction * rows.pressure_bar)
    code = np.ravel_multi_index(
        (
            rows.step.astype(np.int64),
            np.array([GASES.index(word) for word in rows.gas], dtype=np.int64),
            np.array([DIRECTIONS.index(word) for word in rows.direction], dtype=np.int64),
            np.where(_in_gas(rows.gas, "oxygen"), tenths, 0.0).astype(np.int64),
        ),
        _STEP_RANGES,
    )
    codes, row_step = np.unique(code, return_inverse=True)
    step, gas, direction, nominal_tenths = np.unravel_index(codes, _STEP_RANGES)
    return _Layout(
        cells=tuple(number),
        row_cell=np.array([number[cell] for cell in rows.cell], dtype=np.int64),
        row_step=row_step,
        step=step,
        gas=gas,
        direction=direction,
        tenths=nominal_tenths,
    )


def _step_table(rows: _Rows, layout: _Layout) -> StepTable:
    """Settled outputs; a table has no time, settling, noise and drop while held."""
    output_mv = layout.spread(rows.output_mv)
    unknown = np.full(output_mv.shape, np.nan)
    return StepTable(
        step=layout.step,
        gas=tuple(GASES[place] for place in layout.gas),
        direction=tuple(DIRECTIONS[place] for place in layout.direction),
        nominal_po2_bar=np.where(layout.gas == GASES.index("oxygen"), layout.tenths / 10.0, np.nan),
        time_s=np.full(layout.step.size, np.nan),
        pressure_bar=layout.spread(rows.pressure_bar),
        u_pressure_bar=layout.spread(rows.u_pressure_bar),
        oxygen_fraction=layout.spread(rows.oxygen_fraction),
        temperature_c=layout.spread(rows.temperature_c),
        relative_humidity=layout.spread(rows.humidity),
        output_mv=output_mv,
        u_output_mv=layout.spread(rows.u_mv),
        output_dof=np.where(np.isnan(output_mv), np.nan, np.inf),
        settled=np.full(output_mv.shape, -1, dtype=np.int64),
        noise_percent=unknown,
        fade_percent_per_min=unknown.copy(),
        u_fade_percent_per_min=unknown.copy(),
    )


def _conditions(sheet: Sheet, rows: _Rows, errors: ErrorModel) -> RunConditions:
    air, oxygen = _in_gas(rows.gas, "air"), _in_gas(rows.gas, "oxygen")
    return RunConditions(
        barometer_bar=median_or_none(rows.pressure_bar[air]),
        temperature_c=range_or_none(rows.temperature_c),
        relative_humidity=median_or_none(rows.humidity[air]),
        oxygen_fraction=median_or_none(rows.oxygen_fraction[oxygen]),
        highest_pressure_bar=float(np.max(rows.pressure_bar)),
        notes=_notes(sheet, air),
        uncertainty_source=errors.source,
    )


def _check_columns(sheet: Sheet) -> None:
    known = (*REQUIRED, *OPTIONAL, *PRESSURE_COLUMNS)
    for name in sheet.names:
        if name not in known:
            raise unknown_column(sheet.file, name, known)
    sheet.require(REQUIRED, "readings table")


def _judge_step(value: float) -> str:
    return f"{value:g} is not a step number (0 to {_MOST_STEP})"


def _humidity(sheet: Sheet, air: BoolArray) -> FloatArray:
    """Relative humidity by row: as given, assumed in air where it is not, zero in bottle gas."""
    elsewhere = np.where(air, ASSUMED_HUMIDITY, 0.0)
    if "relative_humidity" not in sheet.names:
        return elsewhere
    given = sheet.relative_humidity(blank=True)
    return np.where(np.isnan(given), elsewhere, given)


def _scatter(sheet: Sheet, name: str) -> FloatArray:
    """Standard uncertainty from scatter by row: as given; else none beyond that of the instrument set.

    The number of digits says nothing: a program drops trailing zeros.
    """
    if name not in sheet.names:
        return np.zeros(len(sheet))
    given = sheet.numbers(
        name,
        blank=True,
        low=0.0,
        judge=lambda value: f"{value:g} is negative; write zero or more",
    )
    return np.nan_to_num(given)


def _refuse_twice(sheet: Sheet, rows: _Rows, layout: _Layout) -> None:
    """Refuse a cell with two rows for one step."""
    both = layout.row_cell * (_MOST_STEP + 1) + rows.step.astype(np.int64)
    _, first, inverse = np.unique(both, return_index=True, return_inverse=True)
    for row in np.flatnonzero(first[inverse] != np.arange(both.size)):
        earlier = sheet.line[first[inverse[row]]]
        sheet.fault(
            int(row),
            "step",
            f"step {int(rows.step[row])} of {rows.cell[row]} is already on line {earlier}; "
            "number the steps in order",
        )
    sheet.close()


def _notes(sheet: Sheet, air: BoolArray) -> tuple[str, ...]:
    notes = []
    if "relative_humidity" not in sheet.names and np.any(air):
        notes.append(HUMIDITY_ASSUMED)
    if "t90_s" in sheet.names:
        notes.append(f"T90 as stated in the table, with an assumed U of {2 * STATED_T90_U_S:g} s")
    return tuple(notes)


def _responses(sheet: Sheet, rows: _Rows, layout: _Layout) -> tuple[tuple[StepResponse, ...], ...]:
    """Response times stated in the table."""
    if "t90_s" not in sheet.names:
        return ((),) * len(layout.cells)
    t90_s = sheet.numbers(
        "t90_s", blank=True, low=0.0, judge=lambda value: f"{value:g} s is negative; write zero or more"
    )
    sheet.close()
    found: list[list[StepResponse]] = [[] for _ in layout.cells]
    for row in np.flatnonzero(np.isfinite(t90_s)):
        way: Direction = "down" if rows.direction[row] == "down" else "up"
        found[layout.row_cell[row]].append(
            StepResponse(
                way, int(rows.step[row]), "as stated in the table", float(t90_s[row]), STATED_T90_U_S
            )
        )
    return tuple(tuple(each) for each in found)
