"""Values with a 90 % interval, and how intervals pass through sums, products and ratios.

Ends are 5th and 95th centiles. Two independent values are combined by recovering from each end
how far the value may lie off on that side, and adding the squares (method of variance estimates
recovery: Zou & Donner, Stat Med 2008;27:1693-1702, from memory). So a skewed interval stays skewed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from service.physiology.timing import not_negative, positive

#: 95th centile of the standard normal distribution.
Z95: Final = 1.6448536269514722


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value, and the 5th and 95th centile of what it may be, all in the unit of the name."""

    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        if not all(map(math.isfinite, (self.value, self.low, self.high))):
            raise ValueError(f"value, low and high must be finite, not {self!r}")
        if not self.low <= self.value <= self.high:
            raise ValueError(f"value must lie between low and high, not {self!r}")

    def __contains__(self, other: float) -> bool:
        return self.low <= other <= self.high

    def at_least(self, bound: float) -> Uncertain:
        """The same, but nowhere under `bound`: for what cannot be negative."""
        return Uncertain(max(bound, self.value), max(bound, self.low), max(bound, self.high))


def by_sd(value: float, sd: float) -> Uncertain:
    """A value with a normal error of standard deviation `sd`, in the same unit."""
    not_negative(sd=sd)
    return Uncertain(value, value - Z95 * sd, value + Z95 * sd)


def by_share(value: float, relative_sd: float) -> Uncertain:
    """A positive value with a log-normal error: `relative_sd` is the sd of its logarithm.

    For small errors that is the coefficient of variation (0.05 for 5 %).
    """
    positive(value=value)
    not_negative(relative_sd=relative_sd)
    factor = math.exp(Z95 * relative_sd)
    return Uncertain(value, value / factor, value * factor)


def difference(one: Uncertain, other: Uncertain) -> Uncertain:
    """`one` less `other`, which are independent."""
    value = one.value - other.value
    below = math.hypot(one.value - one.low, other.high - other.value)
    above = math.hypot(one.high - one.value, other.value - other.low)
    return Uncertain(value, value - below, value + above)


def product(one: Uncertain, other: Uncertain) -> Uncertain:
    """`one` times `other`, which are independent and not negative."""
    not_negative(one=one.value, other=other.value)
    value = one.value * other.value
    below = math.hypot(other.value * (one.value - one.low), one.value * (other.value - other.low))
    above = math.hypot(other.value * (one.high - one.value), one.value * (other.high - other.value))
    return Uncertain(value, value - below, value + above)
