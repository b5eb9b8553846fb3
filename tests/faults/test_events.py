"""What the rig writes is what the record's models say; all simulated runs here are checked against it."""

import pytest
from event_check import misfit
from fault_bench import broken_invariants, run_faults

from drivers.virtual_spec import FaultSpec
from grading.record.events import KINDS

WRITTEN_BY_THE_RECORD = {"checkpoint", "end", "segment"}
FROM_EARLIER_VERSIONS = {"fault_injected"}


def test_the_runs_write_every_kind_with_the_members_of_its_model():
    runs = [
        run_faults((), seed=1),
        run_faults((FaultSpec("lid_opened", 60.0),), seed=1),
        run_faults((FaultSpec("vent_stuck_shut", 60.0),), seed=1),
        run_faults((FaultSpec("rig_suspended", 60.0),), seed=1),
    ]
    assert [broken_invariants(run) for run in runs] == [[]] * len(runs)
    seen = {kind for run in runs for kind, _, _ in run.sink.events}
    assert seen == set(KINDS) - WRITTEN_BY_THE_RECORD - FROM_EARLIER_VERSIONS


@pytest.mark.parametrize(
    ("kind", "members", "reported"),
    [
        ("rest", {"rest_s": 600.0}, ""),
        ("rest", {"rests_s": 600.0}, "rest_s"),
        ("rest", {"rest_s": 600.0, "untl": "10:00"}, "untl"),
        ("leak", {"rate_mbar_per_min": 0.1, "expanded_uncertainty_mbar_per_min": 0.3}, "verdict"),
        ("state", {"from": "IDLE", "to": "STARTING", "why": "start"}, ""),
        ("state", {"from_": "IDLE", "to": "STARTING", "why": "start"}, "from_"),
        ("trips", {"code": "LID_OPEN"}, "no kind of event"),
        ("cell", {"socket": "1", "finding": "unplugged", "text": "Gone."}, "socket"),
    ],
)
def test_a_misspelt_or_missing_member_is_found(kind, members, reported):
    found = misfit(kind, members)
    assert reported in found
    assert bool(found) == bool(reported)
