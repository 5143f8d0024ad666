"""Facts of what has changed: the most likely cause, how sure, and since when.

A circuit that came off, an exhalation that is blocked and a target that is never reached leave no
inflation to judge by; they show in the pressure itself.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet, Read, current, fresh_s, since
from service.signals.inflation_law import Marks

CHANGE_FACTS: Final = (
    "change.cause", "change.confidence", "change.factor", "change.second", "change.lasts",
)  # fmt: skip
#: An inflation that has gone on for so many usual ones, and at least so long, does not end.
STUCK_TIMES: Final = 3.0
STUCK_S: Final = 2.0
#: It stands at the target when pressure is over this share of the full height, and came there
#: (to the next share) in the usual time; beyond it over the third. Under the last it was let go.
AT_TARGET: Final = 0.9
IN_TIME: Final = 0.85
BEYOND: Final = 1.05
LET_GO: Final = 0.2
#: It is still on its way when so much of its height came in the last third of its time; pressure
#: then is the mean of so many samples on either side.
STILL_RISING: Final = 0.15
NEAR: Final = 4
#: The circuit is off when a breath is so many times overdue and pressure stays under this share.
OVERDUE: Final = 1.5
LEAST_WAIT_S: Final = 1.5
NEAR_NOTHING: Final = 0.35
#: How sure one can be of what pressure itself shows (ours, no source).
PLAIN_CONFIDENCE: Final = 0.95
UNCLEAR_CONFIDENCE: Final = 0.5


@dataclass(frozen=True, slots=True)
class _Plain:
    """What pressure shows without an inflation, and for how long (s)."""

    cause: str
    lasts_s: float
    confidence: float = PLAIN_CONFIDENCE


def change_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    """All `change.` facts; needs those of settings and pressure put before."""
    now_s = current(bedside.paw, now_ms, "airway pressure", CHANGE_FACTS, facts)
    if now_s is None:
        return
    mode = facts.values.get("settings.mode", "controlled")
    why = _why_unknown(bedside, now_s, facts)
    if mode != "controlled":
        _absent(facts, f"the ventilator does not breathe for the animal: mode {mode}")
    elif (plain := _plain(bedside, now_s, facts)) is not None:
        facts.put("change.cause", plain.cause)
        facts.put("change.confidence", plain.confidence)
        facts.put("change.lasts", plain.lasts_s)
        facts.put("change.factor", None, "no inflation to judge by")
        facts.put("change.second", None, "no inflation to judge by")
    elif why is not None:
        _absent(facts, why)
    else:
        _put_change(bedside, now_s, facts)


def _put_change(bedside: Bedside, now_s: float, facts: FactSet) -> None:
    change = bedside.changes.change
    if change is None:
        return
    worst = min(bedside.changes.recent, key=attrgetter("quality"), default=None)
    read = None if worst is None else Read(worst.quality, worst.doubt)
    facts.put("change.cause", change.cause, read=read)
    facts.put("change.confidence", change.confidence, read=read)
    nothing = "nothing has changed" if change.cause == "none" else "not known of this cause"
    facts.put("change.factor", change.factor, nothing, read)
    facts.put("change.second", change.second, "nothing else fits", read)
    lasts = None if change.since_s is None else max(0.0, now_s - change.since_s)
    facts.put("change.lasts", lasts, "nothing has changed", read)


def _why_unknown(bedside: Bedside, now_s: float, facts: FactSet) -> str | None:
    """Why the last breaths say nothing of now, if so."""
    changes = bedside.changes
    if "breath.ti" not in facts.values:
        return facts.unknown.get("breath.ti", "no inflation seen yet")
    if changes.change is None or changes.last_s is None:
        return "still learning what is usual"
    age_s = now_s - changes.last_s
    if age_s > fresh_s(bedside.usual_period_s()):
        return f"no even inflation of the ventilator for {since(age_s)}"
    return None


def _absent(facts: FactSet, why: str) -> None:
    facts.absent(CHANGE_FACTS, why)


def _plain(bedside: Bedside, now_s: float, facts: FactSet) -> _Plain | None:
    usual = bedside.changes.usual
    if usual is None:
        return None
    lasts_s, highest, overdue, since_s = (
        _number(facts, name)
        for name in ("paw.sustained", "paw.max_5s", "breath.overdue", "breath.since")
    )
    ti_s = bedside.changes.expected_ti_s(usual)
    if lasts_s > max(STUCK_S, STUCK_TIMES * ti_s):
        if bedside.changes.change is not None and bedside.changes.change.cause == "leak":
            # Leaking inflations have lasted longer all the while.
            ti_s = bedside.changes.tight_ti_s(usual)
        return _stuck(bedside, _full_cmh2o(bedside, usual, facts), ti_s, now_s, lasts_s)
    height = highest - usual.baseline
    if overdue > OVERDUE and since_s > LEAST_WAIT_S and height < NEAR_NOTHING * usual.driving:
        return _Plain("disconnection", since_s)
    return None


def _full_cmh2o(bedside: Bedside, usual: Marks, facts: FactSet) -> tuple[float, float]:
    """Baseline, and what a whole inflation reaches over it: as the last one, or as now set."""
    recent, target = bedside.changes.recent, facts.values.get("settings.pip_target")
    if recent:
        return recent[-1].baseline, recent[-1].driving
    if isinstance(target, float) and target > usual.baseline:
        return usual.baseline, target - usual.baseline
    return usual.baseline, usual.driving


def _stuck(
    bedside: Bedside, full: tuple[float, float], ti_s: float, now_s: float, lasts_s: float
) -> _Plain | None:
    """What an inflation that does not end means; None when pressure was let go meanwhile."""
    baseline, driving = full
    finder, extremes = bedside.finder, bedside.paw.extremes
    third = extremes.over(now_s, min(lasts_s / 3.0, extremes.keep_s))
    if third is None or finder.smoothed is None or finder.rise.released_at is not None:
        return None
    if third[0] - baseline < LET_GO * driving:
        return None
    height = finder.smoothed - baseline
    if height > BEYOND * driving:
        return _Plain("exhalation-blocked", lasts_s)
    two_thirds = _pressure_at(finder.rise.samples, 2.0 * lasts_s / 3.0)
    if finder.smoothed - two_thirds > STILL_RISING * height:
        return _Plain("unclear", lasts_s, UNCLEAR_CONFIDENCE)
    # A leak that leaves pressure just under the target takes long to come there.
    in_time = _pressure_at(finder.rise.samples, ti_s) - baseline >= IN_TIME * driving
    if in_time and height >= AT_TARGET * driving:
        return _Plain("exhalation-blocked", lasts_s)
    change = bedside.changes.change
    if change is not None and change.cause == "leak" and change.since_s is not None:
        # It has grown until the target was out of reach.
        lasts_s = max(lasts_s, now_s - change.since_s)
    return _Plain("leak", lasts_s)


def _pressure_at(rising: Sequence[tuple[float, float]], after_s: float) -> float:
    """Pressure so long after an inflation began, the mean of the samples about then."""
    at = bisect_left(rising, (rising[0][0] + after_s,))
    near = [p for _, p in rising[max(0, at - NEAR) : at + NEAR + 1]]
    return sum(near) / len(near)


def _number(facts: FactSet, name: str) -> float:
    """The fact, or one that says nothing where it is absent."""
    value = facts.values.get(name)
    return value if isinstance(value, float) else math.nan
