"""A rule set on trial: judged in silence beside the active one, with books of its own.

It sees what the active one sees, at the same moments, and nothing of what it decides is published.
It never asks for a look of its own, which would change when the active one decides; so it may
speak up to a second later than it would by itself.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rules.model import Rule
from service.advisories import Advisory, Book, Changes, Moment, Tracked
from service.bedside import Bedside
from service.facts import FactSet
from service.judge import Judge
from service.wording import write_advisory


@dataclass(slots=True)
class TrialState:
    """All state of a trial: which rules, since when, and the book of each place."""

    rules_sha256: str
    since_ms: int
    books: dict[str, Book] = field(default_factory=dict)


def begun(rules_sha256: str, since_ms: int, books: Mapping[str, Book]) -> TrialState:
    """A trial that begins beside these books, without any advisory.

    Since when a condition has held is taken over, as at an activation: a rule that the two have in
    common would else seem to speak later, by the part of its `for` that had passed.
    """
    return TrialState(rules_sha256, since_ms, {name: _held(book) for name, book in books.items()})


def _held(book: Book) -> Book:
    held = {
        rule: Tracked(holds_since_ms=tracked.holds_since_ms)
        for rule, tracked in book.tracked.items()
        if tracked.holds_since_ms is not None
    }
    return Book(held, book.patient)


class Trial:
    """A candidate's judge, with the books that it keeps."""

    def __init__(self, judge: Judge, state: TrialState) -> None:
        self.judge = judge
        self.state = state

    def look(self, bedside: Bedside, facts: FactSet, now_ms: int) -> Changes:
        """What the candidate would have said of this place now."""
        book = self.state.books.setdefault(bedside.name, Book())
        moment = self.judge.moment(bedside.patient, facts, now_ms, book.under_way())

        def write(rule: Rule, at: Moment, onset_ms: int, identity: str) -> Advisory:
            causes = self.judge.rule_set.causes
            return write_advisory(bedside, rule, at, onset_ms, identity, causes)

        return book.move(bedside.name, self.judge.rule_set, moment, write)

    def acknowledge(self, place: str, target: str | None, by: str, now_ms: int) -> Changes:
        """What was acknowledged at the bedside counts for the same advisory of the candidate."""
        book = self.state.books.get(place)
        result = None if book is None else book.acknowledge(target, by, now_ms)
        return result if isinstance(result, Changes) else Changes()
