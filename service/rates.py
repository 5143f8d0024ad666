"""How often advisories speak, against published figures for alarm systems.

Worked out from events alone. What each figure counts:

- an event *spoke* when it asked for attention (raised, returned, escalated, uncovered, reminded);
- it *asked anew* when it spoke for the first time since it was raised, returned, escalated or
  uncovered: a reminder does not, unless a pause had kept the advisory from speaking before;
- two advisories are *distinct* when place or rule differ: of one rule at one place never more than
  one stands.

Sources: EEMUA 191 and ISA-18.2 / IEC 62682; which were read and which are from memory stands
beside each figure in `FIGURES`.
"""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import groupby
from typing import Final

WINDOW_MS: Final = 600_000
"""Rates and floods are counted over 10 min."""
FLOOD_ABOVE: Final = 10
FLOOD_ENDS_BELOW: Final = 5
CHATTER_TIMES: Final = 3
CHATTER_MS: Final = 60_000
"""Chattering: raised three times or more within a minute (ISA-18.2, from memory)."""

FIGURES: Final[Mapping[str, str]] = {
    "spoke_per_10_min": "under 1 in steady state (EEMUA 191); about 1 acceptable, about 2 the most "
    "that can be managed (ISA-18.2, from memory)",
    "flood_percent": "under 1 % (ISA-18.2, from memory)",
    "share_by_priority": "about 5 % high, 15 % medium, 80 % low (ISA-18.2 / IEC 62682)",
    "chattering": "none (ISA-18.2, from memory)",
}
"""What is published for each figure, and where."""

_BEGINS: Final = frozenset({"raised", "returned"})
_WANTS: Final = _BEGINS | {"escalated", "uncovered"}
_LISTED: Final = 5


@dataclass(frozen=True, slots=True)
class Told:
    """One event of an advisory. `place` is `ward/place`; `priority` is that of the event."""

    at_ms: int
    place: str
    priority: str
    rule: str
    kind: str
    speaks: bool

    @property
    def which(self) -> tuple[str, str]:
        """The advisory that it is of."""
        return (self.place, self.rule)


@dataclass(frozen=True, slots=True)
class Flood:
    """More than 10 distinct advisories asked within 10 min, until fewer than 5 had.

    `ends_ms` is None for one that lasted to the end; `most` is the highest count within 10 min.
    """

    begins_ms: int
    ends_ms: int | None
    most: int


@dataclass(frozen=True, slots=True)
class Stood:
    """An advisory that stood from `begins_ms`; `ends_ms` is None when it stood at the end."""

    place: str
    rule: str
    begins_ms: int
    ends_ms: int | None
    lasted_s: float


@dataclass(frozen=True, slots=True)
class Chatter:
    """An advisory that chattered, and the most times it was raised within a minute."""

    place: str
    rule: str
    times: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Rates:
    """The figures of one span of time. A span under 10 min counts as 10 min for the mean."""

    from_ms: int
    to_ms: int
    raised: int
    spoke: int
    mean_per_10_min: float
    most_in_10_min: int
    most_until_ms: int | None
    floods: list[Flood] = field(default_factory=list)
    flood_percent: float = 0.0
    share_by_priority: dict[str, float] = field(default_factory=dict)
    chattering: list[Chatter] = field(default_factory=list)
    longest: list[Stood] = field(default_factory=list)
    acknowledged: int = 0
    acknowledge_median_s: float | None = None
    acknowledge_95th_s: float | None = None
    spoke_most: list[tuple[str, int]] = field(default_factory=list)


def rates(told: Iterable[Told], from_ms: int, to_ms: int) -> Rates:
    """The figures of the events from `from_ms` up to, not including, `to_ms`.

    ValueError when the span is empty. What stood before the span and ends in it counts from the
    start of the span.
    """
    if to_ms <= from_ms:
        raise ValueError("a span must end after it begins")
    within = sorted((e for e in told if from_ms <= e.at_ms < to_ms), key=lambda e: e.at_ms)
    spoke = [event for event in within if event.speaks]
    most, most_until_ms = most_within([event.at_ms for event in spoke], WINDOW_MS)
    anew = _anew(within)
    floods = _floods(anew, to_ms)
    flooded_ms = sum((f.ends_ms or to_ms) - f.begins_ms for f in floods)
    waited_s = sorted(_waited_s(within, anew))
    return Rates(
        from_ms=from_ms,
        to_ms=to_ms,
        raised=sum(event.kind in _BEGINS for event in within),
        spoke=len(spoke),
        mean_per_10_min=len(spoke) * WINDOW_MS / max(to_ms - from_ms, WINDOW_MS),
        most_in_10_min=most,
        most_until_ms=most_until_ms,
        floods=floods,
        flood_percent=100.0 * flooded_ms / (to_ms - from_ms),
        share_by_priority=_shares(anew),
        chattering=_chattering(within),
        longest=_longest(within, from_ms, to_ms),
        acknowledged=len(waited_s),
        acknowledge_median_s=nearest_rank(waited_s, 0.5),
        acknowledge_95th_s=nearest_rank(waited_s, 0.95),
        spoke_most=_counted(event.rule for event in spoke),
    )


