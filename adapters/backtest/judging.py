"""What was said of a source, against what is known to have been true."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from adapters.backtest.labels import Happened, LabelError, Labels, Span
from adapters.backtest.watching import Event
from adapters.evaluation.truth import Stretch, Truth
from adapters.evaluation.truth_kinds import CRITERIA, IMPLIES, Kind
from adapters.replay import HEARD_MS
from rules.reading import Problem, nearest

Judgement = Literal["right", "false", "not known"]
_MS_PER_S: Final = 1000.0
_S_PER_H: Final = 3600.0
_ANEW: Final = frozenset({"raised", "returned", "escalated"})

#: (first, last) numbers of the 10 s in which something came, by place.
Heard = Mapping[str, Sequence[tuple[int, int]]]


@dataclass(frozen=True, slots=True)
class Spoken:
    """An advisory from when it asked for attention; `cleared_ms` None: to the end.

    `raised_ms` is earlier than `spoken_ms` when something else explained it at first.
    """

    place: str
    rule: str
    priority: str
    raised_ms: int
    spoken_ms: int
    says: str
    cleared_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """One advisory: right by which condition, false, or nobody knows.

    `counted`: it came where everything that was wrong is known, so it counts for and against.
    """

    spoken: Spoken
    judgement: Judgement
    kind: str | None
    counted: bool


@dataclass(frozen=True, slots=True)
class Episode:
    """Something that had to be told. None for what did not come; times in ms since 1970."""

    place: str
    what: tuple[str, ...]
    begins_ms: int
    ends_ms: int
    due_ms: int
    urgent: bool
    note: str
    noticed_ms: int | None
    noticed_by: str | None
    named_ms: int | None
    urgent_ms: int | None

    @property
    def delay_s(self) -> float | None:
        """From when it was due to when it was noticed, none below zero."""
        if self.noticed_ms is None:
            return None
        return max(0, self.noticed_ms - self.due_ms) / _MS_PER_S


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one rule set did on one source. `known_h`: hours without anything unknown."""

    judged: tuple[Judged, ...]
    episodes: tuple[Episode, ...]
    known_h: float


def spoken_of(events: Iterable[Event]) -> list[Spoken]:
    """What asked for attention anew, in order of time.

    A reminder is nothing new, unless a pause had kept it from speaking before; nor is what stood,
    was covered for a while and is free again.
    """
    found: list[Spoken] = []
    standing: dict[str, int] = {}
    for event in events:
        known = event.id in standing
        if event.speaks and (event.kind in _ANEW or not known):
            standing[event.id] = len(found)
            found.append(
                Spoken(
                    event.place,
                    event.rule,
                    event.priority,
                    event.raised_ms,
                    event.at_ms,
                    event.says,
                )
            )
        elif event.kind == "cleared" and known:
            at = standing.pop(event.id)
            found[at] = replace(found[at], cleared_ms=event.at_ms)
    return found


@dataclass(frozen=True, slots=True)
class Night:
    """One source as it was watched: from when to when, and what came of which place."""

    name: str
    begins_ms: int
    ends_ms: int
    heard: Heard

    def hours(self, place: str, begins_ms: int, ends_ms: int) -> float:
        """How long something came of a place between two moments (h)."""
        counted_ms = sum(
            max(0, min(ends_ms, (last + 1) * HEARD_MS) - max(begins_ms, first * HEARD_MS))
            for first, last in self.heard.get(place, ())
        )
        return counted_ms / _MS_PER_S / _S_PER_H

    @property
    def patient_hours(self) -> float:
        """How long something came, over all places (h)."""
        return sum(self.hours(place, 0, 1 << 62) for place in self.heard)


def judge(
    night: Night,
    spoken: Sequence[Spoken],
    labels: Labels | None,
    kinds: Mapping[str, frozenset[Kind]],
) -> Verdict:
    """Judge what one rule set said of a source; without labels nobody knows.

    `kinds` are the conditions that each rule speaks of. LabelError when the labels are of other
    places or times.
    """
    if labels is None:
        return Verdict(tuple(Judged(one, "not known", None, False) for one in spoken), (), 0.0)
    known = _Known(night, labels)
    judged = tuple(known.judged(one, kinds.get(one.rule, frozenset())) for one in spoken)
    episodes = [_episode(one, known, spoken, kinds) for one in known.happened if one.label.tell]
    return Verdict(judged, tuple(episodes), known.hours())


@dataclass(frozen=True, slots=True)
class _Placed:
    """A label with its place and times (ms since 1970)."""

    label: Happened
    place: str
    begins_ms: int
    ends_ms: int


