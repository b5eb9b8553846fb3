"""The states, the faults and the interlocks as two documents, from the tables that the rig executes.

    python -m rig.safety_documents.tables

writes `states.md` and `faults.md` beside this module; a test compares the files with what it would write.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from rig.loop.loop import RESPONSES
from rig.safety.interlocks import INTERLOCKS, Response
from rig.safety.states import AT_POWER_UP, STATE_RULES, TRANSITIONS, Command, State
from rig.safety_documents.faults import FAULT_TABLE, PROGRAM_FAULTS, FaultRow

_FROM_ANYWHERE = (Command.STOP, Command.ABORT)
_ANSWERS: dict[Response, str] = {
    Response.ABORT: "de-energises",
    Response.STOP: "vents on the ramp",
    Response.HOLD: "holds",
}
_MADE = (
    "This file is made by `python -m rig.safety_documents.tables` from the tables that the program executes."
)


def states_markdown() -> str:
    """The state table: what each state is for, what it may do, and its transitions."""
    rows = [
        (
            f"**{rule.state}**",
            rule.does,
            _yes(rule.may_fill),
            _yes(rule.may_shut_vent),
            _yes(rule.beats),
            ", ".join(_ANSWERS[answer] for answer in Response if answer in RESPONSES.get(rule.state, ()))
            or "-",
            _next(rule.state),
        )
        for rule in STATE_RULES.values()
    ]
    head = (
        "state",
        "what it is for",
        "gas may be let in",
        "vent may be shut",
        "heartbeat",
        "responses to a trip",
        "left by",
    )
    edges = [
        f"    {before} --> {after}: {command}"
        for (before, command), after in TRANSITIONS.items()
        if command not in _FROM_ANYWHERE
    ]
    return "\n".join(
        (
            "# States of the rig",
            "",
            f"{_MADE} The words are those of ISA-TR88.00.02 (PackML), from memory; no conformity is claimed.",
            "",
            f"A program starts in **{AT_POWER_UP}**, after a proper end as after a crash, and never "
            "continues another's run. `stop` vents on the ramp; `abort` drops every output. A "
            "command that the table does not have in a state is refused and changes nothing. The *heartbeat* "
            "is written in the states that say so, and never between an order to drop every output and the "
            "read-back that shows it done.",
            "",
            *_table(head, rows),
            "",
            "The course of a run, without the `stop` and `abort` transitions, which almost every state has:",
            "",
            "```mermaid",
            "stateDiagram-v2",
            f"    [*] --> {AT_POWER_UP}",
            *edges,
            "```",
            "",
        )
    )


def faults_markdown() -> str:
    """The fault table and the interlock table."""
    faults = [
        (
            str(row.row),
            row.what,
            _codes(row.noticed_as),
            f"{row.within_s:g} s" if row.noticed_as else "-",
            row.answer,
            _injected(row),
        )
        for row in FAULT_TABLE
    ]
    trips = [
        (
            f"`{lock.code}`",
            (lock.check.__doc__ or "").splitlines()[0].rstrip("."),
            ", ".join(map(str, lock.rows)) or "-",
            f"{lock.limit_s:g} s",
            _ANSWERS[lock.response],
            lock.do_now,
        )
        for lock in INTERLOCKS
    ]
    return "\n".join(
        (
            "# What can break, and what the rig does",
            "",
            f"{_MADE} The times hold on the virtual bench, from the moment the fault shows, at a scan "
            "every 0.2 s; measure them there with `python tests/faults/detection.py`. On hardware they are a "
            "design figure until they have been proved on that hardware.",
            "",
            "## Faults",
            "",
            "*Noticed as* names a trip, an alarm, a finding about one cell, or a refusal to start; "
            "any one of them is enough. Practise with `leadline run ... --inject NAME@SECONDS` on a "
            "virtual bench; `virtual_hand_pot` has a monitor of the room's oxygen. Faults that remove a "
            "layer of protection are in no row: alone they change nothing, so inject them with another. "
            "A fault after *later* shows only once the pressure has to move or the last step comes; its time "
            "counts from the injection in a hold.",
            "",
            *_table(("row", "what breaks", "noticed as", "within", "what the rig does", "inject"), faults),
            "",
            "## Interlocks",
            "",
            "Checked after every scan, in this order; the first that trips is the trip of the run.",
            "",
            *_table(("trip", "when", "rows", "within", "the rig", "what to do now"), trips),
            "",
        )
    )


def documents() -> dict[str, str]:
    """Both documents by file name."""
    return {"states.md": states_markdown(), "faults.md": faults_markdown()}


def _yes(may: bool) -> str:
    return "yes" if may else "no"


def _codes(names: Iterable[str]) -> str:
    return ", ".join(f"`{name}`" for name in names) or "-"


def _injected(row: FaultRow) -> str:
    """The faults of a row that the virtual bench can simulate; those not noticed come last."""
    parts = [_codes(name for name in row.faults if name not in PROGRAM_FAULTS)]
    parts += [
        f"later: `{one.fault}` as {_codes(one.noticed_as)} within {one.within_s:g} s" for one in row.later
    ]
    if row.not_noticed:
        parts.append(f"not noticed: {_codes(row.not_noticed)}")
    return "; ".join(parts)


def _next(state: State) -> str:
    """The transitions out of a state, as `command` to STATE."""
    out = [f"`{command}` to {after}" for (before, command), after in TRANSITIONS.items() if before is state]
    return "; ".join(out)


def _table(head: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> list[str]:
    """A Markdown table, one line a row."""
    lines = [head, tuple("---" for _ in head), *rows]
    return ["| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |" for line in lines]


if __name__ == "__main__":
    for name, text in documents().items():
        path = Path(__file__).with_name(name)
        path.write_text(text, encoding="utf-8")
        print(path)
