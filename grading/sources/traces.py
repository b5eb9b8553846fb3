"""Trace tables: a log taken while the pressure was stepped, one column of millivolts for each cell.

`t_s,pressure_bar,temperature_c,oxygen_fraction` and the cells. The holds are found by the program.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np

from grading.measurement import ErrorModel, FloatArray, Measurement, SourceError, StepTable
from grading.results import CellInfo, RunConditions
from grading.settling.response_time import TRACE_SKEW_S
from grading.settling.settled import HoldRule
from grading.sources.reduce import (
    Channel,
    Signals,
    fastest_ramp_bar_per_min,
    hold_notes,
    responses,
    step_table,
)
from grading.sources.sheet import (
    ASSUMED_HUMIDITY,
    HUMIDITY_ASSUMED,
    PRESSURE_COLUMNS,
    Sheet,
    median_or_none,
    range_or_none,
    unknown_column,
)
from grading.sources.steps import LEAST_HOLD_S, Hold, holds_in_trace
from rig_configs.files.suggestions import nearest

REQUIRED: Final = ("t_s", "temperature_c", "oxygen_fraction")
OPTIONAL: Final = ("relative_humidity",)
TRACE_RULE: Final = HoldRule(least_s=15.0)
_SURELY_NO_CELL: Final = 0.75
"""Likeness from which a column's name counts as a misspelt quantity, not as the serial of a cell."""
_KNOWN: Final = (*REQUIRED, *OPTIONAL, *PRESSURE_COLUMNS)


def is_trace(sheet: Sheet) -> bool:
    """Whether a table's header is that of a trace table."""
    return "t_s" in sheet.names and "cell" not in sheet.names


def load_trace(sheet: Sheet, path: Path, errors: ErrorModel | None) -> Measurement:
    """Reduce a trace table for grading.

    Args:
        sheet: the table.
        path: where it came from, for the printed source.
        errors: uncertainties of the instruments used; the stated default set when None.

    Raises:
        SourceError: every fault of the table, one line for each.
    """
    cells = _cell_columns(sheet)
    t_s = _times(sheet)
    pressure_bar = sheet.pressure_bar()
    fraction = sheet.oxygen_fraction(blank=False)
    temperature_c = sheet.temperature_c(blank=True)
    humidity = _humidity(sheet)
    outputs = [sheet.output_mv(name, blank=True) for name in cells]
    sheet.close()
    holds = holds_in_trace(t_s, pressure_bar, fraction)
    if not holds:
        raise SourceError(
            f"{sheet.file}: the pressure is never constant for {LEAST_HOLD_S:g} s; a step needs such a hold"
        )
    signals = Signals(
        pressure_bar=Channel(t_s, pressure_bar),
        barometer_bar=None,
        temperature_c=_present(t_s, temperature_c),
        relative_humidity=ASSUMED_HUMIDITY if humidity is None else humidity,
        output_mv=tuple(_present(t_s, values) for values in outputs),
        sockets=tuple(range(1, len(cells) + 1)),
    )
    table = step_table(signals, holds, TRACE_RULE)
    errors = errors or ErrorModel()
    return Measurement(
        source=str(path),
        source_kind="trace",
        cells=tuple(CellInfo(cell) for cell in cells.values()),
        steps=table,
        errors=errors,
        conditions=_conditions(signals, holds, table, humidity, errors),
        responses=responses(signals, holds, table, TRACE_SKEW_S),
        cell_ungraded=((),) * len(cells),
        cell_notes=tuple(hold_notes(table, holds, i) for i in range(len(cells))),
    )


def _conditions(
    signals: Signals, holds: Sequence[Hold], table: StepTable, humidity: float | None, errors: ErrorModel
) -> RunConditions:
    """Conditions of the run from its signals and holds; `humidity` as stated in the table."""
    pressure = signals.pressure_bar
    air = [k for k, hold in enumerate(holds) if hold.gas == "air"]
    oxygen = [hold.oxygen_fraction for hold in holds if hold.gas == "oxygen"]
    return RunConditions(
        barometer_bar=float(np.nanmedian(table.pressure_bar[:, air])) if air else None,
        temperature_c=range_or_none(signals.temperature_c.value),
        relative_humidity=humidity,
        oxygen_fraction=median_or_none(np.array(oxygen)),
        highest_pressure_bar=float(np.max(pressure.value)),
        fastest_ramp_bar_per_min=fastest_ramp_bar_per_min(pressure),
        missing_readings=sum(len(pressure.t_s) - len(channel.t_s) for channel in signals.output_mv),
        notes=(HUMIDITY_ASSUMED,) if air and humidity is None else (),
        uncertainty_source=errors.source,
    )


def _cell_columns(sheet: Sheet) -> dict[str, str]:
    """Column name to cell, for every column that is not a known quantity."""
    sheet.require(REQUIRED, "trace table")
    cells = {}
    for name, written in zip(sheet.names, sheet.written, strict=True):
        if name in _KNOWN:
            continue
        if name in ("pressure", "pressure_psi"):
            raise unknown_column(sheet.file, name, _KNOWN)
        near = nearest(name, _KNOWN, _SURELY_NO_CELL)
        if near is not None:
            raise SourceError(
                f"{sheet.file} line 1: column {written!r} is not a quantity and does not look like a cell; "
                f"did you mean '{near}'?"
            )
        cells[name] = written[:-3] if name.endswith("_mv") else written
    if not cells:
        raise SourceError(f"{sheet.file} line 1: no column for a cell; add one in mV, named by its serial")
    return cells


def _times(sheet: Sheet) -> FloatArray:
    """The time of each row in seconds, which must increase."""
    t_s = sheet.numbers("t_s")
    for row in np.flatnonzero(np.diff(t_s) <= 0.0) + 1:
        sheet.fault(int(row), "t_s", f"{t_s[row]:g} comes after {t_s[row - 1]:g}; time must increase")
    return t_s


def _humidity(sheet: Sheet) -> float | None:
    if "relative_humidity" not in sheet.names:
        return None
    return float(np.median(sheet.relative_humidity()))


def _present(t_s: FloatArray, values: FloatArray) -> Channel:
    there = np.isfinite(values)
    return Channel(t_s[there], values[there])
