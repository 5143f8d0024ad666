"""What is drawn from the battery: a steady mean that follows a change of load, and coulombs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from service.physiology.uncertain import Z95

#: The quick mean shows a change of load, the slow one is steady between changes (s).
QUICK_S: Final = 60.0
SLOW_S: Final = 1800.0
#: The load has changed when the two differ by more than this share and by more than scatter, for
#: so long: a burst of half a minute is no change.
CHANGED_SHARE: Final = 0.15
CHANGED_SIGMAS: Final = 3.0
CHANGED_S: Final = 120.0
#: A current that was not sent for longer is not known.
CURRENT_FRESH_S: Final = 120.0
#: Scatter has to be seen over so many readings before a change can be told from it.
ENOUGH_READINGS: Final = 6
#: The share that a current sensor may be wrong by.
SENSOR_SHARE: Final = 0.02
#: The first readings may be those of a start.
EARLY_SHARE: Final = 0.10
_MS_PER_S: Final = 1000.0
_S_PER_H: Final = 3600.0


@dataclass(slots=True)
class Draw:
    """Means of the current in A, its variance in A^2, and all that was drawn so far in Ah."""

    quick_a: float = 0.0
    slow_a: float = 0.0
    variance: float = 0.0
    readings: int = 0
    known_ms: int = 0
    spacing_s: float = 0.0
    apart_s: float = 0.0
    moved_ah: float = 0.0

    def restart(self) -> None:
        """Begin to average anew; what was usually drawn stays until the next reading."""
        self.readings = 0
        self.variance = self.apart_s = 0.0

    def add(self, at_ms: int, elapsed_s: float, current_a: float | None) -> None:
        """Take the current of one report, `elapsed_s` after the report before it.

        Between readings, and where one is missing, the usual current is taken to flow.
        """
        usual_a = self.slow_a or current_a or 0.0
        counted_a = usual_a
        if current_a is not None:
            self._average(current_a, elapsed_s)
            self.known_ms, self.spacing_s = at_ms, elapsed_s
            counted_a = current_a if elapsed_s <= QUICK_S else (usual_a + current_a) / 2.0
        self.moved_ah += counted_a * elapsed_s / _S_PER_H

    def known(self, at_ms: int) -> bool:
        """Whether current is being sent."""
        return self.readings > 0 and at_ms - self.known_ms <= CURRENT_FRESH_S * _MS_PER_S

    def error_share(self) -> float:
        """How far the mean may be below the true draw (95 %, one side), as a share of it."""
        if self.slow_a <= 0.0 or self.readings < ENOUGH_READINGS:
            return EARLY_SHARE
        return SENSOR_SHARE + Z95 * self._error(SLOW_S) / self.slow_a

    def _average(self, current_a: float, elapsed_s: float) -> None:
        if self.readings == 0:
            self.quick_a = self.slow_a = current_a
        quick, slow = self._weight(QUICK_S, elapsed_s), self._weight(SLOW_S, elapsed_s)
        self.variance += slow * ((current_a - self.quick_a) ** 2 - self.variance)
        self.quick_a += quick * (current_a - self.quick_a)
        self.slow_a += slow * (current_a - self.slow_a)
        self.readings += 1
        scatter = CHANGED_SIGMAS * self._error(QUICK_S)
        apart = abs(self.quick_a - self.slow_a) > max(CHANGED_SHARE * self.slow_a, scatter)
        self.apart_s = self.apart_s + elapsed_s if apart else 0.0
        if self.apart_s >= CHANGED_S:
            self.slow_a = self.quick_a
            self.apart_s = 0.0
            self.readings = ENOUGH_READINGS

    def _weight(self, over_s: float, elapsed_s: float) -> float:
        return max(elapsed_s / (over_s + elapsed_s), 1.0 / (self.readings + 1))

    def _error(self, over_s: float) -> float:
        weight = self._weight(over_s, self.spacing_s)
        return math.sqrt(self.variance * weight / (2.0 - weight))
