"""What the cells of a run gave in air before, from the gradings kept in a folder of records."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from grading.document import RESULTS_NAME, read_results
from rig_configs.files.checked_toml import FileError

_MOST_RECORDS = 50
"""So many of the newest records are looked at, so that a large archive does not delay a start."""


def known_air_mv(records: Path, serials: Iterable[str], *, simulated: bool) -> dict[str, float]:
    """Return the newest output in air of each cell, in mV at the PO2 of dry air.

    Only of runs in which the cell was graded: air that was in doubt then says nothing. Gradings that cannot
    be read are skipped, and so are those of a virtual bench on a real one, and the other way round.
    """
    wanted, found = set(serials), dict[str, float]()
    if not wanted or not records.is_dir():
        return found
    folders = sorted((path.parent for path in records.glob(f"*/{RESULTS_NAME}")), reverse=True)
    for folder in folders[:_MOST_RECORDS]:
        if wanted <= found.keys():
            break
        try:
            grading = read_results(folder)
        except FileError:
            continue
        if grading.conditions.simulated is not simulated:
            continue
        for cell in grading.cells:
            serial = cell.info.cell
            value = next((one.value for one in cell.figures if one.key == "air_output_mv"), None)
            if serial in wanted and cell.grade != "ungraded" and value is not None:
                found.setdefault(serial, value)
    return found
