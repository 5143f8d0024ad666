"""Several rule sets on the very same readings: one bedside and one set of facts a place, and a
book of advisories for each rule set.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from rules.engine import build_engine
from rules.model import Rule, RuleSet
from service.advisories import Advisory, AdvisoryEvent, Book, Moment
from service.bedside import Bedside
from service.facts import FactSet, facts_of
from service.intake import Accepted, Arrival, Intake, Refused
from service.judge import Judge
from service.watch import CYCLE_MS, LOOK_EVERY_MS
from service.wording import write_advisory

_MS_PER_S: Final = 1000.0


@dataclass(frozen=True, slots=True)
class Contender:
    """A rule set with its judge."""

    name: str
    judge: Judge

    @property
    def rule_set(self) -> RuleSet:
        """What it goes by."""
        return self.judge.rule_set


@dataclass(slots=True)
class Spoken:
    """An advisory from when it first stood by itself; `cleared_s` None: to the end. Times in s.

    `raised_s` is earlier than `spoken_s` when something else explained it at first.
    """

    place: str
    rule: str
    priority: str
    raised_s: float
    spoken_s: float
    says: str
    cleared_s: float | None = None


def contender(name: str, rule_set: RuleSet) -> Contender:
    """A rule set made ready; EngineError when no engine takes it."""
    # Of two engines that answer alike the quicker one: there are thousands of cases.
    return Contender(name, Judge(rule_set, build_engine(rule_set, "plain")))


@dataclass(slots=True)
class _Place:
    bedside: Bedside
    books: list[Book]
    due_ms: int = 0


class Bench:
    """Watches any number of places. `spoken` holds for each contender what it has said."""

    def __init__(self, contenders: Sequence[Contender], zero_ms: int) -> None:
        self._contenders = contenders
        self._zero_ms = zero_ms
        self._intake = Intake()
        self._places: dict[str, _Place] = {}
        self._wanted = frozenset().union(*(one.judge.wanted for one in contenders))
        self.spoken: dict[str, list[Spoken]] = {one.name: [] for one in contenders}
        self._open: dict[tuple[str, str], Spoken] = {}

    def run(self, arrivals: Iterable[Arrival], until_ms: int) -> None:
        """Work through all cycles up to `until_ms`; arrivals are in order of receipt."""
        waiting = list(arrivals)
        at = 0
        while True:
            ends = [_cycle_end(place.due_ms - 1) for place in self._places.values()]
            if at < len(waiting):
                ends.append(_cycle_end(waiting[at].received_ms))
            end_ms = min(ends, default=until_ms + 1)
            if end_ms > until_ms:
                return
            touched: set[str] = set()
            while at < len(waiting) and waiting[at].received_ms < end_ms:
                self._take(waiting[at], touched)
                at += 1
            touched.update(name for name, one in self._places.items() if one.due_ms <= end_ms)
            for name in sorted(touched):
                self._look(self._places[name], end_ms)

    def _take(self, arrival: Arrival, touched: set[str]) -> None:
        taken = self._intake.take(arrival)
        if isinstance(taken, Accepted):
            place = self._place(taken.ward, taken.place)
            place.bedside.take(taken)
        elif isinstance(taken, Refused) and taken.ward is not None and taken.place is not None:
            place = self._place(taken.ward, taken.place)
            place.bedside.take_refused(taken)
        else:
            return
        touched.add(place.bedside.name)

    def _place(self, ward: str, place: str) -> _Place:
        name = f"{ward}/{place}"
        if name not in self._places:
            books = [Book() for _ in self._contenders]
            self._places[name] = _Place(Bedside(ward, place), books)
        return self._places[name]

    def _look(self, place: _Place, now_ms: int) -> None:
        bedside = place.bedside
        bedside.due(now_ms)
        bedside.forget_old(now_ms)
        facts = facts_of(bedside, now_ms, self._wanted)
        waits = [bedside.paw.assembler.next_due_ms(), bedside.co2.assembler.next_due_ms()]
        for contender, book in zip(self._contenders, place.books, strict=True):
            self._decide(bedside, contender, book, facts, now_ms)
            waits.append(book.next_due_ms(contender.rule_set))
        due = [now_ms + LOOK_EVERY_MS, *(wait for wait in waits if wait is not None)]
        place.due_ms = max(now_ms + 1, min(due))

    def _decide(
        self, bedside: Bedside, contender: Contender, book: Book, facts: FactSet, now_ms: int
    ) -> None:
        moment = contender.judge.moment(bedside.patient, facts, now_ms, book.under_way())

        def write(rule: Rule, at: Moment, onset_ms: int, identity: str) -> Advisory:
            return write_advisory(bedside, rule, at, onset_ms, identity)

        for event in book.move(bedside.name, contender.rule_set, moment, write).events:
            self._note(contender.name, bedside.name, event)

    def _note(self, contender: str, place: str, event: AdvisoryEvent) -> None:
        """Whatever asks for attention is counted, a reminder of what was said before is not.

        One that stood, was covered for a while and is free again says nothing new.
        """
        advisory = event.advisory
        key = (contender, advisory.id)
        again = event.kind == "uncovered" and key in self._open
        if event.speaks and event.kind != "reminded" and not again:
            spoken = Spoken(
                place=place,
                rule=advisory.rule,
                priority=str(advisory.priority),
                raised_s=self._seconds(advisory.raised_ms),
                spoken_s=self._seconds(event.at_ms),
                says=advisory.says,
            )
            self.spoken[contender].append(spoken)
            self._open[key] = spoken
        elif event.kind == "cleared" and key in self._open:
            self._open.pop(key).cleared_s = self._seconds(event.at_ms)

    def _seconds(self, at_ms: int) -> float:
        return (at_ms - self._zero_ms) / _MS_PER_S


def _cycle_end(received_ms: int) -> int:
    return (received_ms // CYCLE_MS + 1) * CYCLE_MS
