"""A chest pushed together from outside, or by a cough."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Push:
    """A half sine of pressure on the chest. Times in ms on the simulation's own clock."""

    start_ms: int
    lasts_ms: int
    cmh2o: float

    def at(self, now_ms: int) -> float:
        """Pressure on the chest at `now_ms`, in cmH2O."""
        phase = (now_ms - self.start_ms) / self.lasts_ms
        return self.cmh2o * math.sin(math.pi * phase) if 0.0 < phase < 1.0 else 0.0
