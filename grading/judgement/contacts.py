"""Faults of plug and lead that a cell's settled steps show; such a cell itself cannot be judged.

The rig's own findings come from single readings. These come from the steps, so they work for a table too.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from grading import wording
from grading.judgement.quantities import LEAST_OUTPUT_MV, Quantities

VANISHED_FRACTION: Final = 0.05
"""An output below this part of what the calibration step predicts has vanished; no ceiling does that."""

CONTACT_NOISE_MV: Final = 0.5
"""Noise (rms over a hold) above this comes from a contact, when the holds before were quiet. Common practice,
no source; a sound contact leaves a hundredth of it."""

QUIET_PART: Final = 0.2
"""The holds before were quiet when their noise, in percent of the output, was below this part of it. Noise
that is proportional to the output, or constant, is there from the start and is graded like any figure."""

LEAST_PO2_BAR: Final = 0.1
"""Below this, in nitrogen, the sign of an output says nothing."""

LEAST_REVERSED_MV_PER_BAR: Final = 10.0
"""A negative output at least this large for its PO2 at every step is that of a cell, not of a floating lead;
a healthy cell gives 40 to 60. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class LeadFault:
    """Why a cell cannot be graded.

    Attributes:
        finding: the word that selects the diagnosis.
        reason: one sentence.
    """

    finding: str
    reason: str


def lead_fault(quantities: Quantities, cell: int) -> LeadFault | None:
    """Find a fault of a cell's lead in its steps; None where there is none."""
    return _reversed(quantities, cell) or _vanished(quantities, cell) or _contact_broke(quantities, cell)


def _reversed(quantities: Quantities, cell: int) -> LeadFault | None:
    """An output of a cell's size with the wrong sign, at every step."""
    po2, mv = quantities.errors.po2_bar[cell], quantities.errors.output_mv[cell]
    oxygen = np.isfinite(quantities.steps.nominal_po2_bar) & np.isfinite(mv)
    with np.errstate(invalid="ignore"):
        known = np.isfinite(mv) & (po2 > LEAST_PO2_BAR)
    if not np.any(oxygen) or np.any(mv[known] > -LEAST_REVERSED_MV_PER_BAR * po2[known]):
        return None
    return LeadFault(
        "reversed",
        f"The output is negative at every step ({wording.number(float(mv[oxygen][0]), 1)} mV at "
        f"{quantities.steps.nominal_po2_bar[oxygen][0]:.1f} bar): + and - of the cell are exchanged.",
    )


def _vanished(quantities: Quantities, cell: int) -> LeadFault | None:
    """The first oxygen step where a cell that had an output has none."""
    calibration = int(quantities.steps.calibration[cell])
    if calibration < 0:
        return None
    po2, mv = quantities.errors.po2_bar[cell], quantities.errors.output_mv[cell]
    nominal = quantities.steps.nominal_po2_bar
    with np.errstate(invalid="ignore"):
        expected = mv[calibration] / po2[calibration] * po2
        gone = np.flatnonzero(np.isfinite(nominal) & (mv < VANISHED_FRACTION * expected))
    if not gone.size:
        return None
    return LeadFault(
        "unplugged",
        f"The output vanished at {nominal[gone[0]]:.1f} bar: the cell or its lead lost contact.",
    )


def _contact_broke(quantities: Quantities, cell: int) -> LeadFault | None:
    """The first oxygen step that is noisy after quiet ones."""
    table = quantities.measurement.steps
    nominal, mv = quantities.steps.nominal_po2_bar, table.output_mv[cell]
    with np.errstate(invalid="ignore"):
        percent = np.where(mv >= LEAST_OUTPUT_MV, table.noise_percent[cell], np.nan)
    noise_mv = percent * mv / 100.0
    known = np.flatnonzero(np.isfinite(percent))
    for before, step in enumerate(known):
        earlier = known[:before]
        if not earlier.size or not np.isfinite(nominal[step]) or noise_mv[step] <= CONTACT_NOISE_MV:
            continue
        if np.max(percent[earlier]) < QUIET_PART * percent[step]:
            return LeadFault(
                "bad_contact",
                f"The output became noisy at {nominal[step]:.1f} bar "
                f"({wording.number(float(noise_mv[step]), 1)} mV rms, not more than "
                f"{wording.number(float(np.max(noise_mv[earlier])), 3)} mV before): a contact of the cell or "
                "its lead broke in mid-run.",
            )
    return None
