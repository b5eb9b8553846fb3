"""When each fault of the table is injected so that it shows, and how long the rig takes to notice.

python tests/faults/detection.py          # prints the table, measured
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from typing import Any

from fault_bench import SeedRun, When, broken_invariants, run_faults

from drivers.virtual_spec import FaultSpec
from rig.safety_documents.faults import FAULT_TABLE, FaultRow, LaterFault

_IN_HOLD = When("measure", 2, 8.0)
_IN_RAMP_UP = When("fill", 3, 4.0)
_IN_RAMP_DOWN = When("let-out", 4, 4.0)
_IN_PURGE = When("purge", None, 20.0)
_AT_START_S = 1.0
_WHEN = {
    "shots_too_long": _IN_RAMP_UP,
    "supply_stuck_shut": _IN_RAMP_UP,
    "cylinder_empty": _IN_RAMP_UP,
    "relief_early": _IN_RAMP_UP,
    "leak_small": _IN_RAMP_UP,
    "vent_stuck_shut": _IN_RAMP_DOWN,
    "vent_blocked": _IN_RAMP_DOWN,
    "regulator_creep": _IN_PURGE,
    "wrong_gas": _IN_PURGE,
}
_BEFORE_ANY_GAS = {
    "gauge_unit_gauge": _AT_START_S,
    "gauge_unit_psi": _AT_START_S,
    "gauge_unit_kpa": _AT_START_S,
    "gauge_unit_atm": _AT_START_S,
    "pot_enriched": _AT_START_S,
    "wrong_instrument": 0.0,
    "gauge_word_order": 0.0,
}
_TARGETS = {
    "slow_replies": "gauge",
    "cell_unplugged": "1",
    "channels_swapped": "1",
    "cell_shorted": "2",
    "wrong_instrument": "gauge",
}
_BY_SWINGS = ("regulator_creep",)
_SEED = 417


@dataclass(frozen=True, slots=True)
class Detection:
    """How one fault was noticed."""

    row: FaultRow
    fault: str
    noticed_as: str
    after_s: float
    run: SeedRun

    @property
    def within_s(self) -> float:
        return self._listed.within_s

    @property
    def in_time(self) -> bool:
        return self.noticed_as in self._listed.noticed_as and self.after_s <= self._listed.within_s

    @property
    def _listed(self) -> FaultRow | LaterFault:
        return next((later for later in self.row.later if later.fault == self.fault), self.row)


def run_where_it_shows(fault: str, target: str = "", **more: Any) -> SeedRun:
    """Run the short procedure with one fault, injected where it shows; `more` is for `run_faults`."""
    spec = FaultSpec(fault, _BEFORE_ANY_GAS.get(fault, 0.0), target=target or _TARGETS.get(fault, ""))
    when = None if fault in _BEFORE_ANY_GAS else _WHEN.get(fault, _IN_HOLD)
    method = "swings" if fault in _BY_SWINGS else "flow"
    return run_faults((spec,), seed=_SEED, when=when, method=method, **more)


def detect(row: FaultRow, fault: str) -> Detection:
    """Run the short procedure with one fault of a row, injected where it shows."""
    run = run_where_it_shows(fault)
    at_s = run.faults[0].at_s
    code, when_s = _noticed(run, at_s, row)
    return Detection(row, fault, code, when_s - at_s, run)


def _noticed(run: SeedRun, at_s: float, row: FaultRow) -> tuple[str, float]:
    """The first thing that the rig said after the onset, and when."""
    if run.refused:
        return "refused", at_s
    if run.how == "killed":
        return "killed", at_s
    said = run.trips() + run.findings()
    if "note" in row.noticed_as:
        said += [("note", t_s) for kind, t_s, _ in run.sink.events if kind == "note"]
    said += [
        (str(data["verdict"]), t_s)
        for kind, t_s, data in run.sink.events
        if kind == "gas_check" and data["verdict"] == "off alike"
    ]
    said += [("RECORD_LOST", t_s) for t_s, text in run.said_at if "record can no longer" in text]
    if "STOPPED" in row.noticed_as:
        said += [
            ("STOPPED", t_s)
            for kind, t_s, data in run.sink.events
            if kind == "state" and data["to"] == "STOPPING"
        ]
    said = sorted((t_s, code) for code, t_s in said if t_s >= at_s - 0.5)
    if said:
        return said[0][1], said[0][0]
    if run.how == "refused":
        return run.code, run.bench_s
    return "nothing", float("inf")


def main() -> int:
    late = 0
    for row in FAULT_TABLE:
        for fault in (*row.faults, *(later.fault for later in row.later)):
            found = detect(row, fault)
            late += not found.in_time
            remark = "" if found.in_time else "LATE "
            remark += "; ".join(broken_invariants(found.run))
            print(
                f"{row.row:2} {fault:24} {found.noticed_as:20} {found.after_s:7.1f} s of "
                f"{found.within_s:5.1f} s  {found.run.how:10} {remark}",
                flush=True,
            )
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
