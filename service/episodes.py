"""Two rule sets over the same readings: what each said, and what one said that the other did not.

Made from advisory events as they are published or kept (JSON objects).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from statistics import median
from typing import Any, Final, Literal, get_args

from service.instants import from_text

#: A place is looked at at least this often, so a smaller difference in time means nothing (ms).
SAME_MS: Final = 1000

Verdict = Literal["same", "other priority", "earlier", "later", "other rule", "new", "gone"]


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
        """The rule that spoke; of the one rule set where both did."""
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
        if self.before.rule != self.after.rule:
            return "other rule"
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


def paired(
    before: Iterable[Episode], after: Iterable[Episode], replaced: Collection[str] = ()
) -> list[Pairing]:
    """Episodes of the same place, patient and rule that overlap in time belong together.

    `replaced` are rules that only one of the two rule sets has: of those, one with the same
    priority that overlaps at the same place takes the place of another.
    """
    found = _by_rule(before, after)
    gone = [p for p in found if p.before and not p.after and p.before.rule in replaced]
    new = [p for p in found if p.after and not p.before and p.after.rule in replaced]
    for pairing in gone:
        other = min(
            (p for p in new if _takes_the_place(pairing.before, p.after)),
            key=lambda p: (abs(p.at_ms - pairing.at_ms), p.rule),
            default=None,
        )
        if other is not None:
            new.remove(other)
            found.remove(other)
            found[found.index(pairing)] = Pairing(pairing.before, other.after)
    return sorted(found, key=lambda pairing: (pairing.at_ms, pairing.rule))


def _takes_the_place(one: Episode | None, other: Episode | None) -> bool:
    if one is None or other is None or not _overlap(one, other):
        return False
    where = (one.place, one.patient, one.priority)
    return where == (other.place, other.patient, other.priority)


def _by_rule(before: Iterable[Episode], after: Iterable[Episode]) -> list[Pairing]:
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
    return found + [Pairing(None, episode) for others in waiting.values() for episode in others]


def tallies(pairings: Iterable[Pairing]) -> list[RuleTally]:
    """Rule by rule, in order of their names."""
    by_rule: dict[str, list[Pairing]] = defaultdict(list)
    for pairing in pairings:
        for rule in {e.rule for e in (pairing.before, pairing.after) if e is not None}:
            by_rule[rule].append(pairing)
    return [_tally(rule, of_rule) for rule, of_rule in sorted(by_rule.items())]


def _tally(rule: str, of_rule: list[Pairing]) -> RuleTally:
    counts: dict[Verdict, int] = dict.fromkeys(get_args(Verdict), 0)
    for pairing in of_rule:
        counts[pairing.verdict] += 1
    moved = [p.shift_ms / 1000.0 for p in of_rule if p.verdict in ("earlier", "later")]
    return RuleTally(
        rule=rule,
        before=sum(p.before is not None and p.before.rule == rule for p in of_rule),
        after=sum(p.after is not None and p.after.rule == rule for p in of_rule),
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
