"""Where an inflation begins: the change from rest to a rising line that fits the samples best.

A threshold finds a shallow ramp late, the later the lower its slope. So once the inflation is
over, the samples around the threshold are split at every place into a level part and a straight
rise, and the split with the smallest squared error is the onset.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate

Sample = tuple[float, float]


def onset_s(before: Sequence[Sample], after: Sequence[Sample]) -> float:
    """Time of the last resting sample (s).

    `before` are (time s, pressure) up to the threshold's onset, `after` the first part of the
    rise. With too few samples it is the last one of `before`.
    """
    samples = [*before, *after]
    if len(before) < 3 or len(after) < 4:
        return samples[max(0, len(before) - 1)][0]
    t0 = samples[0][0]
    times = [t - t0 for t, _ in samples]
    values = [p for _, p in samples]
    sums = _Sums(times, values)
    last_split = len(before) + 2
    splits = range(2, min(last_split, len(samples) - 3) + 1)
    best = min(splits, key=lambda split: sums.level_error(0, split) + sums.line_error(split))
    return samples[best - 1][0]


class _Sums:
    """Running sums, so that the squared error of any stretch costs the same."""

    def __init__(self, times: Sequence[float], values: Sequence[float]) -> None:
        self.size = len(times)
        self.t = [0.0, *accumulate(times)]
        self.p = [0.0, *accumulate(values)]
        self.tt = [0.0, *accumulate(t * t for t in times)]
        self.pp = [0.0, *accumulate(p * p for p in values)]
        self.tp = [0.0, *accumulate(t * p for t, p in zip(times, values, strict=True))]

    def level_error(self, first: int, end: int) -> float:
        """Squared error of the samples from `first` up to `end` about their mean."""
        n = end - first
        total = self.p[end] - self.p[first]
        return self.pp[end] - self.pp[first] - total * total / n

    def line_error(self, first: int) -> float:
        """Squared error of the samples from `first` on about their straight line."""
        n = self.size - first
        t = self.t[self.size] - self.t[first]
        p = self.p[self.size] - self.p[first]
        spread = self.tt[self.size] - self.tt[first] - t * t / n
        joint = self.tp[self.size] - self.tp[first] - t * p / n
        return self.level_error(first, self.size) - joint * joint / spread
