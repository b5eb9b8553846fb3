"""The kinds of events in a record, and the members that each carries: one checked model a kind.

A member without a default is read by grading or at the start of the next run. The others may be missing,
since earlier versions of the program wrote fewer. Members and kinds that are not listed here come from a
later version; they are kept and not checked. Units are in the names; `t_s` and all other times count from
the start of the run; pressures are absolute.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Annotated, Any, Final, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Step = Annotated[int, Field(ge=0, le=100_000)]
Socket = Annotated[int, Field(ge=1, le=100_000)]
Seconds = Annotated[float, Field(ge=-1e9, le=1e9)]
Pressure = Annotated[float, Field(ge=-1e6, le=1e6)]
Count = Annotated[int, Field(ge=0, lt=2**53)]


def _is_moment(text: str) -> str:
    try:
        zone = datetime.fromisoformat(text).tzinfo
    except ValueError:
        zone = None
    if zone is None:
        raise ValueError("should be a moment with its time zone, such as 2026-03-02T10:15:00.000Z")
    return text


Moment = Annotated[str, AfterValidator(_is_moment)]
"""An ISO 8601 moment with its time zone."""


class EventMembers(BaseModel):
    """The members that every event carries; of an unknown kind nothing else is known."""

    model_config = ConfigDict(strict=True, frozen=True, allow_inf_nan=False)

    n: int = Field(ge=1, lt=2**53)
    t_s: Seconds
    utc: Moment
    kind: str


class Checkpoint(EventMembers):
    """The chain of hashes over rows and events; `rows` is how many rows have been written so far."""

    rows: Count
    sha256: str
    previous: str


class Segment(EventMembers):
    """An append failed: the lines of `after` continue in `file`."""

    file: str
    after: str
    why: str


class End(EventMembers):
    """The last event of a run that ended; `end.json` repeats it."""

    how: str
    why: str


class StateChange(EventMembers):
    """The state machine went from one state to another."""

    from_: str = Field(default="", alias="from")
    to: str
    why: str = ""


class Phase(EventMembers):
    """The phase that begins now; `step` is None between steps."""

    phase: str
    step: Step | None = None


class RampBegin(EventMembers):
    """The pressure is taken to the target of a step."""

    step: Step
    target_bar: Pressure


class HoldBegin(EventMembers):
    """A step's hold begins; step 0 is ambient air, which has no nominal PO2 and no target."""

    step: Step
    gas: Literal["air", "oxygen", "nitrogen"]
    direction: Literal["up", "down"]
    oxygen_fraction: Fraction
    nominal_po2_bar: Pressure | None = None
    target_bar: Pressure | None = None


class HoldEnd(EventMembers):
    """A step's hold ends; `settled` is by socket number."""

    step: Step
    stop_reason: str
    settled: dict[Annotated[str, Field(pattern=r"^[0-9]{1,6}$")], bool] | None = None


class Purge(EventMembers):
    """Result of a purge: `swings` are its lowest and highest pressures, `volumes` those of a flow."""

    oxygen_fraction: Fraction
    u_oxygen_fraction: Fraction
    method: str = ""
    swings: list[Annotated[list[Pressure], Field(min_length=2, max_length=2)]] | None = None
    volumes: float = 0.0
    oxygen_fraction_before: Fraction | None = None


class Leak(EventMembers):
    """The leak test's result; a fall of pressure counts positive."""

    rate_mbar_per_min: float
    expanded_uncertainty_mbar_per_min: float
    verdict: str


class GasCheck(EventMembers):
    """Check of the gas by the cells: median oxygen/air ratio against the straight line."""

    verdict: str
    text: str = "The cells show that the gas was not oxygen."
    ratio_median: float | None = None


class CellFinding(EventMembers):
    """What the rig noticed about the cell in one socket."""

    socket: Socket
    finding: str
    text: str
    serial: str = ""


class Valve(EventMembers):
    """A command to a valve or to a pressure controller; `failure` says why it failed."""

    valve: str
    action: str = ""
    duration_ms: Count | None = None
    failure: str | None = None
    pressure_bar: Pressure | None = None
    ramp_bar_per_min: float | None = None


class Trip(EventMembers):
    """An interlock, or a phase of the procedure, ended the run; with the values it was judged by."""

    code: str
    text: str = ""
    done: str = ""
    do_now: str = ""
    invalid_from_s: Seconds | None = None
    gauge_bar: Pressure | None = None
    gauge_status: str | None = None
    gauge_age_s: float | None = None
    second_gauge_bar: Pressure | None = None
    second_gauge_status: str | None = None
    barometer_bar: Pressure | None = None
    temperature_c: float | None = None
    room_oxygen_percent: float | None = None
    set_point_bar: Pressure | None = None
    intent: str | None = None
    supply_open: bool | None = None
    vent_open: bool | None = None
    lid_closed: bool | None = None


class Alarm(EventMembers):
    """An action that a person must take at once, without a trip."""

    code: str
    text: str = ""
    do_now: str = ""


class PromptShown(EventMembers):
    """A person was asked."""

    code: str
    text: str = ""


class Answer(EventMembers):
    """A person's answer; None without one."""

    code: str
    text: str = ""
    answer: str | None = None


class Gap(EventMembers):
    """The number of ticks for which the loop was too late."""

    missed_ticks: Count


class Note(EventMembers):
    """A sentence for the reader of the record; papers print it."""

    text: str


class Rest(EventMembers):
    """The cells were decompressed fast and must rest for this time from now."""

    rest_s: float = Field(ge=0.0, le=1e7)


class VentedZero(EventMembers):
    """The gauges compared with the barometer on the vented pot."""

    gauge_bar: Pressure
    second_gauge_bar: Pressure | None = None
    barometer_bar: Pressure | None = None
    verdict: str = ""


class FaultInjected(EventMembers):
    """A fault of the virtual bench, for training."""

    fault: str
    at_s: Seconds


KINDS: Final[Mapping[str, type[EventMembers]]] = MappingProxyType(
    {
        "alarm": Alarm,
        "answer": Answer,
        "cell": CellFinding,
        "checkpoint": Checkpoint,
        "end": End,
        "fault_injected": FaultInjected,
        "gap": Gap,
        "gas_check": GasCheck,
        "hold_begin": HoldBegin,
        "hold_end": HoldEnd,
        "leak": Leak,
        "note": Note,
        "phase": Phase,
        "prompt": PromptShown,
        "purge": Purge,
        "ramp_begin": RampBegin,
        "rest": Rest,
        "segment": Segment,
        "state": StateChange,
        "trip": Trip,
        "valve": Valve,
        "vented_zero": VentedZero,
    }
)


def members_of(event: Mapping[str, Any]) -> type[EventMembers]:
    """Return the model to check an event by: that of its kind, or the common one for an unknown kind."""
    kind = event.get("kind")
    return KINDS.get(kind, EventMembers) if isinstance(kind, str) else EventMembers
