"""Shares, rates and delays with exact intervals. Pure: numbers in, numbers out.

SciPy is needed for the intervals and is imported when first asked for.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

#: Intervals are two-sided and hold the true value in this share of all evaluations.
LEVEL: Final = 0.95
_RESAMPLES: Final = 2000


class EvaluationUnavailableError(RuntimeError):
    """An optional library is missing; the text names the fix."""


def ready() -> None:
    """Raises EvaluationUnavailableError where a library is missing; loads nothing."""
    for module, name in (("scipy", "SciPy"), ("plotly", "Plotly")):
        if importlib.util.find_spec(module) is None:
            raise EvaluationUnavailableError(
                f"evaluate needs {name}, which is not installed: pip install 'tidewarden[evaluate]'"
            )


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with the ends of its interval; None where nothing was counted."""

    value: float | None
    low: float | None
    high: float | None


UNKNOWN: Final = Estimate(None, None, None)


def share(hits: int, of: int, level: float = LEVEL) -> Estimate:
    """hits / of with the interval of Clopper and Pearson (Biometrika 1934;26:404).

    Its ends are quantiles of beta distributions. Nothing counted: unknown. ValueError for counts
    that cannot be.
    """
    if not 0 <= hits <= of:
        raise ValueError(f"hits must lie between 0 and {of}, not {hits}")
    if of == 0:
        return UNKNOWN
    from scipy.special import betaincinv  # noqa: PLC0415 (optional)

    tail = (1.0 - level) / 2.0
    low = 0.0 if hits == 0 else float(betaincinv(hits, of - hits + 1, tail))
    high = 1.0 if hits == of else float(betaincinv(hits + 1, of - hits, 1.0 - tail))
    return Estimate(hits / of, low, high)


def rate(count: int, hours: float, level: float = LEVEL) -> Estimate:
    """count / hours with the exact Poisson interval (Garwood, Biometrika 1936;28:437).

    Its ends are quantiles of gamma distributions. No time: unknown. ValueError for what cannot be.
    """
    if count < 0 or not hours >= 0.0:
        raise ValueError(f"count and hours must not be below zero, not {count} in {hours} h")
    if hours == 0.0:
        return UNKNOWN
    from scipy.special import gammaincinv  # noqa: PLC0415 (optional)

    tail = (1.0 - level) / 2.0
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    high = float(gammaincinv(count + 1, 1.0 - tail))
    return Estimate(count / hours, low / hours, high / hours)


def predictive_value(sensitivity: float, specificity: float, prevalence: float) -> float:
    """PPV = se p / (se p + (1 - sp)(1 - p)) (Bayes)."""
    right = sensitivity * prevalence
    wrong = (1.0 - specificity) * (1.0 - prevalence)
    if right + wrong == 0.0:
        raise ValueError("nothing would ever be said: no predictive value")
    return right / (right + wrong)


def quantile(values: Sequence[float], part: float) -> float | None:
    """The value under which `part` of the values lie (the nearest rank); None without values."""
    if not 0.0 < part <= 1.0:
        raise ValueError(f"part must lie over 0 and not over 1, not {part}")
    if not values:
        return None
    ordered = sorted(values)
    return ordered[math.ceil(part * len(ordered)) - 1]


def median_interval(values: Sequence[float], level: float = LEVEL) -> Estimate:
    """The median, between order statistics that hold it at `level` whatever the distribution.

    The ranks are those of the sign test: binomial with 1/2. With fewer than six values no two
    values hold it at 95 %, and the ends are None.
    """
    middle = quantile(values, 0.5)
    if middle is None:
        return UNKNOWN
    ordered, n = sorted(values), len(values)
    from scipy.stats import binom  # noqa: PLC0415 (optional)

    # The largest number of values that may be left out at each end.
    rank = int(binom.ppf((1.0 - level) / 2.0, n, 0.5))
    if rank == 0:
        return Estimate(middle, None, None)
    return Estimate(middle, ordered[rank - 1], ordered[n - rank])


def ratio_of_rates(ours: Sequence[int], theirs: Sequence[int], seed: int) -> Estimate:
    """The ratio of two counts made on the same cases, with an interval by bootstrap over cases.

    Percentile bootstrap (Efron & Tibshirani 1993, chapter 13). Unknown where theirs are none.
    """
    if len(ours) != len(theirs):
        raise ValueError(f"counts of {len(ours)} and {len(theirs)} cases are not paired")
    if sum(theirs) == 0:
        return UNKNOWN
    import numpy as np  # noqa: PLC0415 (comes with SciPy)

    a, b = np.asarray(ours, float), np.asarray(theirs, float)
    weights = np.random.default_rng(seed).multinomial(
        len(a), np.full(len(a), 1.0 / len(a)), _RESAMPLES
    )
    below = weights @ b
    drawn = (weights @ a)[below > 0.0] / below[below > 0.0]
    tail = (1.0 - LEVEL) / 2.0
    low, high = np.quantile(drawn, (tail, 1.0 - tail))
    return Estimate(float(a.sum() / b.sum()), float(low), float(high))
