"""Facts of what has changed: the most likely cause, how sure, and since when.

A circuit that came off, an exhalation that is blocked and a target that is never reached leave no
inflation to judge by; they show in the pressure itself.
"""

from __future__ import annotations

import math
from typing import Final

from service.bedside import Bedside
from service.facts.factset import FactSet, current

CHANGE_FACTS: Final = (
    "change.cause", "change.confidence", "change.factor", "change.second", "change.lasts",
)  # fmt: skip
#: An inflation that has gone on for so many usual ones, and at least so long, does not end.
STUCK_TIMES: Final = 3.0
STUCK_S: Final = 2.0
#: It stands at the target when pressure is over this share of the usual height.
AT_TARGET: Final = 0.9
#: The circuit is off when a breath is so many times overdue and pressure stays under this share.
OVERDUE: Final = 1.5
LEAST_WAIT_S: Final = 1.5
NEAR_NOTHING: Final = 0.35
#: How sure one can be of what pressure itself shows (ours, no source).
PLAIN_CONFIDENCE: Final = 0.95


def change_facts(bedside: Bedside, now_ms: int, facts: FactSet) -> None:
    """All `change.` facts; needs those of pressure put before."""
    now_s = current(bedside.paw, now_ms, "airway pressure", CHANGE_FACTS, facts)
    if now_s is None:
        return
    plain = _plain(bedside, facts)
    if plain is not None:
        cause, lasts_s = plain
        facts.put("change.cause", cause)
        facts.put("change.confidence", PLAIN_CONFIDENCE)
        facts.put("change.lasts", lasts_s)
        facts.put("change.factor", None, "no inflation to judge by")
        facts.put("change.second", None, "no inflation to judge by")
        return
    change = bedside.changes.change
    if change is None or "breath.ti" not in facts.values:
        why = facts.unknown.get("breath.ti", "still learning what is usual")
        for name in CHANGE_FACTS:
            facts.put(name, None, why)
        return
    facts.put("change.cause", change.cause)
    facts.put("change.confidence", change.confidence)
    facts.put("change.factor", change.factor, "nothing has changed")
    facts.put("change.second", change.second, "nothing else fits")
    lasts = None if change.since_s is None else max(0.0, now_s - change.since_s)
    facts.put("change.lasts", lasts, "nothing has changed")


def _plain(bedside: Bedside, facts: FactSet) -> tuple[str, float] | None:
    """What pressure shows without an inflation, and since when (s)."""
    usual = bedside.changes.usual
    if usual is None or facts.values.get("settings.mode", "controlled") != "controlled":
        return None
    lasts_s, highest, overdue, since_s = (
        _number(facts, name)
        for name in ("paw.sustained", "paw.max_5s", "breath.overdue", "breath.since")
    )
    height = highest - usual.baseline
    if lasts_s > max(STUCK_S, STUCK_TIMES * usual.ti_s):
        at_target = height >= AT_TARGET * usual.driving
        return ("exhalation-blocked" if at_target else "leak"), lasts_s
    if overdue > OVERDUE and since_s > LEAST_WAIT_S and height < NEAR_NOTHING * usual.driving:
        return "disconnection", since_s
    return None


def _number(facts: FactSet, name: str) -> float:
    """The fact, or one that says nothing where it is absent."""
    value = facts.values.get(name)
    return value if isinstance(value, float) else math.nan
