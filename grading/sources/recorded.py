"""Reduces a record on disk for grading, with every reason why a run or a cell cannot be graded."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from grading.measurement import ErrorModel, Measurement, SourceError
from grading.record.event_lines import Event
from grading.record.events import Fraction
from grading.record.format import END_FILE, RUN_FILE
from grading.record.reader import Column, Record, read_record
from grading.record.run_file import FrozenFile, RunFile
from grading.results import RunConditions
from grading.settling.response_time import RECORD_SKEW_S
from grading.settling.settled import HoldRule
from grading.sources.reduce import (
    Channel,
    Signals,
    fastest_ramp_bar_per_min,
    hold_notes,
    responses,
    step_table,
)
from grading.sources.steps import Hold, holds_from_events
from rig_configs.files.checked_toml import dotted, what_is_wrong

LEAST_OXYGEN_FRACTION: Final = 0.985
"""Oxygen fraction that a purge must have reached when the procedure does not say."""

UNGRADING_FINDINGS: Final = ("unplugged", "no_cell", "rapid_decompression", "swapped")
"""Findings of the rig on one socket after which its cell cannot be graded; with others it is graded."""


OFF_ALIKE: Final = "off alike"
"""Verdict of a gas check that a second run, or a check cell, can settle."""

NO_AIR: Final = (
    "The gas is not proven: the run has no reading in air, and only the cells' own ratio of oxygen to air "
    "shows that the bottle holds oxygen. Set hold = true under [air] in the procedure."
)
AIR_BARRED: Final = "The reading in air is not graded: gas comes in at rest and may have enriched it."


def reduce_record(path: Path, errors: ErrorModel | None = None) -> Measurement:
    """Reduce a record.

    Args:
        path: the record's folder.
        errors: uncertainties that replace those of the record.

    Raises:
        SourceError: the folder holds no record that this program can read.
    """
    record = read_record(path)
    procedure = _procedure(record)
    cells = record.run.cells
    sockets = tuple(-1 if cell.socket is None else cell.socket for cell in cells)
    holds = holds_from_events(record.events)
    signals = _signals(record, sockets)
    table = step_table(signals, holds, procedure.hold)
    model = errors or _error_model(record, holds)
    named, texts = _findings(record, sockets)
    return Measurement(
        source=str(path),
        source_kind="record",
        cells=cells,
        steps=table,
        errors=model,
        conditions=_conditions(record, signals, holds, model),
        responses=responses(signals, holds, table, RECORD_SKEW_S),
        ungraded=_ungraded(record, holds, procedure),
        cell_ungraded=tuple(
            tuple(event.data["text"] for event in each if event.data["finding"] in UNGRADING_FINDINGS)
            for each in named
        ),
        cell_notes=tuple((*texts[i], *hold_notes(table, holds, i)) for i in range(len(cells))),
        cell_findings=tuple(tuple(str(event.data["finding"]) for event in each) for each in named),
        typed_pressure=record.run.typed_pressure,
        suspect=_suspect(record),
        air_barred=_air_barred(record),
        bottle=_bottle(record.run),
    )


class _PurgeRule(BaseModel):
    least_oxygen_fraction: Fraction = LEAST_OXYGEN_FRACTION


class _Procedure(BaseModel):
    """The part of a record's procedure that grading uses."""

    model_config = ConfigDict(allow_inf_nan=False)

    hold: HoldRule = HoldRule()
    purge: _PurgeRule = _PurgeRule()


def _procedure(record: Record) -> _Procedure:
    """Read the procedure of a record; the defaults when its text is not TOML.

    Raises:
        SourceError: a value in it is not a number.
    """
    try:
        return _Procedure.model_validate(tomllib.loads(record.run.procedure.text))
    except tomllib.TOMLDecodeError:
        return _Procedure()
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        key = f"procedure.text: {dotted(first['loc'])}"
        raise SourceError(f"{record.path / RUN_FILE}: {key}: {what_is_wrong(_Procedure, first)}") from None


def _good(column: Column, where: int | None = None) -> Channel:
    """The good readings of a column, in the order of their stamps; `where` selects a socket's place."""
    value = column.value if where is None else column.value[:, where]
    stamp_s = column.stamp_s if where is None else column.stamp_s[:, where]
    good = np.isfinite(value)
    order = np.argsort(stamp_s[good], kind="stable")
    t_s, v = stamp_s[good][order], value[good][order]
    fresh = np.append(True, np.diff(t_s) > 0.0) if len(t_s) else np.zeros(0, dtype=bool)
    return Channel(t_s[fresh], v[fresh])


