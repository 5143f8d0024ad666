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
DELAY_FROM: Final = 8
CANDIDATES_FROM: Final = 4
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
    pairs = _pairs(releases, rises, delay, allowed)
    # CO2 of the first seconds may come from inflations before them, and a breath is known once
    # CO2 has fallen, so about a period after it rose.
    from_s = begin_s + MAX_DELAY_S
    until_s = end_s - (MAX_DELAY_S if delay is None else delay) - period - allowed
    judged = [i for i, at in enumerate(releases) if from_s <= at <= until_s]
    matched = sum(1 for i in judged if i in pairs)
    taken = set(pairs.values())
    alone = sum(1 for i, at in enumerate(rises) if i not in taken and at >= from_s)
    return Agreement(len(judged), matched, len(judged) - matched, alone, delay)


def _delay(releases: list[float], rises: list[float], allowed: float) -> float | None:
    """The delay at which most have a breath, of the last inflations that any breath followed.

    The shortest of equals.
    """
    answered = [(at, after) for at in releases if (after := _after(rises, at))][-DELAY_FROM:]
    last = [at for at, _ in answered]
    candidates = sorted(rise - at for at, after in answered[-CANDIDATES_FROM:] for rise in after)
    best, most = None, 0
    for delay in candidates:
        fitting = sum(_nearest(rises, at + delay, allowed) is not None for at in last)
        if fitting > most:
            best, most = delay, fitting
        if most == len(last):
            break
    if best is None:
        return None
    found = [(at, _nearest(rises, at + best, allowed)) for at in last]
    return median(rises[index] - at for at, index in found if index is not None)


def _after(rises: list[float], release: float) -> list[float]:
    """The breaths that an inflation may have made."""
    begin = bisect_left(rises, release + MIN_DELAY_S)
    return rises[begin : bisect_left(rises, release + MAX_DELAY_S)]


def _nearest(rises: list[float], at: float, allowed: float) -> int | None:
    """The breath nearest to when it was due, if it is near enough."""
    index = bisect_left(rises, at)
    if index == len(rises) or (index > 0 and at - rises[index - 1] <= rises[index] - at):
        index -= 1
    return index if index >= 0 and abs(rises[index] - at) <= allowed else None


def _pairs(
    releases: list[float], rises: list[float], delay: float | None, allowed: float
) -> dict[int, int]:
    """Each inflation with the breath it made, by number; no breath serves two."""
    pairs: dict[int, int] = {}
    taken: set[int] = set()
    if delay is None:
        return pairs
    for number, at in enumerate(releases):
        rise = _nearest(rises, at + delay, allowed)
        if rise is not None and rise not in taken:
            pairs[number] = rise
            taken.add(rise)
    return pairs
