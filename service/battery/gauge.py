"""The charge gauge: how finely it reads, where it was last sure, and when it cannot be right.

Between two readings that differ the charge is carried on by what was drawn (dead reckoning). A
gauge that falls more than that is believed at once; one that reads more is held to be wrong by
the difference until the battery has been on mains: the error that harms is to believe too much.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from service.battery.slope import Fall, Mark

#: How far a gauge may differ from what was counted before it is called irregular: so many points
#: (percent of charge) and a step, and a share of what was counted since it last moved.
TOLERANCE_POINTS: Final = 3.0
TOLERANCE_SHARE: Final = 0.15
#: A gauge that stands still for so long is doubtful even where nothing can be counted.
STANDS_STILL_MS: Final = 30 * 60_000
#: A reading older than this is none.
READING_FRESH_MS: Final = 120_000
#: A jump is spoken of for so long.
JUMP_SPOKEN_MS: Final = 10 * 60_000
COARSEST_STEP: Final = 25.0
_MS_PER_MIN: Final = 60_000.0


@dataclass(slots=True)
class Gauge:
    """The gauge since the battery was plugged out. Points are percent of charge.

    `shown` is the newest reading; `anchor` the charge where it was last known best, `at_edge`
    when the reading changed there; `base` where counting without the gauge began; `excess` how
    many points the gauge is held to read too much; `step` its resolution.
    """

    shown: float | None = None
    shown_ms: int = 0
    step: float = 1.0
    least_change: float = COARSEST_STEP
    changes: int = 0
    excess: float = 0.0
    anchor: Mark | None = None
    at_edge: bool = False
    base: Mark | None = None
    fall: Fall = field(default_factory=Fall)
    stuck: bool = False
    jump: float = 0.0
    jumped_ms: int = 0

    def restart(self) -> None:
        """Begin a stretch: what the gauge shows next is believed. Its resolution is kept."""
        self.shown = self.anchor = self.base = None
        self.excess = self.jump = 0.0
        self.stuck = False
        self.fall = Fall()

    def begin(self, at_ms: int, moved_ah: float, points: float) -> None:
        """Note the charge at the beginning of a stretch."""
        self.anchor = self.base = Mark(at_ms, moved_ah, points)
        self.at_edge = False

    # -- what is known at a moment ----------------------------------------------------------

    def counted(self, at_ms: int, moved_ah: float, points_per_ah: float | None) -> float:
        """Points drawn since the anchor: by current where that is known, else by the usual fall."""
        if self.anchor is None:
            return 0.0
        if points_per_ah is not None:
            return max(0.0, (moved_ah - self.anchor.moved_ah) * points_per_ah)
        per_minute = self.fall.points_per_minute() or 0.0
        return max(0.0, per_minute * (at_ms - self.anchor.at_ms) / _MS_PER_MIN)

    def points(self, at_ms: int, moved_ah: float, points_per_ah: float | None) -> float | None:
        """The charge, within a step of what the gauge shows unless that is stuck or not sent."""
        if self.anchor is None:
            return None
        reckoned = self.anchor.points - self.counted(at_ms, moved_ah, points_per_ah)
        if self.shown is not None and self.fresh(at_ms) and not self.stuck:
            believed = self.shown - self.excess
            reckoned = min(believed + self.step, max(believed - self.step, reckoned))
        return max(0.0, reckoned)

    def fresh(self, at_ms: int) -> bool:
        """Whether the gauge is still being sent."""
        return self.shown is not None and at_ms - self.shown_ms <= READING_FRESH_MS

    def jump_spoken(self, at_ms: int) -> bool:
        """Whether a jump is recent enough to be spoken of."""
        return self.jump != 0.0 and at_ms - self.jumped_ms <= JUMP_SPOKEN_MS

    def surprise(
        self, reading: float, at_ms: int, moved_ah: float, points_per_ah: float | None
    ) -> float:
        """By how many points a reading lies above (+) or below what may be expected; else 0."""
        if self.anchor is None:
            return 0.0
        counted = self.counted(at_ms, moved_ah, points_per_ah)
        off = reading - self.excess - (self.anchor.points - counted)
        if points_per_ah is None and self.shown is not None:
            # The usual fall is itself read off the gauge, so only a leap is a surprise.
            leap = reading - self.shown
            off = leap if leap > 0.0 else min(0.0, max(leap, off))
        tolerance = TOLERANCE_POINTS + self.step + TOLERANCE_SHARE * counted
        return off if abs(off) > tolerance else 0.0

    # -- taking a reading -------------------------------------------------------------------

    def take(
        self, reading: float, at_ms: int, moved_ah: float, points_per_ah: float | None
    ) -> Mark | None:
        """Take a reading. Where the gauge moved on as it should, returns the anchor before it."""
        if self.anchor is None:
            self.begin(at_ms, moved_ah, reading)
        before, from_edge = self.anchor, self.at_edge
        surprise = self.surprise(reading, at_ms, moved_ah, points_per_ah)
        moved = reading - (self.shown if self.shown is not None else reading)
        self._learn_step(reading, 0.0 if surprise else abs(moved))
        counted = self.counted(at_ms, moved_ah, points_per_ah)
        self.shown, self.shown_ms = reading, at_ms
        if moved == 0.0:
            self.stuck = self._stands_still(at_ms, counted)
            return None
        self.stuck = False
        if surprise > 0.0:
            self.excess += surprise
            self.jump, self.jumped_ms = surprise, at_ms
            return None
        self.fall.add(at_ms, -moved)
        leap = self._forgive(surprise)
        self._settle(moved, leap, at_ms, moved_ah)
        # The first reading is no change of the gauge, and a full one may stand at 100 % for long.
        return before if from_edge and self.at_edge else None

    def _learn_step(self, reading: float, change: float) -> None:
        """The resolution: whole percent or tenths by the look of it, coarser once that is seen."""
        if change > 0.0:
            self.least_change = min(self.least_change, change)
            self.changes += 1
        by_look = 1.0 if reading == round(reading) and self.step >= 1.0 else 0.1
        self.step = max(by_look, self.least_change) if self.changes >= 2 else by_look

    def _stands_still(self, at_ms: int, counted: float) -> bool:
        if self.shown is None or self.anchor is None:
            return False
        ahead = self.shown - self.excess - (self.anchor.points - counted)
        if counted == 0.0:
            return at_ms - self.anchor.at_ms > STANDS_STILL_MS
        return ahead > TOLERANCE_POINTS + self.step

    def _forgive(self, surprise: float) -> float:
        """A fall first makes up for the excess; returns what is left of it, if that is a leap."""
        made_up = min(self.excess, -surprise)
        self.excess -= made_up
        small = TOLERANCE_POINTS + self.step
        if made_up and self.excess <= small:
            self.excess = 0.0
        left = surprise + made_up
        return left if -left > small else 0.0

    def _settle(self, moved: float, leap: float, at_ms: int, moved_ah: float) -> None:
        """The charge is known anew: half a step above the lower of two neighbouring readings."""
        if self.shown is None:
            return
        half = min(abs(moved), self.step) / 2.0 if not leap else 0.0
        points = self.shown - self.excess + (half if moved < 0.0 else -half)
        self.anchor = Mark(at_ms, moved_ah, max(0.0, points))
        self.at_edge = not leap
        if leap:
            self.jump, self.jumped_ms = leap, at_ms