class _Known:
    """What is known of a night, resolved to its places and times."""

    def __init__(self, night: Night, labels: Labels) -> None:
        self._night = night
        self.begins_ms = night.begins_ms
        self._problems: list[Problem] = []
        self.within_ms = round(_MS_PER_S * labels.right_to_within_s)
        self.happened = [
            _Placed(one, *where) for one in labels.happened if (where := self._where(one.span))
        ]
        if isinstance(labels.complete, bool):
            whole = [(place, night.begins_ms, night.ends_ms + 1) for place in night.heard]
            self._complete = whole if labels.complete else []
        else:
            self._complete = [where for one in labels.complete if (where := self._where(one))]
        if self._problems:
            raise LabelError(self._problems)
        self._truth = {place: Truth(tuple(self._stretches(place))) for place in night.heard}

    def judged(self, one: Spoken, kinds: frozenset[Kind]) -> Judged:
        """One that comes to the front late was right if it was right when it was raised."""
        counted = any(
            place == one.place and begins_ms <= one.spoken_ms < ends_ms
            for place, begins_ms, ends_ms in self._complete
        )
        truth = self._truth.get(one.place, Truth(()))
        kind = truth.fits(kinds, one.spoken_ms / _MS_PER_S) or truth.fits(
            kinds, one.raised_ms / _MS_PER_S
        )
        if kind is not None:
            return Judged(one, "right", kind.value, counted)
        return Judged(one, "false" if counted else "not known", None, counted)

    def hours(self) -> float:
        """How long all that was wrong is known (h)."""
        return sum(self._night.hours(*where) for where in self._complete)

    def _where(self, span: Span) -> tuple[str, int, int] | None:
        night = self._night
        begins_ms = span.begins.at_ms(night.begins_ms)
        ends_ms = night.ends_ms if span.ends is None else span.ends.at_ms(night.begins_ms)
        places = list(night.heard)
        place = span.place or (places[0] if len(places) == 1 else None)
        problem = None
        if place is None:
            problem = f"says nothing of the place, and {night.name} has {', '.join(places)}"
        elif place not in night.heard:
            problem = f'"{place}" is no place of {night.name}{nearest(place, places)}'
        elif ends_ms < begins_ms:
            problem = "it ends before it begins"
        elif not (begins_ms <= night.ends_ms and ends_ms >= night.begins_ms):
            problem = f"nothing was recorded then in {night.name}"
        if problem is not None:
            self._problems.append(Problem(span.file, span.line, 1, problem))
            return None
        return str(place), begins_ms, ends_ms

    def _stretches(self, place: str) -> Iterable[Stretch]:
        for one in self.happened:
            if one.place == place:
                begins_s = (one.begins_ms - self.within_ms) / _MS_PER_S
                ends_s = (one.ends_ms + self.within_ms) / _MS_PER_S
                for kind in _with_implied(one.label.kinds):
                    yield Stretch(kind, begins_s, ends_s, None, None)


def _with_implied(kinds: frozenset[Kind]) -> list[Kind]:
    return sorted(kinds.union(*(IMPLIES.get(kind, frozenset()) for kind in kinds)))


def _episode(
    one: _Placed,
    known: _Known,
    spoken: Sequence[Spoken],
    kinds: Mapping[str, frozenset[Kind]],
) -> Episode:
    """What stood already when it began told it too: then there is no delay."""
    fitting = [
        (max(said.spoken_ms, one.begins_ms), said)
        for said in spoken
        if said.place == one.place and _tells(said, kinds.get(said.rule, frozenset()), one, known)
    ]
    fitting.sort(key=lambda item: (item[0], item[1].rule))
    named = [at_ms for at_ms, said in fitting if kinds[said.rule] & one.label.kinds]
    urgent = [at_ms for at_ms, said in fitting if said.priority == "high"]
    tell_by = one.label.tell_by
    return Episode(
        place=one.place,
        what=tuple(sorted(kind.value for kind in one.label.kinds)),
        begins_ms=one.begins_ms,
        ends_ms=one.ends_ms,
        due_ms=one.begins_ms if tell_by is None else tell_by.at_ms(known.begins_ms),
        urgent=one.label.urgent,
        note=one.label.note,
        noticed_ms=fitting[0][0] if fitting else None,
        noticed_by=fitting[0][1].rule if fitting else None,
        named_ms=named[0] if named else None,
        urgent_ms=urgent[0] if urgent else None,
    )


def _tells(said: Spoken, kinds: frozenset[Kind], one: _Placed, known: _Known) -> bool:
    fitting = kinds.intersection(_with_implied(one.label.kinds))
    if not fitting:
        return False
    grace_ms = round(_MS_PER_S * max(CRITERIA[kind].grace_s for kind in fitting))
    ends_ms = said.cleared_ms
    begins_in_time = said.spoken_ms <= one.ends_ms + known.within_ms + grace_ms
    return begins_in_time and (ends_ms is None or ends_ms >= one.begins_ms - known.within_ms)
