"""The guarded decision rule: may a measured value, with its uncertainty, be called inside the limits?

After JCGM 106:2012 (guarded acceptance, probability of conformity). The interval is value ± U at about 95 %:

- pass: the whole interval lies inside the pass limits;
- reject: the interval reaches beyond a reject limit, so the uncertainty counts against the cell;
- watch: anything between.

Where U exceeds the distance between a pass limit and its reject limit, the rig is too coarse to separate
the two: the figure is undecidable. It can't pass, and it rejects only where the whole interval lies beyond
the reject limit. The same holds for a pressure read off a dial by a person: a figure that depends on it is
watch at best, and the dial's uncertainty alone does not reject.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from scipy.special import ndtr, stdtr

from grading.figure_kinds import LimitPair
from grading.results import FigureGrade

Why = Literal[
    "inside",
    "near a pass limit",
    "outside a pass limit",
    "may be beyond a reject limit",
    "beyond a reject limit",
    "undecidable",
    "uncertainty undetermined",
    "typed pressure",
    "typed pressure leaves doubt",
    "only a lower bound",
]
"""The case of the rule that decided; `grading.judgement.reasons` puts it into words."""

_ROUNDING: Final = 1e-9

_WORSE: Final[dict[FigureGrade, int]] = {"pass": 0, "watch": 1, "reject": 2}


@dataclass(frozen=True, slots=True)
class Decision:
    """What the rule says about one figure.

    Attributes:
        grade: pass, watch or reject.
        why: the case of the rule.
        probability_of_conformity: that the true value lies inside the pass limits, 0 to 1; None when the
            uncertainty is undetermined.
        broken_limit: the limit that the value or its interval crosses, in the figure's unit; None for a pass
            and where the rig is the reason.
    """

    grade: FigureGrade
    why: Why
    probability_of_conformity: float | None
    broken_limit: float | None = None


def decide(
    value: float,
    expanded_uncertainty: float | None,
    pass_limits: LimitPair,
    reject_limits: LimitPair,
    *,
    coverage_factor: float = 2.0,
    degrees_of_freedom: float = math.inf,
    typed_pressure: bool = False,
) -> Decision:
    """Decide one figure.

    Args:
        value: in the unit of the limits; finite.
        expanded_uncertainty: U at about 95 %, not negative; None when undetermined.
        pass_limits: lower and upper; None on a side without a limit.
        reject_limits: likewise, outside the pass limits.
        coverage_factor: k of U; U / k is the standard uncertainty.
        degrees_of_freedom: effective; the probability of conformity uses the t-distribution with them.
        typed_pressure: the figure depends on a pressure that a person read off a dial: watch at best, and
            rejected only where the value itself is beyond a reject limit, not for the dial's uncertainty.

    Raises:
        ValueError: a value that is not finite, or a negative or non-finite U.
    """
    if not math.isfinite(value):
        raise ValueError(f"a value to decide must be finite, not {value}")
    if expanded_uncertainty is None:
        return _without_uncertainty(value, pass_limits, reject_limits)
    if not (math.isfinite(expanded_uncertainty) and expanded_uncertainty >= 0.0):
        raise ValueError(
            f"an expanded uncertainty must be finite and not negative, not {expanded_uncertainty}"
        )
    low, high = value - expanded_uncertainty, value + expanded_uncertainty
    conformity = probability_of_conformity(
        value, expanded_uncertainty / coverage_factor, pass_limits, degrees_of_freedom
    )
    beyond = _beyond(value, value, reject_limits)
    reaches = _beyond(low, high, reject_limits)
    wholly = _beyond(high, low, reject_limits)
    if expanded_uncertainty > room_to_decide(pass_limits, reject_limits):
        if wholly is not None:
            return Decision("reject", "beyond a reject limit", conformity, wholly)
        return Decision("watch", "undecidable", conformity)
    if beyond is not None:
        return Decision("reject", "beyond a reject limit", conformity, beyond)
    if reaches is not None:
        if typed_pressure:
            return Decision("watch", "typed pressure leaves doubt", conformity, reaches)
        return Decision("reject", "may be beyond a reject limit", conformity, reaches)
    outside = _beyond(value, value, pass_limits)
    if outside is not None:
        return Decision("watch", "outside a pass limit", conformity, outside)
    near = _beyond(low, high, pass_limits)
    if near is not None:
        return Decision("watch", "near a pass limit", conformity, near)
    if typed_pressure:
        return Decision("watch", "typed pressure", conformity)
    return Decision("pass", "inside", conformity)


def decide_lower_bound(
    at_least: float,
    pass_limits: LimitPair,
    reject_limits: LimitPair,
    *,
    tested_to: float,
    typed_pressure: bool = False,
) -> Decision | None:
    """Decide a figure of which only a lower bound is known, such as "linear up to at least 2.0 bar".

    Args:
        at_least: the bound at about 95 %.
        pass_limits: lower and upper; an upper one can't be shown to hold.
        reject_limits: likewise.
        tested_to: how far the test went, same unit. A bound that reaches it is the most a test can show.
        typed_pressure: as for `decide`.

    Returns:
        None where the test did not go far enough to say more: the figure then has no grade.
    """
    lower, upper = pass_limits
    if upper is None and (lower is None or at_least >= lower - _ROUNDING):
        if typed_pressure:
            return Decision("watch", "typed pressure", None)
        return Decision("pass", "inside", None)
    below_reject = reject_limits[0] is not None and at_least < reject_limits[0]
    if at_least >= tested_to - _ROUNDING and not below_reject:
        return None
    return Decision("watch", "only a lower bound", None)


def room_to_decide(pass_limits: LimitPair, reject_limits: LimitPair) -> float:
    """Return the smallest distance between a pass limit and its reject limit; infinite without a pair."""
    rooms = [
        abs(outer - inner)
        for inner, outer in zip(pass_limits, reject_limits, strict=True)
        if inner is not None and outer is not None
    ]
    return min(rooms, default=math.inf)


def probability_of_conformity(
    value: float, standard_uncertainty: float, limits: LimitPair, degrees_of_freedom: float = math.inf
) -> float:
    """Probability that the true value lies inside `limits` (JCGM 106:2012, 7).

    The value is taken as the centre of a normal distribution, or of a scaled and shifted t-distribution for
    finite degrees of freedom (JCGM 101:2008, 6.4.9).
    """
    lower, upper = limits
    if standard_uncertainty == 0.0:
        return 1.0 if _beyond(value, value, limits) is None else 0.0

    def below(limit: float) -> float:
        z = (limit - value) / standard_uncertainty
        return float(ndtr(z) if math.isinf(degrees_of_freedom) else stdtr(degrees_of_freedom, z))

    # Adding the two tails keeps a small probability of nonconformity exact where 1 - p would lose it.
    outside = 0.0
    if upper is not None:
        # The distributions are symmetric, so the upper tail is the lower tail of the mirrored limit.
        outside += below(2.0 * value - upper)
    if lower is not None:
        outside += below(lower)
    return min(1.0, max(0.0, 1.0 - outside))


def worst(*grades: FigureGrade) -> FigureGrade:
    """Return the worst of some figure grades; pass for none at all."""
    return max(grades, key=_WORSE.__getitem__, default="pass")


def _without_uncertainty(value: float, pass_limits: LimitPair, reject_limits: LimitPair) -> Decision:
    """Decide where U is undetermined: reject a value beyond a reject limit, pass nothing."""
    beyond = _beyond(value, value, reject_limits)
    if beyond is not None:
        return Decision("reject", "beyond a reject limit", None, beyond)
    outside = _beyond(value, value, pass_limits)
    if outside is not None:
        return Decision("watch", "outside a pass limit", None, outside)
    return Decision("watch", "uncertainty undetermined", None)


def _beyond(low: float, high: float, limits: LimitPair) -> float | None:
    """Return the limit that `low` undercuts or `high` exceeds, or None. On the limit is inside."""
    lower, upper = limits
    if lower is not None and low < lower:
        return lower
    if upper is not None and high > upper:
        return upper
    return None
