"""What stands, gathered by what it points to: one problem is one group, whatever tells of it.

An advisory that another explains goes with that one. Others with the same likeliest cause go
together; the group is as urgent as the most urgent of them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from rules.differential import Weighed
from service.advisories import Advisory


@dataclass(frozen=True, slots=True)
class Group:
    """Advisories of one cause, most urgent first; `others` are causes that also fit.

    `cause` is its id and `title` its words; `look` the one look that settles it, empty where the
    rule set does not describe causes.
    """

    cause: str
    title: str
    look: str
    fits: tuple[str, ...]
    against: tuple[str, ...]
    others: tuple[Weighed, ...]
    advisories: tuple[str, ...]


def gather(standing: Sequence[Advisory]) -> list[Group]:
    """Groups of what stands at a place; `standing` and the groups come most urgent first."""
    by_id = {advisory.id: advisory for advisory in standing}
    members: dict[str, list[Advisory]] = {}
    for advisory in standing:
        members.setdefault(_leading(_top(advisory, by_id)), []).append(advisory)
    return [_group(cause, found) for cause, found in members.items()]


def _top(advisory: Advisory, by_id: dict[str, Advisory]) -> Advisory:
    """What explains the advisory in the end; itself where nothing does."""
    seen = {advisory.id}
    while advisory.outranked_by in by_id and advisory.outranked_by not in seen:
        advisory = by_id[advisory.outranked_by]
        seen.add(advisory.id)
    return advisory


def _leading(advisory: Advisory) -> str:
    return advisory.differential[0].cause if advisory.differential else advisory.cause


def _group(cause: str, members: list[Advisory]) -> Group:
    # Standing comes in order: the first is the most urgent of those that nothing explains.
    weighed = [one for member in members for one in member.differential]
    own = [one for one in weighed if one.cause == cause]
    others = {one.cause: one for one in members[0].differential if one.cause != cause}
    return Group(
        cause=cause,
        title=own[0].title if own else cause,
        look=own[0].look if own else "",
        fits=_once(words for one in own for words in one.fits),
        against=_once(words for one in own for words in one.against),
        others=tuple(others.values()),
        advisories=tuple(member.id for member in members),
    )


def _once(words: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(words))
