"""Which clauses of a rule set some moments have put to the test, and which limits.

A clause is one comparison of a condition. It was seen true, seen false, and seen deciding: at a
moment at which the condition would have come out otherwise, had this clause alone been otherwise.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from rules.conditions import Every, Known, Leaf, Some, Tree, flat, leaves_of, normal
from rules.engine.compile import BEYOND, Check, Program
from rules.engine.guard import FactValue
from rules.engine.plain import predicate
from rules.limits import ResolvedLimit
from rules.model import SCOPE_FACTS, Comparison, Condition, LimitRef, Rule, RuleSet, Unknown

Key = tuple[str, str, int]
"""A clause: rule, condition ("when", "clears", "needs", "escalate"), and its number in it."""


@dataclass(slots=True)
class Seen:
    """How often a clause was seen so."""

    true: int = 0
    false: int = 0
    deciding: int = 0

    @property
    def whole(self) -> bool:
        """Whether it was seen in every way."""
        return bool(self.true and self.false and self.deciding)

    @property
    def never(self) -> str:
        """How it was never seen: `false, deciding`."""
        counts = {"true": self.true, "false": self.false, "deciding": self.deciding}
        return ", ".join(name for name, count in counts.items() if not count)

    def add(self, other: Seen) -> None:
        """Add what was seen elsewhere."""
        self.true += other.true
        self.false += other.false
        self.deciding += other.deciding


@dataclass(frozen=True, slots=True)
class Clause:
    """One clause as it is written in a rule set, in the sense in which it helps to hold."""

    key: Key
    leaf: Leaf


@dataclass(slots=True)
class Coverage:
    """What was seen of each clause, and of each limit for whom it was written."""

    clauses: dict[Key, Seen] = field(default_factory=dict)
    limits: dict[tuple[str, str], int] = field(default_factory=dict)

    @classmethod
    def none_of(cls, rule_set: RuleSet) -> Coverage:
        """Of every clause nothing was seen."""
        return cls({clause.key: Seen() for clause in clauses(rule_set)})

    def add(self, other: Coverage) -> None:
        """Add what was seen elsewhere."""
        for key, seen in other.clauses.items():
            self.clauses.setdefault(key, Seen()).add(seen)
        for name, count in other.limits.items():
            self.limits[name] = self.limits.get(name, 0) + count


def clauses(rule_set: RuleSet) -> Iterator[Clause]:
    """Every clause of a rule set."""
    for rule in rule_set.rules:
        for name, condition in rule.conditions().items():
            for number, leaf in enumerate(leaves_of(condition)):
                yield Clause((rule.id, name, number), leaf)


class Observer:
    """Looks at moments, one after the other, and keeps what was seen."""

    def __init__(self, rule_set: RuleSet) -> None:
        self._program = Program(rule_set)
        self._rules = [_Watched(rule, self._program) for rule in rule_set.rules]
        self.coverage = Coverage.none_of(rule_set)

    def look(
        self,
        facts: Mapping[str, FactValue],
        limits: Mapping[str, ResolvedLimit],
        standing: Collection[str],
    ) -> None:
        """One moment. `standing` are the rules whose advisories stand: only those can end.

        The same mapping of limits always holds the same limits.
        """
        moment = _Moment(facts, limits, self._program.snapshot(facts, limits))
        for watched in self._rules:
            watched.look(moment, watched.rule.id in standing, self.coverage)


@dataclass(frozen=True, slots=True)
class _Moment:
    facts: Mapping[str, FactValue]
    limits: Mapping[str, ResolvedLimit]
    properties: Mapping[str, int]


class _Condition:
    """One condition: its clauses, and on which of them it hangs with which of them true."""

    def __init__(self, condition: Condition, program: Program) -> None:
        self._tree = normal(condition)
        self.leaves = leaves_of(condition)
        checks: Iterator[Check] = flat(program.checks(condition))
        self._checks = [
            (check, predicate(check), isinstance(leaf, Known | Unknown))
            for leaf, check in zip(self.leaves, checks, strict=True)
        ]
        self._known: dict[tuple[bool | None, ...], frozenset[int]] = {}

    def holds(self, properties: Mapping[str, int]) -> tuple[bool | None, ...]:
        """Each clause true, false, or None where its fact or its limit is not known.

        Whether a fact is known is always known.
        """
        return tuple(
            holds(properties) if always or _is_known(check, properties) else None
            for check, holds, always in self._checks
        )

    def deciding(self, holds: tuple[bool | None, ...]) -> frozenset[int]:
        """The clauses on which it hangs; one that is not known counts as false."""
        if holds not in self._known:
            self._known[holds] = _deciding(self._tree, holds)
        return self._known[holds]

    def is_true(self, holds: tuple[bool | None, ...]) -> bool:
        """Whether it holds with these."""
        return _value(self._tree, iter([held is True for held in holds]))


def _is_known(check: Check, properties: Mapping[str, int]) -> bool:
    if check.left not in properties:
        return False
    # A limit without a value stands beyond everything.
    return isinstance(check.right, int) or abs(properties[check.right]) < BEYOND


class _Watched:
    """One rule. What it has seen with the same values before is not looked at again."""

    def __init__(self, rule: Rule, program: Program) -> None:
        self.rule = rule
        self._facts = sorted(rule.facts())
        self._conditions = {
            name: _Condition(condition, program) for name, condition in rule.conditions().items()
        }
        self._before: object = None

    def look(self, moment: _Moment, stands: bool, coverage: Coverage) -> None:
        facts = moment.facts
        now = ([facts.get(name) for name in self._facts], id(moment.limits), stands)
        if now == self._before:
            return
        self._before = now
        scope = all(
            facts.get(SCOPE_FACTS[key]) in labels for key, labels in self.rule.only_in.items()
        )
        held = {name: one.holds(moment.properties) for name, one in self._conditions.items()}
        for name, condition in self._conditions.items():
            asked = scope and self._counts(name, stands, held)
            deciding = condition.deciding(held[name]) if asked else frozenset()
            for number, holds in enumerate(held[name]):
                seen = coverage.clauses[self.rule.id, name, number]
                seen.true += holds is True
                seen.false += holds is False
                seen.deciding += number in deciding
            for number in deciding:
                _note_limit(condition.leaves[number], moment.limits, coverage)

    def _counts(self, name: str, stands: bool, held: Mapping[str, tuple[bool | None, ...]]) -> bool:
        """Whether anything hangs on this condition now."""
        if name in ("clears", "escalate"):
            return stands
        other = "needs" if name == "when" else "when"
        return other not in held or self._conditions[other].is_true(held[other])


def _note_limit(leaf: Leaf, limits: Mapping[str, ResolvedLimit], coverage: Coverage) -> None:
    if isinstance(leaf, Comparison) and isinstance(leaf.operand, LimitRef):
        name = leaf.operand.name
        where = limits[name].where
        coverage.limits[name, where] = coverage.limits.get((name, where), 0) + 1


def _deciding(tree: Tree[Leaf], holds: Sequence[bool | None]) -> frozenset[int]:
    """The leaves on which the tree hangs; one that is not known counts as false."""
    values = [held is True for held in holds]
    found = set()
    for number, value in enumerate(values):
        values[number] = True
        if_true = _value(tree, iter(values))
        values[number] = False
        if if_true != _value(tree, iter(values)):
            found.add(number)
        values[number] = value
    return frozenset(found)


def _value(tree: Tree[Leaf], values: Iterator[bool]) -> bool:
    """The tree with these leaves, taken in the order written."""
    if not isinstance(tree, Every | Some):
        return next(values)
    # Every member takes its leaves, also where one has already decided.
    members = [_value(member, values) for member in tree.members]
    return all(members) if isinstance(tree, Every) else any(members)
