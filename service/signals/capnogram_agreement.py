"""Do breaths in pressure and breaths in CO2 tell the same story?

Each inflation is followed by an expiration, and CO2 rises once its gas has come to the analyser:
at once with a mainstream sensor, up to 3 s later with a sampling line. That delay is estimated as
the one at which most breaths fit, and then as their median.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Final

#: CO2 may rise this long after the end of the inflation (s); a little before it when the two
#: channels are not quite in step.
MAX_DELAY_S: Final = 3.0
MIN_DELAY_S: Final = -0.25
#: A breath fits its inflation when it comes within this share of the period of when it was due.
FIT_SHARE: Final = 0.3
FIT_S: Final = (0.12, 0.6)
#: Inflations and breaths from which the delay is told, the newest.
DELAY_FROM: Final = 12
CANDIDATES_FROM: Final = 6
#: A single inflation tells no period; this one is assumed (s).
PERIOD_S: Final = 3.0


@dataclass(frozen=True, slots=True)
class Agreement:
    """What of the inflations came back in CO2. Counts are of those old enough to be judged."""

    inflations: int
    matched: int
    missing_for_inflations: int
    breaths_without_pressure: int
    #: From the end of the inflation to the rise of CO2 (s); None when nothing fits.
    delay_s: float | None

    @property
    def share(self) -> float | None:
        """Share of the inflations that a CO2 breath followed; None without inflations."""
        return self.matched / self.inflations if self.inflations else None


def agreement(
    releases_s: Sequence[float], rises_s: Sequence[float], begin_s: float, end_s: float
) -> Agreement:
    """Match inflations with breaths in CO2.

    `releases_s` are the ends of inflations, `rises_s` the beginnings of the CO2 of whole breaths,
    both in device time (s) and in order; both signals are known from `begin_s` to `end_s`. What
    is too near either end to be judged is left out.
    """
    releases = [at for at in releases_s if begin_s <= at <= end_s]
    gaps = [later - earlier for earlier, later in pairwise(releases)]
    period = median(gaps) if gaps else PERIOD_S
    allowed = min(FIT_S[1], max(FIT_S[0], FIT_SHARE * period))
    rises = [at for at in rises_s if begin_s + MIN_DELAY_S <= at <= end_s]
    delay = _delay(releases, rises, allowed)
    # A breath is known once CO2 has fallen, so about a period after it rose.
    due = (MAX_DELAY_S if delay is None else delay) + period + allowed
    judged = [at for at in releases if at + due <= end_s]
    pairs = _pairs(releases, rises, delay, allowed)
    matched = sum(1 for at in judged if at in pairs)
    taken = set(pairs.values())
    from_s = begin_s + (MAX_DELAY_S if delay is None else delay + allowed)
    alone = sum(1 for at in rises if at not in taken and at >= from_s)
    return Agreement(len(judged), matched, len(judged) - matched, alone, delay)


def _delay(releases: list[float], rises: list[float], allowed: float) -> float | None:
    """The delay at which most of the last inflations have a breath; the shortest of equals."""
    last = releases[-DELAY_FROM:]
    candidates = sorted(
        rise - release
        for release in last[-CANDIDATES_FROM:]
        for rise in rises[
            bisect_left(rises, release + MIN_DELAY_S) : bisect_left(rises, release + MAX_DELAY_S)
        ]
    )
    best, most = None, 0
    for delay in candidates:
        fitting = sum(_nearest(rises, at + delay, allowed) is not None for at in last)
        if fitting > most:
            best, most = delay, fitting
    if best is None:
        return None
    return median(
        rise - at for at in last if (rise := _nearest(rises, at + best, allowed)) is not None
    )


def _nearest(rises: list[float], at: float, allowed: float) -> float | None:
    index = bisect_left(rises, at)
    near = rises[max(0, index - 1) : index + 1]
    best = min(near, key=lambda rise: abs(rise - at), default=None)
    return best if best is not None and abs(best - at) <= allowed else None


def _pairs(
    releases: list[float], rises: list[float], delay: float | None, allowed: float
) -> dict[float, float]:
    """Each inflation with the breath it made; no breath serves two."""
    pairs: dict[float, float] = {}
    taken: set[float] = set()
    if delay is None:
        return pairs
    for at in releases:
        rise = _nearest(rises, at + delay, allowed)
        if rise is not None and rise not in taken:
            pairs[at] = rise
            taken.add(rise)
    return pairs
