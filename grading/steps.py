"""Where a run holds still: from the record's own events, or found in a trace of pressure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from grading.record_reader import Event
from grading.results import Direction, Gas


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch of constant pressure.

    Attributes:
        step: number of the step.
        nominal_po2_bar: to one decimal; None outside oxygen.
        begin_s, end_s: on the run's clock.
        oxygen_fraction: of the dry gas in the pot during the hold.
        settled_sockets: sockets that the rig found settled; None when nobody judged them live.
        ramped_from: the pressure went straight from the hold before to this one, in the same gas.
    """

    step: int
    gas: Gas
    direction: Direction
    nominal_po2_bar: float | None
    begin_s: float
    end_s: float
    oxygen_fraction: float
    settled_sockets: frozenset[int] | None
    ramped_from: bool


def holds_from_events(events: Sequence[Event]) -> tuple[Hold, ...]:
    """Read the holds of a run from its events; of a step held twice, the last one that was not aborted."""
    held: dict[int, Hold] = {}
    begun: Event | None = None
    ramps = 0
    last_gas = ""
    for event in events:
        if event.kind == "ramp_begin":
            ramps += 1
        elif event.kind == "hold_begin":
            begun = event
        elif event.kind == "hold_end" and begun is not None and begun.data["step"] == event.data["step"]:
            if event.data["stop_reason"] != "aborted":
                hold = _hold(begun, event, ramped=ramps == 1 and begun.data["gas"] == last_gas)
                held.pop(hold.step, None)
                held[hold.step] = hold
                last_gas = hold.gas
            else:
                last_gas = ""
            begun, ramps = None, 0
    return tuple(held.values())


def _hold(begun: Event, ended: Event, *, ramped: bool) -> Hold:
    data = begun.data
    nominal = data.get("nominal_po2_bar")
    settled = ended.data.get("settled") or {}
    return Hold(
        step=int(data["step"]),
        gas=data["gas"],
        direction=data["direction"],
        nominal_po2_bar=None if nominal is None else round(float(nominal), 1),
        begin_s=begun.t_s,
        end_s=ended.t_s,
        oxygen_fraction=float(data["oxygen_fraction"]),
        settled_sockets=frozenset(int(socket) for socket, yes in settled.items() if yes),
        ramped_from=ramped,
    )
