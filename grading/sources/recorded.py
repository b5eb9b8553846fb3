"""From a record on disk to what grading takes, with every reason why a run or a cell cannot be graded."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, Final

import numpy as np

from grading.measurement import ErrorModel, Measurement
from grading.record.format import END_FILE
from grading.record.reader import Column, Event, Record, read_record
from grading.results import CellInfo, InstrumentLine, RunConditions
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

LEAST_OXYGEN_FRACTION: Final = 0.985
"""What a purge must have reached when the procedure does not say."""

UNGRADING_FINDINGS: Final = ("unplugged", "no_cell", "rapid_decompression")
"""Findings of the rig on one socket after which its cell cannot be graded; others are told and graded."""


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
    cells = tuple(_known(CellInfo, cell) for cell in record.run["cells"])
    sockets = tuple(-1 if cell.socket is None else cell.socket for cell in cells)
    holds = holds_from_events(record.events)
    signals = _signals(record, sockets)
    table = step_table(signals, holds, _hold_rule(procedure))
    model = errors or _error_model(record, holds)
    named, told = _findings(record, sockets)
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
        cell_notes=tuple((*told[i], *hold_notes(table, holds, i)) for i in range(len(cells))),
        cell_findings=tuple(tuple(str(event.data["finding"]) for event in each) for each in named),
        typed_pressure=bool(record.run.get("typed_pressure", False)),
    )


def _known(kind: Any, data: dict[str, Any]) -> Any:
    """Make a dataclass from the members that it has; a later version may have written more."""
    names = {field.name for field in fields(kind)}
    return kind(**{name: value for name, value in data.items() if name in names})


def _procedure(record: Record) -> dict[str, Any]:
    """The procedure that the record carries; empty when its text is not TOML."""
    try:
        return tomllib.loads(str(record.run.get("procedure", {}).get("text", "")))
    except tomllib.TOMLDecodeError:
        return {}


def _hold_rule(procedure: dict[str, Any]) -> HoldRule:
    given = procedure.get("hold", {})
    names = {field.name for field in fields(HoldRule)}
    return HoldRule(**{name: float(value) for name, value in given.items() if name in names})


def _good(column: Column, where: int | None = None) -> Channel:
    """The good readings of a column, in the order of their stamps; `where` picks a socket's place."""
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
        relative_humidity=float(record.run["ambient"]["relative_humidity"]),
        output_mv=tuple(
            _good(record.output_mv, place[socket]) if socket in place else empty for socket in sockets
        ),
        sockets=sockets,
    )


def _error_model(record: Record, holds: tuple[Hold, ...]) -> ErrorModel:
    """The record's own uncertainties; that of the purge from what was measured."""
    model: ErrorModel = _known(ErrorModel, record.run["error_model"])
    purges = record.of_kind("purge")
    if not purges:
        return model
    of_gas = float(purges[-1].data["u_oxygen_fraction"])
    mixing = np.sqrt(max(of_gas**2 - model.bottle_oxygen_fraction**2, 0.0))
    return replace(model, purge_oxygen_fraction=float(mixing))


def _findings(record: Record, sockets: tuple[int, ...]) -> tuple[list[list[Event]], list[tuple[str, ...]]]:
    """By cell: the rig's findings, each word once, and what of them does not bar a grade."""
    named: list[list[Event]] = [[] for _ in sockets]
    for event in record.of_kind("cell"):
        for i, socket in enumerate(sockets):
            words = [each.data["finding"] for each in named[i]]
            if event.data["socket"] == socket and event.data["finding"] not in words:
                named[i].append(event)
    told = [
        tuple(event.data["text"] for event in each if event.data["finding"] not in UNGRADING_FINDINGS)
        for each in named
    ]
    return named, told


def _ungraded(record: Record, holds: tuple[Hold, ...], procedure: dict[str, Any]) -> tuple[str, ...]:
    """Why no cell of the run can be graded; empty when all can."""
    reasons = []
    if record.end is None and not (record.path / END_FILE).is_file():
        reasons.append("The run was interrupted: its record has no end.")
    elif record.end is not None and record.end["how"] != "completed":
        reasons.append(f"The run was {record.end['how']}: {record.end['why']}")
    if record.damaged:
        first = next(problem for problem in record.problems if "not finished" not in problem)
        reasons.append(f"The record is not as the run wrote it: {first}.")
    least = float(procedure.get("purge", {}).get("least_oxygen_fraction", LEAST_OXYGEN_FRACTION))
    oxygen = [hold for hold in holds if hold.gas == "oxygen"]
    purged_s = min((event.t_s for event in record.of_kind("purge")), default=np.inf)
    if any(hold.begin_s < purged_s or hold.oxygen_fraction < least for hold in oxygen):
        reasons.append(f"The purge is not proven: every oxygen step needs a fraction of at least {least:g}.")
    proven = ("oxygen", "agrees", "not checked")
    wrong_gas = [event for event in record.of_kind("gas_check") if event.data.get("verdict") not in proven]
    if wrong_gas:
        reasons.append(str(wrong_gas[0].data.get("text", "The cells say that the gas was not oxygen.")))
    return tuple(reasons)


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
        record_id=str(run["record_id"]),
        started_utc=str(run["started_utc"]),
        ended="interrupted" if end is None else str(end["ended_utc"]),
        operator=str(run.get("operator", "")),
        place=str(run.get("place", "")),
        bench=str(run.get("bench", {}).get("name", "")),
        bench_sha256=str(run.get("bench", {}).get("sha256", "")),
        procedure=_procedure_text(run.get("procedure", {})),
        procedure_sha256=str(run.get("procedure", {}).get("sha256", "")),
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
        instruments=tuple(_known(InstrumentLine, line) for line in run.get("instruments", [])),
        notes=_notes(record),
        uncertainty_source=model.source,
        simulated=_is_simulated(run),
    )


def _procedure_text(procedure: Mapping[str, object]) -> str:
    name, version = procedure.get("name", ""), procedure.get("version", "")
    return f"{name}, version {version}" if version else str(name)


def _is_simulated(run: Mapping[str, Any]) -> bool:
    """Whether the bench file frozen into the record is that of a bench of software."""
    try:
        return "virtual" in tomllib.loads(str(run.get("bench", {}).get("text", "")))
    except tomllib.TOMLDecodeError:
        return False


def _notes(record: Record) -> tuple[str, ...]:
    notes = [f"{problem}." for problem in record.problems]
    notes.extend(
        f"A fault was injected for training: {event.data['fault']} at {event.data['at_s']:g} s."
        for event in record.of_kind("fault_injected")
    )
    if any(event.data.get("verdict") == "not checked" for event in record.of_kind("gas_check")):
        notes.append("The cells could not tell whether the gas was oxygen: that takes one that read air too.")
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
