"""How many minutes are left, with a 90 % interval and the sources of its width by name."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Final

from service.physiology.battery import MINUTES_PER_HOUR, delivered_share

#: Capacities of lithium cells are stated for a discharge over five hours (IEC 61960, from memory),
#: and their Peukert exponent is about 1.05 (common practice).
RATING_H: Final = 5.0
EXPONENT: Final = 1.05
#: How far each may be out, one side, 95 %, in percent of charge. Ours, no source: a gauge by five;
#: a pack of unknown age by ten, or a share of the charge (packs are in service until about four
#: fifths of the capacity are left: common practice), less once the gauge is seen to follow the
#: capacity that is left.
GAUGE_POINTS: Final = 5.0
AGE_POINTS: Final = 10.0
AGE_POINTS_KNOWN: Final = 4.0
AGE_SHARE: Final = 0.15
#: A pack may hold this much more than stated.
SPARE_POINTS: Final = 3.0
#: Share of what was counted without a reading of the gauge.
COUNT_SHARE: Final = 0.05
#: A collapsing voltage contradicts minutes that are so many times and so many minutes longer.
CONTRADICTION_TIMES: Final = 1.5
CONTRADICTION_MIN: Final = 5.0
_FULL: Final = 100.0
_MS_PER_MIN: Final = 60_000.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """Minutes until empty at `at_ms`, the ends of the 90 % interval, and what makes it wide.

    All None where it is not known, and `why_unknown` says why. `doubt` says why the gauge is
    doubtful, empty where it is not. `spread` holds minutes towards the low end by source. `runs`
    is false on mains: the minutes are then those after plugging out.
    """

    at_ms: int
    minutes: float | None = None
    low: float | None = None
    high: float | None = None
    why_unknown: str = ""
    doubt: str = ""
    runs: bool = True
    spread: dict[str, float] = field(default_factory=dict)

    def after(self, now_ms: int) -> Estimate:
        """The same at a later moment: on battery what has passed since is gone."""
        if not self.runs or self.minutes is None or self.low is None or self.high is None:
            return self
        gone = max(0.0, (now_ms - self.at_ms) / _MS_PER_MIN)
        left = (max(0.0, value - gone) for value in (self.minutes, self.low, self.high))
        minutes, low, high = left
        return replace(self, minutes=minutes, low=low, high=high)


@dataclass(frozen=True, slots=True)
class Known:
    """What an estimate is made from; percent of charge, percent a minute, shares.

    `charge` now, falling by `per_minute` (a share `draw_error` of that unsure); the gauge's `step`;
    `counted` since it was last sure; `ahead` of what the current explains; `above` the charge used
    here: how much more the gauge shows. `age_known` and `unlearnt` (1 to 0) say how far
    the capacity has been learnt.
    """

    charge: float
    per_minute: float
    draw_error: float
    step: float
    counted: float = 0.0
    ahead: float = 0.0
    above: float = 0.0
    age_known: bool = False
    unlearnt: float = 1.0


def estimate(at_ms: int, known: Known) -> Estimate:
    """Minutes = (charge - what stays behind at this current) / fall, and the interval.

    What stays behind is Peukert's: at a current over the rated one a part is not delivered.
    """
    nominal_h = _FULL / known.per_minute / MINUTES_PER_HOUR
    behind = _FULL * (1.0 - delivered_share(nominal_h, RATING_H, EXPONENT))
    usable = max(0.0, known.charge - behind)
    downwards = {
        "gauge": math.hypot(GAUGE_POINTS, known.step),
        "age of the pack": _age_points(known),
        "changing draw": known.draw_error * usable,
        "gauge against current": max(0.0, known.ahead),
        "counted without gauge": COUNT_SHARE * known.counted,
    }
    upwards = (downwards["gauge"], SPARE_POINTS, downwards["changing draw"])
    low = max(0.0, usable - math.hypot(*downwards.values()))
    high = min(_FULL + SPARE_POINTS, known.charge + known.above + math.hypot(*upwards))
    return Estimate(
        at_ms,
        usable / known.per_minute,
        low / known.per_minute,
        high / known.per_minute,
        spread={name: points / known.per_minute for name, points in downwards.items() if points},
    )


def _age_points(known: Known) -> float:
    if known.age_known:
        return AGE_POINTS_KNOWN
    return max(AGE_POINTS, AGE_SHARE * known.unlearnt * known.charge)


def ending(made: Estimate, latest_min: float, earliest_min: float) -> Estimate:
    """The voltage collapses: it ends in about `latest_min`, perhaps in `earliest_min`.

    Minutes that are not much longer stand; minutes that are contradict the voltage and give way.
    """
    minutes = made.minutes
    if minutes is None or contradicts(minutes, latest_min):
        minutes = latest_min
    low = earliest_min if made.low is None else min(made.low, earliest_min)
    high = 2.0 * latest_min if made.high is None else min(made.high, 2.0 * latest_min)
    return replace(made, minutes=minutes, low=min(low, minutes), high=max(high, minutes))


def contradicts(minutes: float, latest_min: float) -> bool:
    """Whether an estimate is much longer than a collapsing voltage lasts."""
    return minutes > max(CONTRADICTION_TIMES * latest_min, latest_min + CONTRADICTION_MIN)
