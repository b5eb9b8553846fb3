"""What all faults do: find a part of the bench, change it, and put it back."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from drivers.virtual.bench import Bench
from drivers.virtual.devices.device import Device
from drivers.virtual_spec import VirtualBenchError

Undo = Callable[[], None]


def change(thing: object, **changes: object) -> Undo:
    """Set attributes of `thing`; the undo puts the old ones back."""
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
