"""What a preflight says of the rig itself: who drives it now, and what its last run left to be cleared."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from rig.between_runs.clearing import left_open
from rig.between_runs.lock import RigBusy, hold_rig
from rig.between_runs.state_folder import NoStateFolder
from rig.run.checks import Check
from rig.setup.bench_file import BenchFile

_WHAT = "rig"


class RigHeld(Exception):
    """The rig cannot be held, and so its instruments must not be asked.

    Attributes:
        check: says why.
    """

    def __init__(self, check: Check) -> None:
        super().__init__(check.found)
        self.check = check


@contextmanager
def held_alone(bench: BenchFile, records: Path) -> Iterator[tuple[Check, ...]]:
    """Hold the rig while inside, and yield what its last run left; a virtual bench has neither.

    Args:
        bench: a checked bench file.
        records: folder in which records are looked for as well.

    Raises:
        RigHeld: another program drives the rig, or that cannot be excluded.
    """
    if bench.virtual is not None:
        yield ()
        return
    cautions: list[Check] = []
    with ExitStack() as held:
        try:
            memories = held.enter_context(
                hold_rig(bench, lambda text: cautions.append(Check("state folder", "caution", text)))
            )
        except RigBusy as busy:
            to_do = "leave the rig alone and wait for the end of that program; no instrument was asked"
            raise RigHeld(Check(_WHAT, "fail", str(busy), to_do)) from None
        except NoStateFolder as none:
            raise RigHeld(Check(_WHAT, "fail", str(none), "no instrument was asked")) from None
        yield (*cautions, *_left(bench, records, memories))


def _left(bench: BenchFile, records: Path, memories: tuple[Path, ...]) -> Iterator[Check]:
    latched, changed = left_open(bench, records, memories)
    for code, what in latched:
        to_do = f"find out why; the next run starts once {code} is typed, or given by --clear {code}"
        yield Check("last run", "fail", what, to_do)
    for code, what in changed:
        to_do = f"the next run asks whether each is intended, or takes --clear {code}"
        yield Check("limits", "caution", what, to_do)
    if not latched:
        yield Check("last run", "ok", "nothing to clear")
