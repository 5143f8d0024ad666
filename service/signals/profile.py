"""Pressure over the baseline at shares of an inflation, whatever its form."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import Final

from service.signals.lines import Sample, time_of
from service.signals.shape import since

#: Shares of the inflation at which its profile is read, and over which share on either side.
PROFILE_AT: Final = (0.1, 0.25, 0.5, 0.75)
PROFILE_HALF: Final = 0.05


def profile(
    resting: Sequence[Sample],
    rise: Sequence[Sample],
    last: int,
    start_s: float,
    end_s: float,
    base: float,
) -> tuple[float, ...]:
    """Pressure over the baseline at shares of the inflation, whatever its form."""
    samples = [(start_s, base)]
    samples += [s for s in since(resting, start_s) if s[0] > start_s]
    samples += [s for s in rise[: last + 1] if s[0] > start_s]
    half_s = PROFILE_HALF * (end_s - start_s)
    return tuple(
        _local(samples, start_s + share * (end_s - start_s), half_s) - base for share in PROFILE_AT
    )


def _local(samples: Sequence[Sample], t: float, half_s: float) -> float:
    """Value at `t`: the line through the samples near it, or between its two neighbours."""
    first_at = max(1, bisect_left(samples, t - half_s, key=time_of))
    near = samples[first_at : bisect_right(samples, t + half_s, lo=first_at, key=time_of)]
    if len(near) >= 3:
        (first_t, first), (last_t, last) = near[0], near[-1]
        slope = (last - first) / (last_t - first_t)
        off_s = t - sum([s[0] for s in near]) / len(near)
        return sum([s[1] for s in near]) / len(near) + slope * off_s
    at = 1
    while at < len(samples) - 1 and samples[at][0] < t:
        at += 1
    if at >= len(samples):
        return samples[-1][1]
    (t0, p0), (t1, p1) = samples[at - 1], samples[at]
    return p0 + (p1 - p0) * (t - t0) / (t1 - t0) if t1 > t0 else p1
