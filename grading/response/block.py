"""A block of cells' steps, arranged for the response fit: steps first, cells last.

One extra datum after the K steps stands for the output without oxygen of a cell that was not measured at low
PO2: next to nothing.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from grading.measurement import FloatArray, IntArray
from grading.response.shape import log_ratio
from grading.uncertainty import StepErrors, effective_degrees_of_freedom

ZERO_PRIOR_MV: Final = 0.5
"""Standard uncertainty of a cell's output without oxygen, used only for cells that were not measured below
`ZERO_PRIOR_BELOW_BAR`. Common practice, no source: a healthy cell gives 0 to 0.3 mV."""
ZERO_PRIOR_BELOW_BAR: Final = 0.5
NOMINAL_SLACK: Final = 0.02
"""A step set to 2.0 that reached it within this part counts as a test at 2.0."""


def repeat_groups(po2_bar: FloatArray, nominal_po2_bar: FloatArray | None) -> IntArray:
    """Group the steps that repeat each other: number of each step's group, in order of PO2, (K,).

    Args:
        po2_bar: shape (N, K); NaN where a cell has no such step.
        nominal_po2_bar: shape (K,), NaN where a step has no nominal value; or None.
    """
    present = np.isfinite(po2_bar)
    count = np.maximum(present.sum(axis=0), 1)
    typical = np.where(present, po2_bar, 0.0).sum(axis=0) / count
    if nominal_po2_bar is not None:
        typical = np.where(np.isfinite(nominal_po2_bar), nominal_po2_bar, typical)
    order = np.argsort(typical, kind="stable")
    group = np.zeros(typical.size, dtype=np.int64)
    current = 0
    for before, after in itertools.pairwise(order):
        # Repeats of a step differ by a few per cent at most; neighbouring steps by more.
        if typical[after] > typical[before] * 1.03 + 0.002:
            current += 1
        group[after] = current
    return group


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard uncertainty with the Birge ratio and as stated, and effective degrees of freedom, (A,)."""

    u: FloatArray
    u_stated: FloatArray
    dof: FloatArray


