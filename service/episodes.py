"""Two rule sets over the same readings: what each said, and what one said that the other did not.

Made from advisory events as they are published or kept (JSON objects).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from statistics import median
from typing import Any, Final, Literal, get_args

from service.instants import from_text

#: A place is looked at at least this often, so a smaller difference in time means nothing (ms).
SAME_MS: Final = 1000

Verdict = Literal["same", "other priority", "earlier", "later", "new", "gone"]


@dataclass(frozen=True, slots=True)
class Episode:
    """One advisory from raised to cleared; `cleared_ms` None: it stood to the end."""

    place: str
    patient: str | None
    rule: str
    priority: str
    raised_ms: int
    cleared_ms: int | None
    says: str


@dataclass(frozen=True, slots=True)
class Pairing:
    """An episode by the one rule set and by the other; None where there was none."""

    before: Episode | None
    after: Episode | None

    @property
    def rule(self) -> str:
        """The rule that spoke."""
        return self._one.rule

    @property
    def at_ms(self) -> int:
        """When the first of the two was raised."""
        return min(e.raised_ms for e in (self.before, self.after) if e is not None)

    @property
    def shift_ms(self) -> int:
        """How much later it came by the other; negative when earlier, 0 when only one spoke."""
        if self.before is None or self.after is None:
            return 0
        return self.after.raised_ms - self.before.raised_ms

    @property
    def verdict(self) -> Verdict:
        """What the other rule set makes of it."""
        if self.before is None:
            return "new"
        if self.after is None:
            return "gone"
        if abs(self.shift_ms) <= SAME_MS:
            alike = self.before.priority == self.after.priority
            return "same" if alike else "other priority"
        return "later" if self.shift_ms > 0 else "earlier"

    @property
    def _one(self) -> Episode:
        found = self.before or self.after
        if found is None:
            raise ValueError("a pairing of nothing with nothing")
        return found


@dataclass(frozen=True, slots=True)
class RuleTally:
    """How one rule fared by both rule sets; `shift_s` is the median of those that moved."""

    rule: str
    before: int
    after: int
    counts: Mapping[Verdict, int]
    shift_s: float | None


def episodes(events: Iterable[Mapping[str, Any]]) -> list[Episode]:
    """The episodes that events tell, in order of raising; one without its raising is left out."""
    raised: dict[str, Mapping[str, Any]] = {}
    cleared: dict[str, int] = {}
    for body in events:
        if body["event"] == "raised":
            raised.setdefault(body["id"], body)
        elif body["event"] == "cleared":
            cleared[body["id"]] = from_text(body["at"])
    found = [_episode(body, cleared.get(identity)) for identity, body in raised.items()]
    return sorted(found, key=lambda e: (e.raised_ms, e.place, e.rule))


def within(found: Iterable[Episode], begins_ms: int, ends_ms: int) -> list[Episode]:
    """Those that stood at some time between two moments."""
    return [
        e
        for e in found
        if e.raised_ms < ends_ms and (e.cleared_ms is None or e.cleared_ms > begins_ms)
    ]


def paired(before: Iterable[Episode], after: Iterable[Episode]) -> list[Pairing]:
    """Episodes of the same place, patient and rule that overlap in time belong together."""
    waiting: dict[tuple[str, str | None, str], list[Episode]] = defaultdict(list)
    for episode in after:
        waiting[_key(episode)].append(episode)
    found = []
    for episode in before:
        others = waiting[_key(episode)]
        other = next((o for o in others if _overlap(episode, o)), None)
        if other is not None:
            others.remove(other)
        found.append(Pairing(episode, other))
    found += [Pairing(None, episode) for others in waiting.values() for episode in others]
    return sorted(found, key=lambda pairing: (pairing.at_ms, pairing.rule))


def tallies(pairings: Iterable[Pairing]) -> list[RuleTally]:
    """Rule by rule, in order of their names."""
    by_rule: dict[str, list[Pairing]] = defaultdict(list)
    for pairing in pairings:
        by_rule[pairing.rule].append(pairing)
    return [_tally(rule, of_rule) for rule, of_rule in sorted(by_rule.items())]


def _tally(rule: str, of_rule: list[Pairing]) -> RuleTally:
    counts: dict[Verdict, int] = dict.fromkeys(get_args(Verdict), 0)
    for pairing in of_rule:
        counts[pairing.verdict] += 1
    moved = [p.shift_ms / 1000.0 for p in of_rule if p.verdict in ("earlier", "later")]
    return RuleTally(
        rule=rule,
        before=sum(p.before is not None for p in of_rule),
        after=sum(p.after is not None for p in of_rule),
        counts=counts,
        shift_s=median(moved) if moved else None,
    )


def _episode(body: Mapping[str, Any], cleared_ms: int | None) -> Episode:
    return Episode(
        place=f"{body['ward']}/{body['place']}",
        patient=body["patient"],
        rule=body["rule"],
        priority=body["priority"],
        raised_ms=from_text(body["raised_at"]),
        cleared_ms=cleared_ms,
        says=body["says"],
    )


def _key(episode: Episode) -> tuple[str, str | None, str]:
    return episode.place, episode.patient, episode.rule


def _overlap(one: Episode, other: Episode) -> bool:
    ends = [e.cleared_ms for e in (one, other) if e.cleared_ms is not None]
    return not ends or max(one.raised_ms, other.raised_ms) <= min(ends)
