"""What a seed means: its bench, its faults and their times, and the person at the valves.

`seed_plan` is the oldest family, on solenoid valves; its draws never change, so that a seed found once can be
run for ever. The later families draw among all faults that their kind of bench can have.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import cache

from seed_benches import BY_HABIT, BY_HAND, HAND_DIAL, KINDS, OBEDIENT, SOLENOID, VOLUMES_L, cannot_have

from drivers.catalogue import virtual_faults
from drivers.virtual_spec import FaultKind, FaultSpec
from rig.safety_documents.faults import PROGRAM_FAULTS

LAYERS_REMOVED = ("pressure_switch_dead", "relief_stuck", "watchdog_dead")
LATER_FAULTS = (
    "gauge_manifold_shut",
    "tee_clogged",
    "gauge_gain",
    "gateway_down",
    "valves_busy",
    "de_energise_busy",
    "beats_refused",
    "foreign_master",
    "supply_seeps",
    "pot_enriched",
    "voltmeter_frozen",
    "voltmeter_gain",
    "channels_swapped",
)
"""Faults that the bench has learned since; `seed_plan` leaves them out, so that a seed keeps its meaning."""

NONE, SINGLE, DOUBLE, RESPONSE, TRIPLE, COMMON = "none", "single", "double", "response", "triple", "common"
FAMILIES = (NONE, SINGLE, DOUBLE, RESPONSE, TRIPLE, COMMON)
"""No fault, one, two; the second at the rig's answer to the first; three; a shared cause and another one."""

_MIX = (*[SOLENOID] * 4, *["controller"] * 2, *["hand_two_gauges"] * 2, "hand_one_gauge", "hand_dial")
"""Kinds in turn where all are asked for; a dial costs six times the computing time of a valve block."""

_LATEST_S = {"flow": 600.0, "swings": 1150.0}
_LATEST_BY_HAND_S = 1000.0
_LATEST_DIAL_S = 2500.0
_RESPONSE_WITHIN_S = 5.0
_AT_RESPONSE = (
    "vent_stuck_shut",
    "supply_stuck_open",
    "valves_link_lost",
    "valves_silent",
    "de_energise_busy",
    "gateway_down",
    "gauge_manifold_shut",
    "tee_clogged",
    "foreign_master",
    "gauge_silent",
    "vent_blocked",
    "supply_seeps",
)
_COMMON = (
    ("gauge_manifold_shut", ""),
    ("tee_clogged", ""),
    ("gateway_down", ""),
    ("wrong_gas", ""),
    ("gauge_gain", "both"),
    ("voltmeter_frozen", ""),
    ("voltmeter_gain", ""),
    ("channels_swapped", "1"),
)
_SIZES = {
    "wrong_gas": (0.2095, 0.5, 0.9, 0.93),
    "gauge_gain": (-0.03, 0.03, -0.1),
    "voltmeter_gain": (0.02, -0.02, 0.1),
    "valves_busy": (0.04, 0.3, 1.0),
    "supply_seeps": (0.5, 5.0),
    "pot_enriched": (0.4, 0.9),
}
_LASTS_S = {"gateway_down": (0.3, 3.0, 30.0, None), "gauge_manifold_shut": (None, None, 60.0)}


@dataclass(frozen=True, slots=True)
class SeedPlan:
    """One run. `response` begins so long (its `at_s`) after the rig's first answer to a fault."""

    seed: int
    bench: str
    faults: tuple[FaultSpec, ...]
    volume_l: float
    method: str
    operator: str = OBEDIENT
    leaves_s: float = 0.0
    response: FaultSpec | None = None


def seed_plan(seed: int, faults: int) -> tuple[tuple[FaultSpec, ...], float, str]:
    """What a seed of the oldest family means: its faults, the pot's volume and the way of purging."""
    draw = random.Random(seed * 7919 + faults)
    kinds = [kind for kind in virtual_faults() if kind.name not in LAYERS_REMOVED + LATER_FAULTS]
    specs = []
    volume_l, method = draw.choice(VOLUMES_L), draw.choice(("flow", "flow", "swings"))
    for _ in range(faults):
        name = draw.choice([kind.name for kind in kinds] + list(PROGRAM_FAULTS))
        kind = next((kind for kind in kinds if kind.name == name), None)
        target = ""
        if kind is not None and kind.targets and kind.targets != ("socket",):
            target = draw.choice([target for target in kind.targets if target != "controller"])
        elif kind is not None and kind.targets:
            target = draw.choice(("1", "2"))
        specs.append(FaultSpec(name, round(draw.uniform(0.0, _LATEST_S[method]), 1), target=target))
    return tuple(specs), volume_l, method