class CellBlock:
    """PO2, output and their errors of B cells. R = K + 1 with the zero datum.

    Attributes:
        k, count: steps and cells.
        groups: group of repeats of each step, (K,).
        po2, mv: zero where missing, (R, B).
        present: (R, B); the zero datum is present for cells without a step at low PO2.
        top: highest PO2, (B,).
        tested_to: the nominal PO2 of that step where it lies within 2 % of it, else the same, (B,).
        log_ratio: ln(p / top), (R, B).
    """

    def __init__(
        self, errors: StepErrors, rows: slice, groups: IntArray, nominal_po2_bar: FloatArray | None
    ) -> None:
        """Arrange the cells `rows` of `errors`."""
        po2, mv = errors.po2_bar[rows].T, errors.output_mv[rows].T
        self.k, self.count = po2.shape
        self.groups = groups
        steps_present = np.isfinite(po2) & np.isfinite(mv)
        one_more = ((0, 1), (0, 0))
        self.po2 = np.pad(np.where(steps_present, po2, 0.0), one_more)
        self.mv = np.pad(np.where(steps_present, mv, 0.0), one_more)
        needs_zero = ~np.any(steps_present & (self.po2[:-1] < ZERO_PRIOR_BELOW_BAR), axis=0)
        self.present = np.concatenate([steps_present, needs_zero[None]], axis=0)
        self.top = np.maximum(self.po2.max(axis=0), 1e-3)
        self.log_ratio = log_ratio(self.po2, self.top)
        nominal_top = np.zeros(self.count)
        if nominal_po2_bar is not None:
            nominal = np.nan_to_num(nominal_po2_bar)[:, None]
            nominal_top = np.where(steps_present, nominal, 0.0).max(axis=0, initial=0.0)
        near = np.abs(nominal_top / self.top - 1.0) < NOMINAL_SLACK
        self.tested_to = np.where(near, nominal_top, self.top)
        k = self.k
        common = np.transpose(errors.common[rows], (1, 2, 0))
        independent = np.transpose(errors.independent[rows], (1, 2, 0))
        one_more_step = ((0, 0), *one_more)
        self._common_po2 = np.pad(common[:, :k], one_more_step)
        self._common_mv = np.pad(common[:, k:], one_more_step)
        self._independent_po2 = np.pad(independent[:, :k], one_more_step)
        self._independent_mv = np.pad(independent[:, k:], one_more_step)
        self._common_dof = errors.common_dof
        self._independent_dof = np.transpose(errors.independent_dof[rows], (1, 2, 0))

    @property
    def steps_present(self) -> NDArray[np.bool_]:
        """Which of the K steps each cell has, (K, B)."""
        return self.present[:-1]

    def common(self, slope: FloatArray) -> FloatArray:
        """Common errors of the output, with those of PO2 carried through the slope (R, B); (C, R, B)."""
        return np.asarray(self._common_mv - slope * self._common_po2)

    def variance(self, slope: FloatArray) -> FloatArray:
        """Independent variance of the output, with that of PO2 carried through the local slope; (R, B)."""
        variance = np.sum((self._independent_mv - slope * self._independent_po2) ** 2, axis=0)
        variance[-1] = ZERO_PRIOR_MV**2
        # A floor of one nanovolt avoids a division by zero for a table of exact numbers.
        return np.asarray(variance + 1e-12)

    def u_of(self, by_po2: FloatArray, by_mv: FloatArray, cells: IntArray, excess: FloatArray) -> FloatArray:
        """Standard uncertainty alone, of J quantities a cell, (J, A); see `spread`.

        Args:
            by_po2: sensitivity to the PO2 of every step, (J, K, A).
            by_mv: sensitivity to the output of every step, (J, K, A).
            cells: which cells, (A,).
            excess: Birge ratio, (A,).
        """
        k = self.k
        common = np.einsum("jkb,ckb->jcb", by_po2, self._common_po2[:, :k, cells])
        common += np.einsum("jkb,ckb->jcb", by_mv, self._common_mv[:, :k, cells])
        alone = np.einsum("jkb,kb->jb", by_po2**2, np.sum(self._independent_po2[:, :k, cells] ** 2, axis=0))
        alone += np.einsum("jkb,kb->jb", by_mv**2, np.sum(self._independent_mv[:, :k, cells] ** 2, axis=0))
        return np.asarray(np.sqrt(np.einsum("jcb,jcb->jb", common, common) + alone * excess**2))

    def spread(self, by_po2: FloatArray, by_mv: FloatArray, cells: IntArray, excess: FloatArray) -> Spread:
        """Uncertainty of one quantity a cell.

        Args:
            by_po2: sensitivity to the PO2 of every step, (K, A).
            by_mv: sensitivity to the output of every step, (K, A).
            cells: which cells, (A,).
            excess: Birge ratio, (A,): repeats scatter that much more than stated. Common errors do not show
                in the scatter and are not stretched.
        """
        k = self.k
        common = np.einsum("kb,ckb->cb", by_po2, self._common_po2[:, :k, cells])
        common += np.einsum("kb,ckb->cb", by_mv, self._common_mv[:, :k, cells])
        dof = self._independent_dof[..., cells]
        independent = np.concatenate(
            [by_po2 * self._independent_po2[:, :k, cells], by_mv * self._independent_mv[:, :k, cells]], axis=1
        ).reshape(-1, cells.size)
        shared = np.einsum("ib,ib->b", common, common)
        alone = np.einsum("ib,ib->b", independent, independent)
        contributions = np.concatenate([common, independent * excess])
        degrees = np.concatenate(
            [np.broadcast_to(self._common_dof[:, None], common.shape), dof.reshape(-1, cells.size)]
        )
        return Spread(
            u=np.sqrt(shared + alone * excess**2),
            u_stated=np.sqrt(shared + alone),
            dof=effective_degrees_of_freedom(contributions.T, degrees.T),
        )
