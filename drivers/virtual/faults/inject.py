"""Books a fault on a bench, after checking that it is possible there."""

from __future__ import annotations

from drivers.virtual.bench import Bench
from drivers.virtual.devices.scanner import ScannerDevice
from drivers.virtual.faults.catalogue import fault_named
from drivers.virtual.faults.entry import BOTH_GAUGES, GAUGE_ROLES, SOCKET
from drivers.virtual_spec import FaultKind, FaultSpec, VirtualBenchError

_LATEST_S = 1e6


def inject(bench: Bench, fault: FaultSpec) -> None:
    """Book one fault on `bench`; a time that has passed means now.

    Raises:
        VirtualBenchError: when the catalogue has no such fault, target or value, or the bench no such part.
    """
    found = fault_named(fault.name)
    if found is None:
        raise VirtualBenchError(f"fault {fault.name!r}: there is no such fault; see 'leadline bench faults'")
    kind = found.kind
    value = kind.default_value if fault.value is None else fault.value
    if fault.value is not None:
        kind.refuse_value(fault.value)
    if not 0.0 <= fault.at_s <= _LATEST_S:
        raise VirtualBenchError(
            f"fault {fault.name}: begins at {fault.at_s:g} s; give seconds from 0 to {_LATEST_S:.0f}"
        )
    if fault.duration_s is not None and not 0.0 < fault.duration_s <= _LATEST_S:
        raise VirtualBenchError(
            f"fault {fault.name}: lasts {fault.duration_s:g} s; give seconds above 0, up to {_LATEST_S:.0f}"
        )
    target = _target(bench, kind, fault.target)
    if found.part.role and bench.by_role(found.part.role) is None:
        raise VirtualBenchError(
            f"fault {kind.name}: this bench has no instrument with role {found.part.role}"
        )
    found.part.find(bench, target)
    if kind.name == "rig_suspended" and bench.spec.mode == "real_time":
        raise VirtualBenchError("fault rig_suspended: a bench in real time cannot suspend the rig")
    if kind.name == "voltmeter_refuses" and not isinstance(bench.by_role("voltmeter"), ScannerDevice):
        raise VirtualBenchError("fault voltmeter_refuses: this bench's voltmeter has no scan command")

    def begin() -> None:
        undo = found.begin(bench, target, 0.0 if value is None else value)
        if fault.duration_s is not None:
            bench.at(bench.now_us + round(fault.duration_s * 1e6), undo)

    at_us = round(fault.at_s * 1e6)
    if at_us <= bench.now_us:
        begin()
    else:
        bench.at(at_us, begin)


def _target(bench: Bench, kind: FaultKind, wanted: str) -> str:
    """The target, checked against the catalogue and the bench."""
    if not kind.targets:
        if wanted:
            raise VirtualBenchError(f"fault {kind.name}: it has no targets, but {wanted!r} is given")
        return ""
    if kind.targets == SOCKET:
        sockets = [str(socket) for socket in bench.cells]
        target = wanted or (sockets[0] if sockets else "")
        if target not in sockets:
            raise VirtualBenchError(
                f"fault {kind.name}: no cell in socket {target or '1'}; "
                f"occupied: {', '.join(sockets) or 'none'}"
            )
        return target
    target = wanted or kind.targets[0]
    if target not in kind.targets:
        raise VirtualBenchError(
            f"fault {kind.name}: cannot affect {target!r}; it affects {', '.join(kind.targets)}"
        )
    for role in GAUGE_ROLES if target == BOTH_GAUGES else (target,):
        if bench.by_role(role) is None:
            raise VirtualBenchError(f"fault {kind.name}: this bench has no {role}")
    return target
