"""How each rule fares: how often it came and spoke, and how much of that nobody needed.

Worked out from events alone. One coming is from raised or returned until it is over. It was *brief*
when it was over within a minute and nobody had acknowledged it: a sign of a rule that cries wolf,
no proof, for what is mended at once is over as soon. The minute is our choice; *chattering* is as
in `service.rates`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Final

from service.rates import CHATTER_MS, CHATTER_TIMES, Told, most_within

BRIEF_MS: Final = 60_000
_BEGINS: Final = frozenset({"raised", "returned"})
_OVER: Final = frozenset({"ended", "cleared"})


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleRate:
    """The figures of one rule over a span; `lasted_median_s` is of what was over in it."""

    rule: str
    came: int
    spoke: int
    brief: int
    acknowledged: int
    chattering: bool
    lasted_median_s: float | None


def rule_rates(told: Iterable[Told]) -> list[RuleRate]:
    """The figures of each rule that something happened to, those that cry wolf first.

    First those with the most brief ones, then those that spoke most.
    """
    by_rule: dict[str, list[Told]] = {}
    for event in told:
        by_rule.setdefault(event.rule, []).append(event)
    found = [_rate(rule, events) for rule, events in by_rule.items()]
    return sorted(found, key=lambda rate: (-rate.brief, -rate.spoke, -rate.came, rate.rule))


@dataclass(slots=True)
class _Coming:
    """One coming of an advisory; `ends_ms` None while it stands."""

    begins_ms: int
    ends_ms: int | None = None
    acknowledged: bool = False

    @property
    def lasted_ms(self) -> int | None:
        return None if self.ends_ms is None else self.ends_ms - self.begins_ms

    @property
    def brief(self) -> bool:
        lasted_ms = self.lasted_ms
        return lasted_ms is not None and lasted_ms <= BRIEF_MS and not self.acknowledged


def _rate(rule: str, events: Sequence[Told]) -> RuleRate:
    by_place: dict[str, list[Told]] = {}
    for event in events:
        by_place.setdefault(event.place, []).append(event)
    comings = [coming for at_one in by_place.values() for coming in _comings(at_one)]
    lasted_ms = [one.lasted_ms for one in comings if one.lasted_ms is not None]
    return RuleRate(
        rule=rule,
        came=len(comings),
        spoke=sum(event.speaks for event in events),
        brief=sum(one.brief for one in comings),
        acknowledged=sum(one.acknowledged for one in comings),
        chattering=any(map(_chatters, by_place.values())),
        lasted_median_s=median(lasted_ms) / 1000.0 if lasted_ms else None,
    )


def _comings(events: Sequence[Told]) -> list[_Coming]:
    """Of one rule at one place; what came before the span is not of it."""
    found: list[_Coming] = []
    for event in events:
        if event.kind in _BEGINS:
            found.append(_Coming(event.at_ms))
        elif found and event.kind == "acknowledged":
            found[-1].acknowledged = True
        elif found and event.kind in _OVER and found[-1].ends_ms is None:
            found[-1].ends_ms = event.at_ms
    return found


def _chatters(events: Sequence[Told]) -> bool:
    begins = [event.at_ms for event in events if event.kind in _BEGINS]
    return most_within(begins, CHATTER_MS)[0] >= CHATTER_TIMES