def kind_of(bench: str, seed: int) -> str:
    """The kind of bench of one seed, where `bench` may be "all"."""
    return _MIX[seed % len(_MIX)] if bench == "all" else bench


def plan_of(family: str, seed: int, bench: str = SOLENOID) -> SeedPlan:
    """What a seed means in one family on one kind of bench."""
    assert family in FAMILIES
    assert bench in KINDS
    oldest = {NONE: 0, SINGLE: 1, DOUBLE: 2}
    if bench == SOLENOID and family in oldest:
        faults, volume_l, method = seed_plan(seed, oldest[family])
        return SeedPlan(seed, bench, faults, volume_l, method)
    draw = random.Random(f"{family} {bench} {seed}")
    volume_l = draw.choice(VOLUMES_L)
    method = draw.choice(("flow", "swings")) if bench == SOLENOID else "swings"
    operator, leaves_s = OBEDIENT, 0.0
    if bench in BY_HAND and family != NONE:
        operator = draw.choice((OBEDIENT, OBEDIENT, OBEDIENT, BY_HABIT, BY_HABIT, "slow", "leaves"))
        leaves_s = round(draw.uniform(100.0, _latest_s(bench, method)), 1)
    response = None
    faults_drawn: list[FaultSpec] = []
    if family == COMMON:
        faults_drawn.append(_common(draw, bench, method))
    while len(faults_drawn) < {NONE: 0, SINGLE: 1, RESPONSE: 1, DOUBLE: 2, COMMON: 2, TRIPLE: 3}[family]:
        fault = _drawn(draw, bench, method)
        if fault.name not in {other.name for other in faults_drawn}:
            faults_drawn.append(fault)
    if family == RESPONSE:
        name = draw.choice([name for name in _AT_RESPONSE if not cannot_have(bench, name, _both(name))])
        after_s = round(draw.uniform(0.0, _RESPONSE_WITHIN_S), 2)
        response = FaultSpec(name, after_s, None, _size(draw, name), _both(name))
    return SeedPlan(seed, bench, tuple(faults_drawn), volume_l, method, operator, leaves_s, response)


def _latest_s(bench: str, method: str) -> float:
    if bench == HAND_DIAL:
        return _LATEST_DIAL_S
    return _LATEST_BY_HAND_S if bench in BY_HAND else _LATEST_S[method]


def _both(name: str) -> str:
    return "both" if name == "gauge_silent" else ""


def _size(draw: random.Random, name: str) -> float | None:
    return draw.choice(_SIZES[name]) if name in _SIZES else None


def _common(draw: random.Random, bench: str, method: str) -> FaultSpec:
    name, target = draw.choice([cause for cause in _COMMON if not cannot_have(bench, *cause)])
    return _sized(draw, name, target, _latest_s(bench, method))


def _drawn(draw: random.Random, bench: str, method: str) -> FaultSpec:
    by_name: dict[str, list[str]] = {}
    for name, target in _possible(bench):
        by_name.setdefault(name, []).append(target)
    name = draw.choice(sorted(by_name))
    return _sized(draw, name, draw.choice(by_name[name]), _latest_s(bench, method))


def _sized(draw: random.Random, name: str, target: str, latest_s: float) -> FaultSpec:
    at_s = 0.0 if name == "pot_enriched" else round(draw.uniform(0.0, latest_s), 1)
    size = _size(draw, name)
    return FaultSpec(name, at_s, draw.choice(_LASTS_S.get(name, (None,))), size, target)


@cache
def _possible(bench: str) -> tuple[tuple[str, str], ...]:
    """Every fault that a kind of bench can have, with every target."""
    cases = [
        (kind.name, target)
        for kind in virtual_faults()
        if kind.name not in LAYERS_REMOVED
        for target in _targets(kind)
    ]
    return (
        *((name, target) for name, target in cases if not cannot_have(bench, name, target)),
        *((name, "") for name in PROGRAM_FAULTS),
    )


def _targets(kind: FaultKind) -> tuple[str, ...]:
    return ("1", "2") if kind.targets == ("socket",) else kind.targets or ("",)
