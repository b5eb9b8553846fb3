"""Readings tables: settled outputs typed in by hand or exported by another program, one row a step.

`cell,step,gas,direction,pressure_bar,oxygen_fraction,temperature_c,mv`, optionally `relative_humidity`,
`t90_s`, `u_mv` and `u_pressure_bar`. One table may hold any number of cells, each with its own steps.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from grading.gas import DRY_AIR_OXYGEN_FRACTION
from grading.measurement import ErrorModel, FloatArray, Measurement, SourceError, StepTable
from grading.results import LONGEST_SERIAL, CellInfo, Direction, Gas, RunConditions, StepResponse
from grading.sources.sheet import (
    ABSOLUTE_PRESSURE,
    BAROMETER,
    GAUGE_PRESSURE,
    Sheet,
    unknown_column,
)

REQUIRED: Final = ("cell", "step", "gas", "direction", "oxygen_fraction", "temperature_c", "mv")
OPTIONAL: Final = ("relative_humidity", "t90_s", "u_mv", "u_pressure_bar")
ASSUMED_HUMIDITY: Final = 0.5
GASES: Final[tuple[Gas, ...]] = ("air", "oxygen", "nitrogen")
DIRECTIONS: Final[tuple[Direction, ...]] = ("up", "down")
STATED_T90_U_S: Final = 0.5
"""Standard uncertainty of a T90 that a table states: a stopwatch in the hand."""

_MOST_MV: Final = 1000.0
_MOST_STEP: Final = 100_000


def is_readings(sheet: Sheet) -> bool:
    """Whether a table's header is that of a readings table."""
    return "cell" in sheet.names and "mv" in sheet.names