def _signals(record: Record, sockets: tuple[int, ...]) -> Signals:
    barometer = _good(record.barometer_bar)
    place = {socket: at for at, socket in enumerate(record.sockets)}
    empty = Channel(np.empty(0), np.empty(0))
    return Signals(
        pressure_bar=_good(record.pressure_bar),
        barometer_bar=barometer if len(barometer.t_s) else None,
        temperature_c=_good(record.temperature_c),
        relative_humidity=record.run.ambient.relative_humidity,
        output_mv=tuple(
            _good(record.output_mv, place[socket]) if socket in place else empty for socket in sockets
        ),
        sockets=sockets,
    )


def _error_model(record: Record, holds: tuple[Hold, ...]) -> ErrorModel:
    """The record's own uncertainties; that of the purge from the measurement."""
    model = record.run.error_model
    purges = record.of_kind("purge")
    if not purges:
        return model
    of_gas = float(purges[-1].data["u_oxygen_fraction"])
    mixing = np.sqrt(max(of_gas**2 - model.bottle_oxygen_fraction**2, 0.0))
    return replace(model, purge_oxygen_fraction=float(mixing))


def _findings(record: Record, sockets: tuple[int, ...]) -> tuple[list[list[Event]], list[tuple[str, ...]]]:
    """By cell: the rig's findings, each word once, and the texts of those that do not prevent a grade."""
    named: list[list[Event]] = [[] for _ in sockets]
    for event in record.of_kind("cell"):
        for i, socket in enumerate(sockets):
            words = [each.data["finding"] for each in named[i]]
            if event.data["socket"] == socket and event.data["finding"] not in words:
                named[i].append(event)
    texts = [
        tuple(event.data["text"] for event in each if event.data["finding"] not in UNGRADING_FINDINGS)
        for each in named
    ]
    return named, texts


def _ungraded(record: Record, holds: tuple[Hold, ...], procedure: _Procedure) -> tuple[str, ...]:
    """Why no cell of the run can be graded; empty when all can."""
    reasons = []
    if record.end is None and not (record.path / END_FILE).is_file():
        reasons.append("The run was interrupted: its record has no end.json.")
    elif record.end is not None and record.end.how != "completed":
        reasons.append(f"The run was {record.end.how}: {record.end.why}")
    if record.damaged:
        first = next(problem for problem in record.problems if "not finished" not in problem)
        reasons.append(f"The record is not as the run wrote it: {first}.")
    least = procedure.purge.least_oxygen_fraction
    oxygen = [hold for hold in holds if hold.gas == "oxygen"]
    purged_s = min((event.t_s for event in record.of_kind("purge")), default=np.inf)
    if any(hold.begin_s < purged_s or hold.oxygen_fraction < least for hold in oxygen):
        reasons.append(f"The purge is not proven: every oxygen step needs a fraction of at least {least:g}.")
    if oxygen and not any(hold.gas == "air" for hold in holds):
        reasons.append(NO_AIR)
    proven = ("oxygen", "agrees", "not checked", OFF_ALIKE)
    wrong_gas = [event for event in record.of_kind("gas_check") if event.data.get("verdict") not in proven]
    if wrong_gas:
        reasons.append(str(wrong_gas[0].data.get("text", "The cells show that the gas was not oxygen.")))
    return tuple(reasons)


def _suspect(record: Record) -> tuple[str, ...]:
    """What the rig saw of cells that were off alike, which a second run can settle."""
    seen = [event for event in record.of_kind("gas_check") if event.data.get("verdict") == OFF_ALIKE]
    return tuple(str(event.data.get("text", "Cells were off alike.")) for event in seen[:1])


def _air_barred(record: Record) -> str:
    """Why the reading in air can't be used: gas that comes in at rest enriches the air in the pot."""
    leaks = record.of_kind("leak")
    return AIR_BARRED if leaks and str(leaks[-1].data["verdict"]).startswith("rises") else ""


