"""A flow purge is given the time that its pot needs, and no more."""

import pytest
from fault_bench import seed_procedure
from told_bench import told

from rig.pressure.dosed_valves import DosedValves


@pytest.mark.parametrize("volume_l", [0.05, 0.1])
def test_a_healthy_small_pot_is_purged_by_flow(volume_l):
    run = told(volume_l=volume_l, procedure=seed_procedure("flow"), seed=31)
    assert run.outcome.how == "completed", run.outcome.why
    assert run.truth.oxygen_fraction > 0.98


def test_a_flow_that_passes_next_to_nothing_ends_the_run(monkeypatch):
    flow = DosedValves.flow
    monkeypatch.setattr(DosedValves, "flow", lambda self, scan: 0.05 * flow(self, scan))
    run = told(volume_l=0.05, procedure=seed_procedure("flow"), seed=31)
    assert run.outcome.code == "PURGE_SLOW"
    assert "0.0" in run.outcome.why or "0.1" in run.outcome.why
    begun_s = next(t_s for kind, t_s, _ in run.sink.events if kind == "trip")
    assert begun_s < 6 * 300.0 + 300.0
