"""Where a signal was not there: what was not watched cannot be said not to have happened."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

#: Samples come in steps: only more than this missing (s) is a hole.
HOLE_S: Final = 0.5
#: Holes are kept for longer than any time that is asked after (s).
KEPT_S: Final = 300.0
#: Before anything was received; a number, so that it can be written down.
LONG_AGO_S: Final = -1e12


@dataclass(slots=True)
class Holes:
    """Holes in one signal, oldest first: from when to when, in device time (s).

    The last one is always kept: since its end the signal has come without a hole. What was before
    the first block, or before the device's clock was set back, is a hole that ends with it.
    """

    found: deque[tuple[float, float]] = field(default_factory=deque)

    def take(
        self, before_s: float | None, start_s: float, end_s: float, samples: Sequence[float | None]
    ) -> None:
        """Note what is missing up to the end of a block; `before_s` is the end of the last one."""
        if before_s is None or before_s > start_s + HOLE_S:
            self.found.clear()
            self.found.append((LONG_AGO_S, start_s))
        elif start_s - before_s > HOLE_S:
            self.found.append((before_s, start_s))
        if all(value is None for value in samples):
            self._lengthen(start_s, end_s)
        while len(self.found) > 1 and self.found[0][1] < end_s - KEPT_S:
            self.found.popleft()

    def _lengthen(self, start_s: float, end_s: float) -> None:
        """A sensor that is off is one hole, however many blocks it takes."""
        if self.found[-1][1] >= start_s - HOLE_S and self.found[-1][1] <= start_s:
            start_s = self.found.pop()[0]
        self.found.append((start_s, end_s))

    def unbroken_for_s(self, now_s: float) -> float:
        """For how long it has come without a hole; 0 while nothing has come."""
        return max(0.0, now_s - self.found[-1][1]) if self.found else 0.0

    def stretches_s(self, since_s: float, now_s: float) -> list[float]:
        """How long it was there in one go, each time between `since_s` and `now_s`."""
        inside = [hole for hole in self.found if hole[1] > since_s and hole[0] < now_s]
        edges = [(since_s, since_s), *inside, (now_s, now_s)]
        return [max(0.0, after[0] - before[1]) for before, after in pairwise(edges)]

    def watched_s(self, since_s: float, now_s: float) -> float:
        """How much of the time from `since_s` to `now_s` it was there."""
        return sum(self.stretches_s(since_s, now_s))
