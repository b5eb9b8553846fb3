"""Effects of faults: change a part of the bench, and restore it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import Device
from drivers.virtual_spec import VirtualBenchError

Undo = Callable[[], None]
Effect = Callable[[Bench, Sequence[Any], float], Undo]
"""Effect of a fault on its targets; the number is its size."""


def sets(**fixed: object) -> Effect:
    """Return the effect that sets attributes of all targets."""

    def effect(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
        del bench, value
        return undo_all([change(thing, **fixed) for thing in struck])

    return effect


def sets_size(name: str, convert: Callable[[float], object] = float, /, **fixed: object) -> Effect:
    """Return the effect that sets one attribute to the size of the fault, converted, and others as given."""

    def effect(bench: Bench, struck: Sequence[Any], value: float) -> Undo:
        return sets(**{name: convert(value)}, **fixed)(bench, struck, value)

    return effect


def change(thing: object, **changes: object) -> Undo:
    """Set attributes of `thing`; the undo restores the old ones."""
    before = {name: getattr(thing, name) for name in changes}
    for name, value in changes.items():
        setattr(thing, name, value)

    def undo() -> None:
        for name, value in before.items():
            setattr(thing, name, value)

    return undo


def undo_all(undos: Iterable[Undo]) -> Undo:
    """One undo for several."""
    kept = tuple(undos)

    def undo() -> None:
        for one in kept:
            one()

    return undo


def device_of(bench: Bench, role: str) -> Device:
    """The device of one role.

    Raises:
        VirtualBenchError: when the bench has none.
    """
    device = bench.by_role(role)
    if device is None:
        raise VirtualBenchError(f"this bench has no {role}")
    return device
