"""The pressure of the gas supply against what is usual at this place."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import median
from typing import Final

#: Usual is the median of so many readings over so long that agree within this share.
LEARNING_READINGS: Final = 12
LEARNING_MS: Final = 30_000
MAX_SPREAD: Final = 0.1
#: One reading is kept in so long.
BETWEEN_MS: Final = 1_000


@dataclass(slots=True)
class SupplyPressure:
    """Learns the usual pressure (kPa) from the first readings that agree; more renews it."""

    usual_kpa: float | None = None
    recent: deque[tuple[int, float]] = field(default_factory=deque)

    def take(self, received_ms: int, pressure_kpa: float) -> None:
        """Take one reading."""
        if self.recent and received_ms - self.recent[-1][0] < BETWEEN_MS:
            return
        self.recent.append((received_ms, pressure_kpa))
        while len(self.recent) > LEARNING_READINGS and (
            self.recent[-1][0] - self.recent[1][0] >= LEARNING_MS
        ):
            self.recent.popleft()
        values = [value for _, value in self.recent]
        lasts_ms = self.recent[-1][0] - self.recent[0][0]
        if len(values) < LEARNING_READINGS or lasts_ms < LEARNING_MS:
            return
        middle = median(values)
        agree = max(values) - min(values) <= MAX_SPREAD * middle
        # A new cylinder stands higher than the old one did; a failing one only ever lower.
        if agree and (self.usual_kpa is None or middle > self.usual_kpa):
            self.usual_kpa = middle