def rates_by(
    told: Sequence[Told], from_ms: int, to_ms: int, key: Callable[[str], str]
) -> dict[str, Rates]:
    """The figures of each group of places, by the key that a place's name gives."""
    groups: dict[str, list[Told]] = {}
    for event in told:
        groups.setdefault(key(event.place), []).append(event)
    return {name: rates(events, from_ms, to_ms) for name, events in sorted(groups.items())}


def nearest_rank(ordered: Sequence[float], share: float) -> float | None:
    """The smallest value that at least this share of the values does not exceed; None of none."""
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)] if ordered else None


def most_within(times_ms: Sequence[int], window_ms: int) -> tuple[int, int | None]:
    """The highest count within the window, and when it was first reached."""
    window: deque[int] = deque()
    most, until_ms = 0, None
    for at_ms in times_ms:
        window.append(at_ms)
        while window[0] <= at_ms - window_ms:
            window.popleft()
        if len(window) > most:
            most, until_ms = len(window), at_ms
    return most, until_ms


def _floods(asking: Sequence[Told], to_ms: int) -> list[Flood]:
    """A flood begins with the 11th distinct one in 10 min and ends when fewer than 5 are left."""
    # An event leaves the window 10 min after it. An instant is judged when all of it is counted.
    steps = [(event.at_ms, 1, event.which) for event in asking]
    steps += [(event.at_ms + WINDOW_MS, -1, event.which) for event in asking]
    floods: list[Flood] = []
    held: Counter[tuple[str, str]] = Counter()
    begins_ms, most = None, 0
    for at_ms, instant in groupby(sorted(steps), key=lambda step: step[0]):
        if at_ms >= to_ms:
            break
        for _, change, which in instant:
            held[which] += change
        count = sum(number > 0 for number in held.values())
        most = max(most, count)
        if begins_ms is None and count > FLOOD_ABOVE:
            begins_ms, most = at_ms, count
        elif begins_ms is not None and count < FLOOD_ENDS_BELOW:
            floods.append(Flood(begins_ms, at_ms, most))
            begins_ms = None
    return floods if begins_ms is None else [*floods, Flood(begins_ms, None, most)]


def _anew(within: Sequence[Told]) -> list[Told]:
    wanting: set[tuple[str, str]] = set()
    anew = []
    for event in within:
        if event.kind in _WANTS:
            wanting.add(event.which)
        if event.speaks and event.which in wanting:
            wanting.remove(event.which)
            anew.append(event)
    return anew


def _shares(anew: Sequence[Told]) -> dict[str, float]:
    """Percent of those that asked anew, by priority; empty when none did."""
    counts = Counter(event.priority for event in anew)
    names = ("high", "medium", "low") if anew else ()
    return {name: 100.0 * counts[name] / len(anew) for name in names}


def _chattering(within: Sequence[Told]) -> list[Chatter]:
    begins: dict[tuple[str, str], list[int]] = {}
    for event in within:
        if event.kind in _BEGINS:
            begins.setdefault(event.which, []).append(event.at_ms)
    found = [(which, most_within(times, CHATTER_MS)[0]) for which, times in sorted(begins.items())]
    return [Chatter(*which, most) for which, most in found if most >= CHATTER_TIMES]


def _longest(within: Sequence[Told], from_ms: int, to_ms: int) -> list[Stood]:
    began: dict[tuple[str, str], int] = {}
    stood: list[Stood] = []
    for event in within:
        if event.kind in _BEGINS:
            began.setdefault(event.which, event.at_ms)
        elif event.kind == "cleared":
            begins_ms = began.pop(event.which, from_ms)
            lasted_s = (event.at_ms - begins_ms) / 1000.0
            stood.append(Stood(*event.which, begins_ms, event.at_ms, lasted_s))
        else:
            # Nothing happens to what does not stand: it stood before the span.
            began.setdefault(event.which, from_ms)
    for which, begins_ms in began.items():
        stood.append(Stood(*which, begins_ms, None, (to_ms - begins_ms) / 1000.0))
    stood.sort(key=lambda s: (-s.lasted_s, s.place, s.rule))
    return stood[:_LISTED]


def _waited_s(within: Sequence[Told], anew: Sequence[Told]) -> list[float]:
    """From when an advisory asked anew to its acknowledgement (s)."""
    asked = {id(event) for event in anew}
    since: dict[tuple[str, str], int] = {}
    waited: list[float] = []
    for event in within:
        if event.kind == "acknowledged" and event.which in since:
            waited.append((event.at_ms - since.pop(event.which)) / 1000.0)
        elif event.kind == "cleared":
            since.pop(event.which, None)
        elif id(event) in asked:
            since.setdefault(event.which, event.at_ms)
    return waited


def _counted(rules: Iterable[str]) -> list[tuple[str, int]]:
    counts = Counter(rules)
    return sorted(counts.items(), key=lambda item: (-item[1], item[0]))[:_LISTED]
