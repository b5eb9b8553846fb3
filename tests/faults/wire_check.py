"""Compares a run over the wire, in lockstep, with the same run without a wire: equal to the last bit.

Both runs are the same program on the same bench, where time passes only when the rig waits for it. So nothing
needs a tolerance: rows, events and their times, and the true pot at the end must be equal. Left out are only
the words of a link that fails (the wire's own error has an address in it, the plain port's has none).

One history differs for a reason of the wire: an instrument that loses its link and comes back slow, yet in
time, is set up again by several requests, which must all fit into one deadline; a plain port has no settings
to send. No seed draws that (answers that are slow by default come too late).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import zip_longest
from typing import Any

from detection import run_where_it_shows
from fault_bench import SeedRun, run_plan, run_seed
from seed_plans import SeedPlan

from drivers.catalogue import virtual_faults
from drivers.virtual_spec import FaultKind
from rig.safety_documents.faults import PROGRAM_FAULTS

_ROLES_OF_NO_VALVE_BENCH = ("controller",)
_SOCKETS = ("1", "2")


def every_fault() -> list[tuple[str, str]]:
    """Every fault that a bench with valves can have, with every target that it can strike."""
    cases = [(kind.name, target) for kind in virtual_faults() for target in _targets(kind)]
    return cases + [(name, "") for name in PROGRAM_FAULTS]


def _targets(kind: FaultKind) -> tuple[str, ...]:
    if kind.targets == ("socket",):
        return _SOCKETS
    return tuple(target for target in kind.targets if target not in _ROLES_OF_NO_VALVE_BENCH) or ("",)


def compare_seed(seed: int, faults: int) -> tuple[SeedRun, list[str]]:
    """Run a seed both ways; returns the run over the wire and how it differs from the one without."""
    direct, wire = (run_seed(seed, faults, mode=mode, keep_rows=True) for mode in ("direct", "lockstep"))
    return wire, differences(direct, wire)


def compare_plan(plan: SeedPlan) -> tuple[SeedRun, list[str]]:
    """Run what a seed means both ways; returns the same as `compare_seed`."""
    direct, wire = (run_plan(plan, mode=mode, keep_rows=True) for mode in ("direct", "lockstep"))
    return wire, differences(direct, wire)


def compare_fault(name: str, target: str) -> tuple[SeedRun, list[str]]:
    """Run one fault where it shows, both ways; returns the same as `compare_seed`."""
    direct, wire = (
        run_where_it_shows(name, target, mode=mode, keep_rows=True) for mode in ("direct", "lockstep")
    )
    return wire, differences(direct, wire)


def differences(direct: SeedRun, wire: SeedRun) -> list[str]:
    """What differs between the two, one line each; the first of a list only."""
    found = [
        f"{what}: {ours!r} direct, {theirs!r} over the wire"
        for what, ours, theirs in (
            ("how it ended", direct.how, wire.how),
            ("code", direct.code, wire.code),
            ("refused by", _refused_by(direct), _refused_by(wire)),
            ("trips", direct.trips(), wire.trips()),
            ("findings", direct.findings(), wire.findings()),
            ("alarm stands", direct.alarmed, wire.alarmed),
            ("end of the record", _unquoted(direct.sink.ended), _unquoted(wire.sink.ended)),
            ("true pot at the end", direct.truth, wire.truth),
            ("true pot three minutes later", direct.truth_later, wire.truth_later),
        )
        if ours != theirs
    ]
    for what, pairs in (
        ("event", zip_longest(_events(direct), _events(wire))),
        ("row", zip_longest(direct.sink.kept or (), wire.sink.kept or ())),
    ):
        first = next(((ours, theirs) for ours, theirs in pairs if ours != theirs), None)
        if first is not None:
            found.append(f"first {what} that differs: {first[0]!r} direct, {first[1]!r} over the wire")
    return found


def _refused_by(run: SeedRun) -> list[str]:
    """Which entries of the bench file could not be opened."""
    return [line.split(": ")[1] for line in run.refused.splitlines()]


def _events(run: SeedRun) -> Iterator[tuple[str, float, dict[str, Any]]]:
    for kind, t_s, data in run.sink.events:
        yield kind, t_s, _unquoted({**data, "failure": True} if "failure" in data else data)


def _unquoted(said: Any) -> Any:
    """Return sentences without what they quote in brackets: each kind of link words its own errors."""
    if isinstance(said, str):
        return re.sub(r"\([^()]*\)", "()", said)
    if isinstance(said, dict):
        return {key: _unquoted(value) for key, value in said.items()}
    return tuple(map(_unquoted, said)) if isinstance(said, tuple) else said
