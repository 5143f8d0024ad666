"""How a value has changed over minutes: a robust line through means of short stretches.

Theil-Sen (Sen 1968, J Am Stat Assoc 63:1379): the median of the slopes between all pairs, so one
stretch in three may be wrong altogether.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from itertools import combinations
from statistics import median
from typing import Final

#: A line needs so many stretches over so long.
LEAST_STRETCHES: Final = 6
LEAST_MS: Final = 60_000
_MS_PER_MIN: Final = 60_000.0


@dataclass(slots=True)
class Stretch:
    """Values of one stretch of time: its number, their sum, and how many."""

    number: int
    total: float
    count: int


@dataclass(slots=True)
class SlowTrend:
    """Values of the last `window_ms`, kept as stretches of `stretch_ms`; times are received time.

    `slope_per_min` is over the stretches that are complete; None while they are too few.
    """

    window_ms: int = 300_000
    stretch_ms: int = 10_000
    stretches: deque[Stretch] = field(default_factory=deque)
    slope_per_min: float | None = None

    def add(self, at_ms: int, value: float) -> None:
        """Take one value; times that go back are taken into the newest stretch."""
        number = at_ms // self.stretch_ms
        if self.stretches and number <= self.stretches[-1].number:
            newest = self.stretches[-1]
            newest.total, newest.count = newest.total + value, newest.count + 1
            return
        self._settle(number)
        self.stretches.append(Stretch(number, value, 1))

    def slope_at(self, now_ms: int) -> float | None:
        """The slope, as long as there are values of late."""
        newest_ms = (self.stretches[-1].number + 1) * self.stretch_ms if self.stretches else 0
        return self.slope_per_min if now_ms - newest_ms <= LEAST_MS else None

    def clear(self) -> None:
        """Forget all."""
        self.stretches.clear()
        self.slope_per_min = None

    def _settle(self, number: int) -> None:
        """The newest stretch is complete: work the slope out, once for all askers."""
        oldest = number - self.window_ms // self.stretch_ms
        while self.stretches and self.stretches[0].number < oldest:
            self.stretches.popleft()
        points = [(s.number * self.stretch_ms, s.total / s.count) for s in self.stretches]
        long_enough = len(points) >= LEAST_STRETCHES and points[-1][0] - points[0][0] >= LEAST_MS
        self.slope_per_min = _theil_sen(points) * _MS_PER_MIN if long_enough else None


def _theil_sen(points: list[tuple[int, float]]) -> float:
    return median((y2 - y1) / (t2 - t1) for (t1, y1), (t2, y2) in combinations(points, 2))
