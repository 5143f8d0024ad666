"""Extremes over the last seconds of a signal, kept in half-second buckets.

Buckets are fixed in time, so what a window says does not depend on how samples were cut into
blocks; a window is right to within one bucket.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

BUCKETS_PER_S: Final = 2


@dataclass(slots=True)
class Bucket:
    """Highest and lowest value from `number` / 2 s on, for half a second."""

    number: int
    highest: float
    lowest: float


@dataclass(slots=True)
class Extremes:
    """Highest and lowest values of the last `keep_s` seconds."""

    keep_s: float = 10.0
    buckets: deque[Bucket] = field(default_factory=deque)

    def add(self, t: float, value: float) -> None:
        """Take one sample at time `t` (s)."""
        number = int(t * BUCKETS_PER_S)
        if self.buckets and self.buckets[-1].number == number:
            last = self.buckets[-1]
            if value > last.highest:
                last.highest = value
            elif value < last.lowest:
                last.lowest = value
            return
        self.buckets.append(Bucket(number, value, value))
        oldest = number - int(self.keep_s * BUCKETS_PER_S)
        while self.buckets[0].number < oldest:
            self.buckets.popleft()

    def take(self, samples: Iterable[tuple[float, float | None]]) -> None:
        """Take many (time s, value or None) in order of time; what is None is left out."""
        number, last = None, None
        for t, value in samples:
            if value is None:
                continue
            # Nearly every sample falls where the last one did: nothing is called for it.
            if int(t * BUCKETS_PER_S) != number or last is None:
                self.add(t, value)
                last = self.buckets[-1]
                number = last.number
            elif value > last.highest:
                last.highest = value
            elif value < last.lowest:
                last.lowest = value

    def coverage(self, now_s: float, seconds: float) -> float:
        """Share of the last `seconds` in which there was a sample, to within one bucket."""
        last = int(now_s * BUCKETS_PER_S)
        first = int((now_s - seconds) * BUCKETS_PER_S) + 1
        held = sum(1 for bucket in self.buckets if first <= bucket.number <= last)
        # The bucket of now may still be on its way.
        return min(1.0, held / max(1, last - first))

    def over(self, now_s: float, seconds: float) -> tuple[float, float] | None:
        """Lowest and highest since `now_s` - `seconds`; None when no sample falls there."""
        first = int((now_s - seconds) * BUCKETS_PER_S) + 1
        lowest, highest = math.inf, -math.inf
        for bucket in self.buckets:
            # Asked several times at every look: a call here would cost as much as the rest.
            if bucket.number >= first:
                if bucket.lowest < lowest:  # noqa: PLR1730
                    lowest = bucket.lowest
                if bucket.highest > highest:  # noqa: PLR1730
                    highest = bucket.highest
        return None if highest < lowest else (lowest, highest)