def _bottle(run: RunFile) -> str:
    """Serial of the bottle, as the bench file frozen into the record states it."""
    try:
        gas = tomllib.loads(run.bench.text).get("gas")
    except tomllib.TOMLDecodeError:
        return ""
    return str(gas.get("bottle", "")) if isinstance(gas, dict) else ""


def _conditions(
    record: Record, signals: Signals, holds: tuple[Hold, ...], model: ErrorModel
) -> RunConditions:
    run, end = record.run, record.end
    pressures = [c.value[np.isfinite(c.value)] for c in (record.pressure_bar, record.pressure_b_bar)]
    temperature = signals.temperature_c.value
    barometer = signals.barometer_bar
    columns = (record.pressure_bar, record.pressure_b_bar, record.barometer_bar, record.temperature_c)
    first_oxygen = next((hold for hold in holds if hold.gas == "oxygen"), None)
    purges, leaks = record.of_kind("purge"), record.of_kind("leak")
    return RunConditions(
        record_id=run.record_id,
        started_utc=run.started_utc,
        ended="interrupted" if end is None else end.ended_utc,
        operator=run.operator,
        place=run.place,
        bench=run.bench.name,
        bench_sha256=run.bench.sha256,
        procedure=_procedure_text(run.procedure),
        procedure_sha256=run.procedure.sha256,
        record_sha256=record.sha256,
        barometer_bar=None if barometer is None else float(np.median(barometer.value)),
        temperature_c=(float(np.min(temperature)), float(np.max(temperature))) if len(temperature) else None,
        relative_humidity=signals.relative_humidity,
        oxygen_fraction=first_oxygen.oxygen_fraction if first_oxygen else None,
        u_oxygen_fraction=float(purges[-1].data["u_oxygen_fraction"]) if purges else None,
        purge=_purge_text(purges[-1]) if purges else "",
        leak=_leak_text(leaks[-1]) if leaks else "",
        highest_pressure_bar=max((float(np.max(p)) for p in pressures if len(p)), default=None),
        fastest_ramp_bar_per_min=fastest_ramp_bar_per_min(signals.pressure_bar),
        missing_readings=sum(c.missing for c in (*columns, record.output_mv)) + record.refused_rows,
        instruments=run.instruments,
        notes=_notes(record),
        uncertainty_source=model.source,
        simulated=_is_simulated(run),
    )


def _procedure_text(procedure: FrozenFile) -> str:
    name, version = procedure.name, procedure.version
    return f"{name}, version {version}" if version else name


def _is_simulated(run: RunFile) -> bool:
    """Whether the bench file frozen into the record is that of a virtual bench."""
    try:
        return "virtual" in tomllib.loads(run.bench.text)
    except tomllib.TOMLDecodeError:
        return False


def _notes(record: Record) -> tuple[str, ...]:
    notes = [f"{problem}." for problem in record.problems]
    notes.extend(
        f"A fault was injected for training: {event.data['fault']} at {event.data['at_s']:g} s."
        for event in record.of_kind("fault_injected")
    )
    if any(event.data.get("verdict") == "not checked" for event in record.of_kind("gas_check")):
        notes.append("The cells could not show whether the gas was oxygen: that needs a reading in air too.")
    notes.extend(str(event.data["text"]) for event in record.of_kind("note"))
    return tuple(notes)


def _purge_text(purge: Event) -> str:
    data = purge.data
    swings = data.get("swings") or []
    if swings:
        low, high = min(low for low, _ in swings), max(high for _, high in swings)
        how = f"{len(swings)} swings between {low:.2f} and {high:.2f} bar"
    else:
        how = f"flow of {data.get('volumes', 0.0):.1f} pot volumes"
    fraction, u = data["oxygen_fraction"], data["u_oxygen_fraction"]
    return f"{how}; oxygen fraction {fraction:.4f}, U {2.0 * u:.4f} (k = 2)"


def _leak_text(leak: Event) -> str:
    data = leak.data
    rate, expanded = data["rate_mbar_per_min"], data["expanded_uncertainty_mbar_per_min"]
    if str(data["verdict"]).startswith("rises"):
        return f"pressure rises by {-rate:.1f} mbar/min, U {expanded:.1f}: gas comes in"
    if rate < 0.0 and data["verdict"] == "tight":
        return f"none found, U {expanded:.1f} mbar/min: {data['verdict']}"
    return f"{rate:.1f} mbar/min, U {expanded:.1f}: {data['verdict']}"
