"""Dips of pressure under rest: an effort or a gasp pulls it down for a moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.signals.kinds import Effort
from service.signals.lines import Sample

#: A dip of so much under rest (so many times the unrest, between the bounds) is an effort and
#: moves no rest.
MIN_DIP_CMH2O: Final = 0.5
MAX_DIP_CMH2O: Final = 1.0
DIP_UNRESTS: Final = 5.0
#: A dip that lasts longer than this, or this share of the expiration, was a lower resting level.
MAX_DIP_S: Final = 1.5
MAX_DIP_SHARE: Final = 0.4
#: A dip that begins again so soon after an effort is part of it.
SAME_S: Final = 0.1
#: A dip of this length that is so deep on average (as a share of its depth) was held.
HELD_S: Final = 0.3
HELD_SHARE: Final = 0.75
#: An effort that an inflation follows within this time started it.
TRIGGER_S: Final = 0.35


@dataclass(slots=True)
class Dips:
    """A dip under way, and the last effort, which may start the next inflation."""

    start_s: float | None = None
    low: float = 0.0
    effort: Effort | None = None
    #: Whether pressure lay near its lowest most of the time: no pull, if an inflation follows.
    held: bool = False
    depth_sum: float = 0.0
    count: int = 0

    def begin(self, t: float, smoothed: float) -> list[Effort]:
        """A dip begins; returns the effort before it, if that was another one."""
        before = self.give_up()
        if before and t - before[0].end_s <= SAME_S:
            self.start_s, self.low = before[0].start_s, min(self.low, smoothed)
            return []
        self.start_s, self.low = t, smoothed
        self.depth_sum, self.count = 0.0, 0
        return before

    def follow(self, t: float, smoothed: float, rest: float, period_s: float | None) -> bool:
        """Take smoothed pressure of a dip; whether it is too long for one: rest is lower.

        `period_s` is the usual one within an expiration, else None.
        """
        if self.start_s is None:
            return False
        self.low = min(self.low, smoothed)
        self.depth_sum += rest - smoothed
        self.count += 1
        # Half-way back, and not so low that the next sample would begin another.
        if smoothed - rest >= max(0.5 * (self.low - rest), -MIN_DIP_CMH2O):
            depth = rest - self.low
            self.effort = Effort(self.start_s, t, depth)
            is_long = t - self.start_s > HELD_S
            self.held = is_long and self.depth_sum > HELD_SHARE * self.count * depth
            self.start_s = None
            return False
        lasts_s = t - self.start_s
        if lasts_s > MAX_DIP_S or (period_s and lasts_s > MAX_DIP_SHARE * period_s):
            self.start_s = None
            return True
        return False

    def lower_rest(self, rise_s: float) -> float | None:
        """The resting level, where what was taken for an effort was only a lower one.

        That was held until pressure began to rise into an inflation, at `rise_s`.
        """
        if self.effort is None or not self.held or rise_s - self.effort.end_s > SAME_S:
            return None
        self.effort = None
        return self.low

    def unanswered(self, t: float) -> list[Effort]:
        """The effort, once it has started no inflation for too long."""
        if self.effort is None or t - self.effort.end_s <= TRIGGER_S:
            return []
        return self.give_up()

    def without_effort(self, resting: list[Sample]) -> list[Sample]:
        """What lies before a rise, without the effort that started it."""
        effort = self.effort
        if effort is None:
            return resting
        kept = [s for s in resting if not effort.start_s <= s[0] <= effort.end_s]
        return kept if len(kept) >= 3 else resting

    def give_up(self) -> list[Effort]:
        """The effort that waits, if any: no inflation will answer it."""
        effort, self.effort = self.effort, None
        return [] if effort is None else [effort]

    def clear(self) -> None:
        """No dip is under way any more, no effort waits."""
        self.start_s = self.effort = None
