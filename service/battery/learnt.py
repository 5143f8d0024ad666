"""What the battery holds: learnt from the charge drawn while the gauge fell."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

#: Nothing is learnt from less than so many percent; from so many more the learnt value has half
#: of the weight against the stated one.
LEAST_POINTS: Final = 5.0
HALF_WEIGHT_POINTS: Final = 10.0
#: The age is known from so many percent on.
AGE_KNOWN_POINTS: Final = 20.0
#: Beyond so many percent the older half is forgotten: batteries age.
KEPT_POINTS: Final = 300.0
#: A gauge that falls so much faster than the stated capacity explains follows the real one.
FOLLOWS_SHARE: Final = 0.95
_FULL: Final = 100.0


@dataclass(slots=True)
class Learnt:
    """Charge in Ah drawn while the gauge fell by `points` percent, without its leaps."""

    drawn_ah: float = 0.0
    points: float = 0.0

    def add(self, drawn_ah: float, points: float) -> None:
        """The gauge fell by `points` while `drawn_ah` was drawn."""
        self.drawn_ah = max(0.0, self.drawn_ah + drawn_ah)
        self.points = max(0.0, self.points + points)
        if self.points > KEPT_POINTS:
            self.drawn_ah /= 2.0
            self.points /= 2.0

    def capacity_ah(self, stated_ah: float | None) -> float | None:
        """Charge in Ah for 100 % of the gauge; never more than the device states."""
        seen = self._seen_ah()
        if seen is None or stated_ah is None:
            return stated_ah if seen is None else seen
        return min(stated_ah, seen + self.unlearnt() * (stated_ah - seen))

    def unlearnt(self) -> float:
        """Weight of what is stated against what was seen, from 1 to nearly 0."""
        if self._seen_ah() is None:
            return 1.0
        return HALF_WEIGHT_POINTS / (self.points + HALF_WEIGHT_POINTS)

    def age_known(self, stated_ah: float | None) -> bool:
        """Whether the gauge is seen to follow a capacity under the stated one."""
        seen = self._seen_ah()
        if seen is None or stated_ah is None or self.points < AGE_KNOWN_POINTS:
            return False
        return seen <= FOLLOWS_SHARE * stated_ah

    def _seen_ah(self) -> float | None:
        if self.points < LEAST_POINTS or self.drawn_ah <= 0.0:
            return None
        return _FULL * self.drawn_ah / self.points
