"""What is asked of one run; frozen and passed on as a whole."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from grading.record.format import FileText
from grading.results import CellInfo
from rig.setup.procedure import ProcedureFile


@dataclass(frozen=True, slots=True)
class RunRequest:
    """One run, as asked for; its bench is opened separately.

    Attributes:
        procedure: checked; the session holds it to the limits of the bench.
        cells: with their sockets.
        limits: text of the limits file, frozen into the record.
        out: folder that the record's folder is made in.
        operator: name for the record.
        purpose: free text for the record.
        clear: codes of what the last run left that are cleared beforehand; None on a virtual bench where
            this is not practised: the last run is then ignored.
        aired: whether the pot was aired just before, so that nobody is asked to.
    """

    procedure: ProcedureFile
    cells: tuple[CellInfo, ...]
    limits: FileText
    out: Path
    operator: str
    purpose: str = ""
    clear: tuple[str, ...] | None = None
    aired: bool = False

    @property
    def sockets(self) -> tuple[int, ...]:
        """Socket numbers of the cells, in the order of the cells."""
        return tuple(cell.socket for cell in self.cells if cell.socket is not None)
