"""How fast the gauge falls, for devices that send no current."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final

_MS_PER_MIN: Final = 60_000.0
#: Marks lie at least so far apart, so that the time between two reports matters little.
MARK_EVERY_MS: Final = 60_000
KEPT_MARKS: Final = 13
#: A fall is known from at least this long and this many percent.
LEAST_MS: Final = 5 * 60_000
LEAST_POINTS: Final = 2.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment at which the charge was known: received time, Ah drawn until then, percent."""

    at_ms: int
    moved_ah: float
    points: float


@dataclass(slots=True)
class Fall:
    """Moments at which the gauge moved, and how many percent it had then fallen in all."""

    fallen: float = 0.0
    marks: list[tuple[int, float]] = field(default_factory=list)

    def add(self, at_ms: int, fallen_by: float) -> None:
        """The gauge moved down by `fallen_by` percent (up is negative)."""
        self.fallen += fallen_by
        if not self.marks or at_ms - self.marks[-1][0] >= MARK_EVERY_MS:
            self.marks.append((at_ms, self.fallen))
        if len(self.marks) > KEPT_MARKS:
            del self.marks[0]

    def points_per_minute(self) -> float | None:
        """The usual fall; the median between marks, so one leap of the gauge does not count."""
        if len(self.marks) < 3:
            return None
        (first_ms, first), (last_ms, last) = self.marks[0], self.marks[-1]
        if last_ms - first_ms < LEAST_MS or last - first < LEAST_POINTS:
            return None
        usual = median(
            (b - a) * _MS_PER_MIN / (b_ms - a_ms) for (a_ms, a), (b_ms, b) in pairwise(self.marks)
        )
        return usual if usual > 0.0 else None

    def error_share(self, step: float) -> float:
        """How far the usual fall may be out (95 %, one side): a step of the gauge over the span."""
        if len(self.marks) < 2:
            return 1.0
        span = self.marks[-1][1] - self.marks[0][1]
        return min(1.0, 0.05 + step / span) if span > 0.0 else 1.0
