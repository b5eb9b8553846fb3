"""Tables that commands print: preflight, plan, archive, faults, what is shipped."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rich import box
from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from rig.terminal.fitting import FittingTable, WideOrNarrow
from rig.terminal.formats import clock_text, counted

if TYPE_CHECKING:
    from drivers.virtual_spec import FaultKind
    from rig.run.checks import PreflightReport, Verdict
    from rig.setup.plan import Plan

_VERDICT: Final[dict[Verdict, tuple[str, str]]] = {
    "ok": ("✔ ok", "green"),
    "caution": ("▲ caution", "yellow"),
    "fail": ("✖ fail", "bold red"),
    "not checked": ("○ not checked", "dim"),
}


_WIDE: Final = 100
_STEPS: Final = ("step", "what", "PO2,\nbar", "to,\nbar abs", "ramp", "usual\ntime", "longest", "gas, L")
_STEPS_GIVE_WAY: Final = ("ramp", "PO2,\nbar", "longest", "step", "to,\nbar abs")


def _table(*columns: str, title: str = "") -> Table:
    table = Table(box=box.SIMPLE_HEAD, title=title or None, title_justify="left", title_style="bold")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def preflight_table(report: PreflightReport) -> RenderableType:
    """Return what passed, what did not and why, and what to do."""
    title = f"Preflight of {report.bench} ({report.file})"
    wide = _table("check", "verdict", "found", "to do", title=title)
    narrow = _table("check", "verdict, found, to do", title=title)
    for check in report.checks:
        word, style = _VERDICT[check.verdict]
        wide.add_row(check.what, Text(word, style=style), check.found, check.to_do)
        verdict = Text.assemble(
            (word, style), f"  {check.found}", f"\nTo do: {check.to_do}" if check.to_do else ""
        )
        narrow.add_row(check.what, verdict)
    table = WideOrNarrow(wide, narrow, wide_from=_WIDE)
    cautions = len(report.cautions)
    if report.ready:
        end = f"Ready, with {counted(cautions, 'caution')}." if cautions else "Ready."
    else:
        end = f"Not ready: {len(report.failures)} failed. No run can start before they are corrected."
    return Group(table, Text(end, style="bold"))


def plan_table(plan: Plan) -> RenderableType:
    """Return steps, time, gas, margins and remarks of a plan."""
    margins = _table("limit", "allowed", "planned", "left", title="Limits")
    for margin in plan.margins:
        margins.add_row(
            margin.limit,
            f"{margin.allowed:.3g} {margin.unit}",
            f"{margin.planned:.3g} {margin.unit}",
            f"{margin.allowed - margin.planned:.3g} {margin.unit}",
        )
    gas = Text(
        f"After the purge: oxygen fraction {plan.oxygen_fraction:.4f}, standard uncertainty "
        f"{plan.u_oxygen_fraction:.4f}. Calculated for a barometer of {plan.barometer_bar:.4f} bar."
    )
    return Group(
        FittingTable(partial(_steps, plan), _STEPS_GIVE_WAY),
        gas,
        margins,
        *(Text(remark) for remark in plan.remarks),
    )


def _steps(plan: Plan, left_out: Collection[str]) -> Table:
    table = _table(title=f"{plan.procedure} on {plan.bench}")
    shown = [title for title in _STEPS if title not in left_out]
    for title in shown:
        if title == "what":
            table.add_column(title, overflow="fold")
        else:
            table.add_column(title, justify="right", no_wrap=True)
    rows = [
        {
            "step": str(part.number) if part.po2_bar is not None else "",
            "what": part.what,
            "PO2,\nbar": "" if part.po2_bar is None else f"{part.po2_bar:.2f}",
            "to,\nbar abs": f"{part.to_bar:.3f}",
            "ramp": clock_text(part.ramp_s) if part.ramp_s else "",
            "usual\ntime": clock_text(part.duration_s),
            "longest": clock_text(part.longest_s),
            "gas, L": f"{part.gas_l:.2f}" if part.gas_l else "",
        }
        for part in plan.printed_parts
    ]
    for row in rows:
        table.add_row(*(row[title] for title in shown))
    table.add_section()
    whole = {
        "what": "all",
        "usual\ntime": clock_text(plan.duration_s),
        "longest": clock_text(plan.longest_s),
        "gas, L": f"{plan.gas_l:.2f}",
    }
    table.add_row(*(whole.get(title, "") for title in shown))
    return table


def archive_table(folder: Path, found: Mapping[Path, Sequence[str]]) -> RenderableType:
    """Return one line for every unsound record, and the count."""
    bad = {record: problems for record, problems in found.items() if problems}
    sound = len(found) - len(bad)
    end = Text(f"{folder}: {counted(len(found), 'record')}, {sound} sound, {len(bad)} not", style="bold")
    if not bad:
        return end
    table = _table("record", "what is wrong")
    for record, problems in bad.items():
        name = str(record.relative_to(folder)) if record != folder else record.name
        table.add_row(name, "\n".join(problems))
    return Group(table, end)


def faults_table(kinds: Sequence[FaultKind]) -> RenderableType:
    """Return the faults that the virtual bench knows."""
    table = _table("fault", "what breaks", "value", "target", title="Faults of the virtual bench")
    # Somebody types these names, so they are never broken.
    table.columns[0].no_wrap = True
    for kind in kinds:
        value = ""
        if kind.default_value is not None:
            value = f"{kind.default_value:g} {kind.value_unit} ({kind.lowest:g} to {kind.highest:g})"
        table.add_row(kind.name, kind.text, value, ", ".join(kind.targets))
    how = Text(
        "Write FAULT[:TARGET][=VALUE]@SECONDS[+DURATION], for example "
        "--inject supply_stuck_open@120 or --inject cell_unplugged:3@400+60"
    )
    return Group(table, how)


def shipped_table(found: Mapping[str, Sequence[str]]) -> RenderableType:
    """Return the names that come with the program."""
    table = _table("kind", "names")
    for kind, names in found.items():
        table.add_row(kind, ", ".join(names))
    return table
