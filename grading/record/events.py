"""The kinds of events in a record, and the members that each carries: one checked model a kind.

A member without a default is one that grading, or the start of the next run, reads. The others may be
missing: earlier versions of the program wrote fewer. Members and kinds that are not listed here come from a
later version; they are kept and not judged. Units stand in the names; `t_s` and every other time counts from
the start of the run, pressures are absolute.
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
    """What every event carries, and all that is known of one of an unknown kind."""

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
    """An append failed: what was to go into `after` goes on in `file`."""

    file: str
    after: str
    why: str


class End(EventMembers):
    """The last event of a run that ended, as `end.json` says it again."""

    how: str
    why: str


class StateChange(EventMembers):
    """The machine of states went from one to another."""

    from_: str = Field(default="", alias="from")
    to: str
    why: str = ""


class Phase(EventMembers):
    """What is being done from now on; `step` is None between steps."""

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
    """What a purge left: `swings` are its lowest and highest pressures, `volumes` those of a flow."""

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
    """What the cells say of the gas; the median of oxygen over air against the straight line."""

    verdict: str
    text: str = "The cells say that the gas was not oxygen."
    ratio_median: float | None = None


class CellFinding(EventMembers):
    """What the rig noticed about the cell in one socket."""

    socket: Socket
    finding: str
    text: str
    serial: str = ""


class Valve(EventMembers):
    """A command to a valve or to a pressure controller; `failure` says why it was not carried out."""

    valve: str
    action: str = ""
    duration_ms: Count | None = None
    failure: str | None = None
    pressure_bar: Pressure | None = None
    ramp_bar_per_min: float | None = None


class Trip(EventMembers):
    """An interlock, or a phase of the procedure, ended the run; with what it was judged on."""

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
    """Something that a person has to do at once, without a trip."""

    code: str
    text: str = ""
    do_now: str = ""


class PromptShown(EventMembers):
    """A person was asked."""

    code: str
    text: str = ""


class Answer(EventMembers):
    """What a person answered; None when nobody did."""

    code: str
    text: str = ""
    answer: str | None = None


class Gap(EventMembers):
    """The loop came too late for so many of its ticks."""

    missed_ticks: Count


class Note(EventMembers):
    """A sentence for whoever reads the record; papers print it."""

    text: str


class Rest(EventMembers):
    """The cells were decompressed fast and have to rest for so long from now."""

    rest_s: float = Field(ge=0.0, le=1e7)


class VentedZero(EventMembers):
    """The gauges against the barometer on the vented pot."""

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
    """Return the model that an event is held to: that of its kind, or the common one for an unknown kind."""
    kind = event.get("kind")
    return KINDS.get(kind, EventMembers) if isinstance(kind, str) else EventMembers
