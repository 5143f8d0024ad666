"""Least squares in plain Python: the straight line and the parabola through a run of samples."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

Sample = tuple[float, float]
#: An interval over this is the standard deviation of a moment anywhere within it.
SQRT_12: Final = math.sqrt(12.0)


def time_of(sample: Sample) -> float:
    """Time of a sample (s), to look for it by."""
    return sample[0]


@dataclass(slots=True)
class Curve:
    """p(t) = middle + slope (t - centre_s) + curvature ((t - centre_s)^2 - spread).

    `spread` is the mean of (t - centre_s)^2, so that a curvature leaves middle and slope as they
    are for evenly spaced samples. `scatter` is the standard deviation of one sample about the
    curve, `count` how many samples it rests on. `bow` is the curvature that fits best and
    `bow_sd` its standard error, also where it is not beyond doubt and the line is straight.
    """

    centre_s: float
    middle: float
    slope: float
    curvature: float
    spread: float
    scatter: float
    count: int
    bow: float = 0.0
    bow_sd: float = math.inf

    def at(self, t: float) -> float:
        """Value at time `t` (s)."""
        u = t - self.centre_s
        return self.middle + u * self.slope + self.curvature * (u * u - self.spread)

    def slope_at(self, t: float) -> float:
        """Slope at time `t` (s)."""
        return self.slope + 2.0 * self.curvature * (t - self.centre_s)

    def sd_at(self, t: float) -> float:
        """Standard error of the value at time `t`, from the scatter alone."""
        u = t - self.centre_s
        if self.spread <= 0.0:
            return self.scatter
        share = 1.0 + u * u / self.spread
        if self.curvature:
            # For evenly spaced samples the third orthogonal polynomial has this variance.
            share += (u * u - self.spread) ** 2 / (0.8 * self.spread * self.spread)
        return self.scatter * math.sqrt(share / self.count)

    @property
    def slope_sd(self) -> float:
        """Standard error of the slope."""
        if self.spread <= 0.0:
            return math.inf
        return self.scatter / math.sqrt(self.count * self.spread)


#: A curvature counts when it is so many times its own standard error.
CURVED: Final = 4.0


def fit(samples: Sequence[Sample], *, may_bend: bool = True) -> Curve:
    """The parabola through the samples where it bends beyond doubt, else the straight line.

    Needs two samples or more; with fewer than six it is straight.
    """
    n = len(samples)
    centre = sum([t for t, _ in samples]) / n
    middle = sum([p for _, p in samples]) / n
    s2 = s3 = s4 = t1 = t2 = q = 0.0
    for t, p in samples:
        u = t - centre
        v = p - middle
        w = u * u
        s2 += w
        s3 += u * w
        s4 += w * w
        t1 += u * v
        t2 += w * v
        q += v * v
    slope = t1 / s2 if s2 > 0.0 else 0.0
    rest = max(0.0, q - slope * t1)
    scatter = math.sqrt(rest / max(1, n - 2))
    straight = Curve(centre, middle, slope, 0.0, s2 / n, scatter, n)
    if not may_bend or n < 6 or s2 <= 0.0:
        return straight
    # Gram-Schmidt: u^2 made orthogonal to 1 and u.
    tilt = s3 / s2
    size = s4 - s2 * s2 / n - tilt * s3
    curvature = (t2 - tilt * t1) / size if size > 0.0 else 0.0
    bent_rest = max(0.0, rest - curvature * curvature * size)
    bent_scatter = math.sqrt(bent_rest / max(1, n - 3))
    bow_sd = bent_scatter / math.sqrt(size) if size > 0.0 else math.inf
    if abs(curvature) <= CURVED * max(bow_sd, 1e-9):
        straight.bow, straight.bow_sd = curvature, bow_sd
        return straight
    slope -= curvature * tilt
    return Curve(centre, middle, slope, curvature, s2 / n, bent_scatter, n, curvature, bow_sd)
