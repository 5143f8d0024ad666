"""What is usual for this patient at these settings, learnt while settings stand still.

A change that the team made is not a change of the patient: any change of settings, patient or
place starts the learning again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median
from typing import Final

#: Breaths passed over after a change, then breaths that must agree before they are the baseline.
SETTLING_BREATHS: Final = 1
LEARNING_BREATHS: Final = 5
#: They agree when their median deviation is at most this share of the median of the guide value.
MAX_SPREAD: Final = 0.06


@dataclass(slots=True)
class Baseline:
    """Learns the medians of named values from breaths that agree on the value named `guide`."""

    guide: str
    passed: int = 0
    recent: deque[dict[str, float]] = field(default_factory=deque)
    learnt: dict[str, float] = field(default_factory=dict)

    def reset(self) -> None:
        """Forget; the next stable stretch is the new baseline."""
        self.passed = 0
        self.recent.clear()
        self.learnt.clear()

    def add(self, values: Mapping[str, float | None]) -> None:
        """Take one breath's values; ignored once the baseline is learnt."""
        if self.learnt or values.get(self.guide) is None:
            return
        if self.passed < SETTLING_BREATHS:
            self.passed += 1
            return
        self.recent.append({name: value for name, value in values.items() if value is not None})
        if len(self.recent) > LEARNING_BREATHS:
            self.recent.popleft()
        if len(self.recent) == LEARNING_BREATHS and self._agree():
            self.learnt = self._medians()
            self.recent.clear()

    def _agree(self) -> bool:
        guides = [values[self.guide] for values in self.recent]
        middle = median(guides)
        return median(abs(value - middle) for value in guides) <= MAX_SPREAD * abs(middle)

    def _medians(self) -> dict[str, float]:
        names = set.intersection(*(set(values) for values in self.recent))
        return {name: median(values[name] for values in self.recent) for name in sorted(names)}
