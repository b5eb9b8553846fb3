"""Monte Carlo trials summed up after JCGM 101 clause 7, held to its examples in `tests/outside`."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Trials:
    """Mean, standard deviation, probabilistically symmetric and shortest coverage interval of trials."""

    mean: float
    standard_uncertainty: float
    interval: tuple
    shortest: tuple


def summarise_trials(trials, coverage=0.95):
    """Sum up trials of one quantity, shape (T,)."""
    ordered = np.sort(np.asarray(trials, dtype=float))
    inside = int(np.floor(coverage * ordered.size + 0.5))
    start = (ordered.size - inside) // 2
    best = int(np.argmin(ordered[inside:] - ordered[: ordered.size - inside]))
    return Trials(
        mean=float(ordered.mean()),
        standard_uncertainty=float(ordered.std(ddof=1)),
        interval=(float(ordered[start]), float(ordered[start + inside])),
        shortest=(float(ordered[best]), float(ordered[best + inside])),
    )
