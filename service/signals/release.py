"""When an inflation ended: its release carried back to the ramp, or the steep fall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from service.signals.lines import SQRT_12, Curve, Sample
from service.signals.ramp_line import OFF_SCATTERS, OFF_SHARE
from service.signals.shape import highest

#: Falling samples above this share tell how fast the release is.
TELLING_SHARE: Final = 0.06
#: How fast it is, is read down to this share.
LOWER_SHARE: Final = 0.6
#: An inflation that is no ramp ends where pressure falls by this share of its height a second,
#: seen over this time.
STEEP_PER_S: Final = 2.0
STEEP_OVER_S: Final = 0.02
#: A squeezed bag lets go slowly: this long, or this share of the inflation, from 90 to 50 %.
SLOW_FALL_S: Final = 0.04
SLOW_FALL_SHARE: Final = 0.12
#: A release of which one sample takes such a part (in time constants) shows in a few samples only.
COARSE: Final = 0.8


def last_over(rise: Sequence[Sample], released: int, level: float) -> int:
    at = min(released, len(rise) - 1)
    while at > 0 and rise[at][1] < level:
        at -= 1
    return at


def end_of(
    rise: Sequence[Sample], last: int, curve: Curve, rest: float, height: float
) -> tuple[float, float]:
    """When the ramp ended and its standard error: the release carried back to the ramp."""
    if last + 1 >= len(rise):
        return rise[last][0], 0.0
    (t0, _), (t1, p1) = rise[last], rise[last + 1]
    dt = t1 - t0
    # Where nothing tells more it was half-way between the two.
    half_way = t0 + dt / 2.0, dt / SQRT_12
    left, top = p1 - rest, curve.at(t1) - rest
    telling = max(TELLING_SHARE * height, 3.0 * curve.scatter)
    if left <= telling or left >= top:
        return half_way
    lower = last + 2
    while lower < len(rise) and rise[lower][1] - rest > LOWER_SHARE * left:
        lower += 1
    if lower >= len(rise):
        return half_way
    t2, left2 = rise[lower][0], max(rise[lower][1] - rest, 0.5 * telling)
    if left2 >= left:
        return half_way
    per_s = math.log(left / left2) / (t2 - t1)
    back_s = math.log(top / left) / per_s
    # Noise can hide the first part of a slow fall in the ramp.
    slack = max(OFF_SCATTERS * curve.scatter, OFF_SHARE * height)
    hidden_s = -math.log(max(0.2, 1.0 - slack / height)) / per_s
    earliest_s = t0 - min(hidden_s, 0.05)
    if t1 - back_s < earliest_s and per_s * dt > COARSE:
        # The circuit empties faster than the lung behind it: the first fall was steeper.
        return half_way
    end_s = max(t1 - back_s, earliest_s)
    return min(end_s, t1), max(0.3 * dt, 2.0 * curve.scatter / height / per_s) / 2.0


def fall_time(rise: Sequence[Sample], half: int, base: float) -> float:
    """How long pressure took to fall from 90 to 50 % of its height half-way down (s)."""
    top = highest(rise, half)
    # A pause lies under the peak: what counts is how it ends.
    middle_t = (rise[top][0] + rise[half][0]) / 2.0
    at = top
    while at < half and rise[at][0] < middle_t:
        at += 1
    height = rise[at][1] - base
    at = half
    while at < len(rise) - 1 and rise[at][1] > base + 0.5 * height:
        at += 1
    end_s = _crossing(rise, at, base + 0.5 * height)
    while at > 1 and rise[at - 1][1] < base + 0.9 * height:
        at -= 1
    return max(0.0, end_s - _crossing(rise, at, base + 0.9 * height))


def _crossing(rise: Sequence[Sample], at: int, level: float) -> float:
    """When pressure fell through the level, between the sample at that index and the one before."""
    (t0, p0), (t1, p1) = rise[max(0, at - 1)], rise[at]
    if p1 >= p0 or not p1 <= level <= p0:
        return t1
    return t0 + (t1 - t0) * (p0 - level) / (p0 - p1)


def is_slow(fall_s: float, ti_s: float) -> bool:
    """Whether no valve let go, but a hand."""
    return fall_s > max(SLOW_FALL_S, SLOW_FALL_SHARE * ti_s)


def before_fall(rise: Sequence[Sample], half: int, height: float) -> int:
    """The last sample before pressure fell steeply to half of its height."""
    at = half
    while at > 0:
        back = at - 1
        while back > 0 and rise[at][0] - rise[back][0] < STEEP_OVER_S:
            back -= 1
        fell = rise[back][1] - rise[at][1]
        if fell < STEEP_PER_S * height * (rise[at][0] - rise[back][0]):
            break
        at -= 1
    return at


def steepest_fall(samples: Sequence[Sample], within_s: float) -> float:
    """By how much pressure fell within that time at most, after its peak."""
    first = highest(samples, len(samples) - 1)
    fell = 0.0
    for t, p in samples[first:]:
        while samples[first][0] < t - within_s:
            first += 1
        fell = max(fell, samples[first][1] - p)
    return fell