def load_readings(sheet: Sheet, path: Path, errors: ErrorModel | None) -> Measurement:
    """Turn a readings table into what grading takes.

    Args:
        sheet: the table.
        path: where it came from, for the printed source.
        errors: uncertainties of the instruments used; the stated default set when None.

    Raises:
        SourceError: every fault of the table, one line each.
    """
    _check_columns(sheet)
    cells = [text.strip() for text in sheet.columns["cell"]]
    step = sheet.numbers("step", judge=_judge_step, low=0.0, high=_MOST_STEP)
    with np.errstate(invalid="ignore"):
        for at in np.flatnonzero((step != np.floor(step)) & np.isfinite(step)):
            sheet.fault(int(at), "step", f"{step[at]:g} is not a whole number")
    gas = sheet.words("gas", GASES)
    direction = sheet.words("direction", DIRECTIONS, blank="up")
    pressure_bar = sheet.pressure_bar()
    fraction = sheet.oxygen_fraction(blank=True)
    temperature_c = sheet.temperature_c()
    output_mv = sheet.numbers("mv", judge=_judge_mv, low=-_MOST_MV, high=_MOST_MV)
    air = np.array([word == "air" for word in gas])
    nitrogen = np.array([word == "nitrogen" for word in gas])
    for at in np.flatnonzero(np.isnan(fraction) & ~air & ~nitrogen):
        if not sheet.columns["oxygen_fraction"][at].strip():
            sheet.fault(int(at), "oxygen_fraction", "blank; write the fraction in the pot, such as 0.995")
    fraction = np.where(np.isnan(fraction), np.where(air, DRY_AIR_OXYGEN_FRACTION, 0.0), fraction)
    humidity = _humidity(sheet, air)
    u_mv = _scatter(sheet, "u_mv")
    u_pressure = _scatter(sheet, "u_pressure_bar")
    for row, cell in enumerate(cells):
        if not cell:
            sheet.fault(row, "cell", "blank; every row names its cell")
        elif len(cell) > LONGEST_SERIAL or not cell.isprintable():
            sheet.fault(
                row, "cell", f"{cell[:LONGEST_SERIAL]!r}: write at most {LONGEST_SERIAL} printable characters"
            )
    sheet.close()

    number = {cell: i for i, cell in enumerate(dict.fromkeys(cells))}
    row_cell = np.array([number[cell] for cell in cells], dtype=np.int64)
    row_gas = np.array([GASES.index(word) for word in gas], dtype=np.int64)
    row_direction = np.array([word == "down" for word in direction], dtype=np.int64)
    oxygen = row_gas == GASES.index("oxygen")
    tenths = np.where(oxygen, np.rint(10.0 * fraction * pressure_bar), 0.0).astype(np.int64)
    code = ((step.astype(np.int64) * 4 + row_gas) * 2 + row_direction) * 1000 + tenths
    keys, row_step = np.unique(code, return_inverse=True)
    _refuse_twice(sheet, cells, row_cell, step)

    shape = (len(number), keys.size)
    place = (row_cell, row_step)

    def spread(values: FloatArray) -> FloatArray:
        table = np.full(shape, np.nan)
        table[place] = values
        return table

    key_gas = keys // 1000 // 2 % 4
    unknown = np.full(shape, np.nan)
    settled = np.full(shape, -1, dtype=np.int64)
    table = StepTable(
        step=keys // 1000 // 8,
        gas=tuple(GASES[g] for g in key_gas),
        direction=tuple(DIRECTIONS[d] for d in keys // 1000 % 2),
        nominal_po2_bar=np.where(key_gas == GASES.index("oxygen"), keys % 1000 / 10.0, np.nan),
        time_s=np.full(keys.size, np.nan),
        pressure_bar=spread(pressure_bar),
        u_pressure_bar=spread(u_pressure),
        oxygen_fraction=spread(fraction),
        temperature_c=spread(temperature_c),
        relative_humidity=spread(humidity),
        output_mv=spread(output_mv),
        u_output_mv=spread(u_mv),
        output_dof=np.where(np.isnan(spread(output_mv)), np.nan, np.inf),
        settled=settled,
        noise_percent=unknown,
        fade_percent_per_min=unknown.copy(),
        u_fade_percent_per_min=unknown.copy(),
    )
    errors = errors or ErrorModel()
    ambient = pressure_bar[air]
    return Measurement(
        source=str(path),
        source_kind="readings",
        cells=tuple(CellInfo(cell) for cell in number),
        steps=table,
        errors=errors,
        conditions=RunConditions(
            barometer_bar=float(np.median(ambient)) if ambient.size else None,
            temperature_c=(float(np.min(temperature_c)), float(np.max(temperature_c))),
            relative_humidity=float(np.median(humidity[air])) if np.any(air) else None,
            oxygen_fraction=float(np.median(fraction[oxygen])) if np.any(oxygen) else None,
            highest_pressure_bar=float(np.max(pressure_bar)),
            notes=_notes(sheet, air),
            uncertainty_source=errors.source,
        ),
        responses=_responses(sheet, row_cell, step, direction, len(number)),
        cell_ungraded=((),) * len(number),
        cell_notes=((),) * len(number),
    )


def _check_columns(sheet: Sheet) -> None:
    known = (*REQUIRED, *OPTIONAL, *ABSOLUTE_PRESSURE, *GAUGE_PRESSURE, *BAROMETER)
    for name in sheet.names:
        if name not in known:
            raise unknown_column(sheet.file, name, known)
    absent = [name for name in REQUIRED if name not in sheet.names]
    if absent:
        raise SourceError(f"{sheet.file} line 1: column {absent[0]} is missing; a readings table needs it")


def _judge_step(value: float) -> str:
    return f"{value:g} is not a step number (0 to {_MOST_STEP})"


def _judge_mv(value: float) -> str:
    return f"{value:g} mV is not the output of a cell; is it in microvolts?"


def _humidity(sheet: Sheet, air: np.typing.NDArray[np.bool_]) -> FloatArray:
    """Relative humidity by row: as given, assumed in air where it is not, zero in bottle gas."""
    if "relative_humidity" not in sheet.names:
        return np.where(air, ASSUMED_HUMIDITY, 0.0)
    given = sheet.numbers(
        "relative_humidity",
        blank=True,
        low=0.0,
        high=1.0,
        judge=lambda value: f"{value:g} is not a fraction (0 to 1); write 50 % as 0.50",
    )
    return np.where(np.isnan(given), np.where(air, ASSUMED_HUMIDITY, 0.0), given)


def _scatter(sheet: Sheet, name: str) -> FloatArray:
    """Standard uncertainty from scatter by row: as given; else none beyond that of the instrument set.

    The digits written tell nothing: a program drops trailing zeros.
    """
    if name not in sheet.names:
        return np.zeros(len(sheet))
    given = sheet.numbers(
        name, blank=True, low=0.0, judge=lambda value: f"{value:g} is negative, and an uncertainty never is"
    )
    return np.nan_to_num(given)


def _refuse_twice(
    sheet: Sheet, cells: list[str], row_cell: np.typing.NDArray[np.int64], step: FloatArray
) -> None:
    """Refuse a cell with two rows for one step."""
    both = row_cell * (_MOST_STEP + 1) + step.astype(np.int64)
    _, first, inverse = np.unique(both, return_index=True, return_inverse=True)
    for row in np.flatnonzero(first[inverse] != np.arange(both.size)):
        earlier = sheet.line[first[inverse[row]]]
        sheet.fault(
            int(row),
            "step",
            f"step {int(step[row])} of {cells[row]} is on line {earlier} already; number the steps in order",
        )
    sheet.close()


def _notes(sheet: Sheet, air: np.typing.NDArray[np.bool_]) -> tuple[str, ...]:
    notes = []
    if "relative_humidity" not in sheet.names and np.any(air):
        notes.append(f"relative humidity not given: {ASSUMED_HUMIDITY:.0%} assumed in air")
    if "t90_s" in sheet.names:
        notes.append(f"T90 as stated in the table, taken to be good to {2 * STATED_T90_U_S:g} s")
    return tuple(notes)


def _responses(
    sheet: Sheet,
    row_cell: np.typing.NDArray[np.int64],
    step: FloatArray,
    direction: list[str],
    cells: int,
) -> tuple[tuple[StepResponse, ...], ...]:
    """Response times that the table states."""
    if "t90_s" not in sheet.names:
        return ((),) * cells
    t90_s = sheet.numbers(
        "t90_s", blank=True, low=0.0, judge=lambda value: f"{value:g} s is negative, and a T90 never is"
    )
    sheet.close()
    found: list[list[StepResponse]] = [[] for _ in range(cells)]
    for row in np.flatnonzero(np.isfinite(t90_s)):
        way: Direction = "down" if direction[row] == "down" else "up"
        found[row_cell[row]].append(
            StepResponse(way, int(step[row]), "as stated in the table", float(t90_s[row]), STATED_T90_U_S)
        )
    return tuple(tuple(each) for each in found)
