"""Indication error: what a handset calibrated on this cell at one point shows, against the truth.

Both formulas are analytic (complex-step safe) and work on arrays that broadcast together.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Number = float | NDArray[np.float64]


def display_bar(output_mv: Number, calibration_mv: Number, calibration_po2_bar: Number) -> Number:
    """PO2 shown by a handset calibrated to `calibration_po2_bar` at `calibration_mv` (a line through 0)."""
    return calibration_po2_bar * output_mv / calibration_mv


def indication_error(
    po2_bar: Number, output_mv: Number, calibration_po2_bar: Number, calibration_mv: Number
) -> Number:
    """Relative indication error e = (V/V_c)(p_c/p) - 1; negative where the display reads low."""
    return display_bar(output_mv, calibration_mv, calibration_po2_bar) / po2_bar - 1.0
