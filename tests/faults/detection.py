"""When each fault of the table is injected so that it shows, and how long the rig takes to notice.

python tests/faults/detection.py          # prints the table, measured
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

from fault_bench import SeedRun, broken_invariants, run_faults

from drivers.virtual_spec import FaultSpec
from rig.control.faults_table import FAULT_TABLE, FaultRow

IN_HOLD_S = 310.0
IN_RAMP_UP_S = 340.0
IN_RAMP_DOWN_S = 490.0
IN_PURGE_S = 60.0
AT_START_S = 1.0
_AT_S = {
    "shots_too_long": IN_RAMP_UP_S,
    "supply_stuck_shut": IN_RAMP_UP_S,
    "cylinder_empty": IN_RAMP_UP_S,
    "relief_early": IN_RAMP_UP_S,
    "leak_small": IN_RAMP_UP_S,
    "vent_stuck_shut": IN_RAMP_DOWN_S,
    "vent_blocked": IN_RAMP_DOWN_S,
    "regulator_creep": IN_PURGE_S,
    "wrong_gas": AT_START_S,
    "gauge_unit_gauge": AT_START_S,
    "gauge_unit_psi": AT_START_S,
    "gauge_unit_kpa": AT_START_S,
    "gauge_unit_atm": AT_START_S,
    "wrong_instrument": 0.0,
    "gauge_word_order": 0.0,
}
_TARGETS = {"slow_replies": "gauge", "cell_unplugged": "1", "cell_shorted": "2", "wrong_instrument": "gauge"}
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
    def in_time(self) -> bool:
        return self.noticed_as in self.row.noticed_as and self.after_s <= self.row.within_s


def detect(row: FaultRow, fault: str, *, seed: int = _SEED, volume_l: float = 1.0) -> Detection:
    """Run the short procedure with one fault of a row, injected where it shows."""
    at_s = _AT_S.get(fault, IN_HOLD_S)
    spec = FaultSpec(fault, at_s, target=_TARGETS.get(fault, ""))
    method = "swings" if fault in _BY_SWINGS else "flow"
    run = run_faults((spec,), seed=seed, volume_l=volume_l, method=method)
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
        for fault in row.faults:
            found = detect(row, fault)
            late += not found.in_time
            remark = "" if found.in_time else "LATE "
            remark += "; ".join(broken_invariants(found.run))
            print(
                f"{row.row:2} {fault:24} {found.noticed_as:20} {found.after_s:7.1f} s of "
                f"{row.within_s:5.1f} s  {found.run.how:10} {remark}",
                flush=True,
            )
    return 1 if late else 0


if __name__ == "__main__":
    sys.exit(main())
