"""Dips of pressure under rest: an effort or a gasp pulls it down for a moment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.signals.kinds import Effort

#: A dip of so much under rest (so many times the unrest, between the bounds) is an effort and
#: moves no rest.
MIN_DIP_CMH2O: Final = 0.5
MAX_DIP_CMH2O: Final = 1.0
DIP_UNRESTS: Final = 5.0
#: A dip that lasts longer than this, or this share of the expiration, was a lower resting level.
MAX_DIP_S: Final = 1.5
MAX_DIP_SHARE: Final = 0.4
#: An effort that an inflation follows within this time started it.
TRIGGER_S: Final = 0.35


@dataclass(slots=True)
class Dips:
    """A dip under way, and the last effort, which may start the next inflation."""

    start_s: float | None = None
    low: float = 0.0
    effort: Effort | None = None

    def follow(self, t: float, smoothed: float, rest: float, period_s: float | None) -> bool:
        """Take smoothed pressure under rest; whether it is too long for a dip: rest is lower.

        `period_s` is the usual one within an expiration, else None.
        """
        if self.start_s is None:
            self.start_s, self.low = t, smoothed
        self.low = min(self.low, smoothed)
        if smoothed - rest >= 0.5 * (self.low - rest):
            self.effort = Effort(self.start_s, t, rest - self.low)
            self.start_s = None
            return False
        lasts_s = t - self.start_s
        if lasts_s > MAX_DIP_S or (period_s and lasts_s > MAX_DIP_SHARE * period_s):
            self.start_s = None
            return True
        return False

    def unanswered(self, t: float) -> Effort | None:
        """The effort, once it has started no inflation for too long."""
        effort = self.effort
        if effort is None or t - effort.end_s <= TRIGGER_S:
            return None
        self.effort = None
        return effort

    def clear(self) -> None:
        """No dip is under way any more, no effort waits."""
        self.start_s = self.effort = None
