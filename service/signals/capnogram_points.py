"""Samples of CO2 made into points of the analysis: averaged when they come fast, noise told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: Samples are averaged to points of about this length (s); slower ones are taken as they come.
POINT_S: Final = 0.02
_SLOW_S: Final = 0.75 * POINT_S
_FULL_S: Final = 0.975 * POINT_S
#: Noise is told by second differences, of which the still parts of a breath have the smallest: a
#: quarter of them lies under 0.78 deviations (normal noise).
QUARTILE_SD: Final = 0.78
_UP: Final = 1.012
_DOWN: Final = _UP**-3
_LEAST_MMHG: Final = 0.02
#: No analyser is noisier than this; more is the breath itself, sampled slowly (our choice).
MAX_NOISE_MMHG: Final = 1.0


@dataclass(slots=True)
class Points:
    """The streaming state that turns samples into points."""

    count: int = 0
    total: float = 0.0
    first_t: float = 0.0
    # The last two points, and the quartile of second differences.
    last: float | None = None
    before: float | None = None
    quartile: float = QUARTILE_SD * MAX_NOISE_MMHG

    def forget(self) -> None:
        """Samples were lost: nothing is joined across the hole."""
        self.count = 0
        self.last = self.before = None

    def add(self, t: float, co2: float, dt: float) -> list[tuple[float, float]]:
        """Take a sample `dt` after the last one (s; 0 for the first); returns the points done."""
        if dt >= _SLOW_S:
            done = self._close(t - dt) if self.count else []
            self._note(co2)
            done.append((t, co2))
            return done
        if self.count == 0:
            self.count, self.total, self.first_t = 1, co2, t
            return []
        self.count += 1
        self.total += co2
        return self._close(t) if t - self.first_t + dt >= _FULL_S else []

    def _close(self, t: float) -> list[tuple[float, float]]:
        value = self.total / self.count
        at = 0.5 * (self.first_t + t)
        self.count = 0
        self._note(value)
        return [(at, value)]

    def _note(self, value: float) -> None:
        if self.last is not None and self.before is not None:
            bend = value - 2.0 * self.last + self.before
            if bend > self.quartile or -bend > self.quartile:
                self.quartile *= _UP
            elif self.quartile > _LEAST_MMHG:
                self.quartile *= _DOWN
        self.before, self.last = self.last, value

    @property
    def noise_mmhg(self) -> float:
        """Deviation of the noise of one point."""
        return min(MAX_NOISE_MMHG, self.quartile / QUARTILE_SD)
