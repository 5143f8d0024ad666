"""The pace of a stream of samples: how far apart they come, and which gap says some were lost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from service.signals.assembly import JITTER_S

#: Thresholds look at pressure smoothed over this time; what is measured is read off the samples.
SMOOTH_S: Final = 0.015
#: The resting level follows down with this time constant, and up no faster than this share of a
#: rise in a second: a shallow ramp must not take it along.
REST_TAU_S: Final = 0.15
CREEP_PER_S: Final = 0.15
#: How far pressure strays from rest is followed with this time constant.
UNREST_TAU_S: Final = 2.0
#: Samples lost for longer than this, or so many intervals, break the breath they fall in.
MAX_LOST_S: Final = 0.1
MAX_LOST_INTERVALS: Final = 3.5


@dataclass(slots=True)
class Pace:
    """The sample interval (s) and what follows from it: shares of a new sample, usual gaps."""

    interval_s: float | None = None
    smooth_share: float = 1.0
    rest_share: float = 0.0
    unrest_share: float = 0.0
    creep_share: float = 0.0
    #: A gap between these is the usual one.
    soonest_s: float = 1.0
    latest_s: float = -1.0

    def follow(self, gap_s: float) -> bool:
        """Take a gap that is not the usual one; whether it breaks the stream."""
        interval_s = self.interval_s
        if gap_s > 0.0 and (interval_s is None or gap_s < interval_s):
            interval_s = gap_s if interval_s is None else interval_s + 0.2 * (gap_s - interval_s)
            self._keep(interval_s)
        limit_s = max(MAX_LOST_S, MAX_LOST_INTERVALS * (interval_s or 0.0))
        if -JITTER_S <= gap_s <= limit_s:
            return False
        self.interval_s = None
        self.soonest_s, self.latest_s = 1.0, -1.0
        return True

    def _keep(self, interval_s: float) -> None:
        self.interval_s = interval_s
        self.soonest_s, self.latest_s = 0.75 * interval_s, 1.5 * interval_s
        self.smooth_share = min(1.0, interval_s / SMOOTH_S)
        self.rest_share = min(1.0, interval_s / REST_TAU_S)
        self.unrest_share = min(1.0, interval_s / UNREST_TAU_S)
        self.creep_share = CREEP_PER_S * interval_s
