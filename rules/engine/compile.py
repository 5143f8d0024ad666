"""From rules to checks on whole numbers, and from a snapshot to those numbers.

Both engines evaluate a `Program`. Its properties are whole numbers:

- a fact: millionths of its unit, 0 or 1 for a flag, a code for a label; left out when unknown;
- `?fact`: 1 when the fact is unknown, left out when it is known;
- `fact in a|b` and `fact may be in a|b`: 1 when the label is among these (or, for the second, when
  it is unknown), for `only_in`; otherwise left out;
- a limit, one property for each fact, offset and direction it is used with, in millionths of the
  fact's unit. It is always there: a limit without a value stands beyond every possible fact on
  the side that makes the comparison false. (durable-rules must never compare with a property
  that is missing: it then repeats the answer of the comparison before.)
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Final, Generic, TypeVar

from rules.conditions import (
    MILLION,
    WIDEST,
    Every,
    Known,
    Leaf,
    Some,
    Tree,
    every,
    millionths,
    normal,
    too_wide,
)
from rules.engine.guard import EngineError, FactValue, flaw
from rules.limits import ResolvedLimit
from rules.model import SCOPE_FACTS, Comparison, Condition, LimitRef, Op, Rule, RuleSet, Unknown
from rules.units import converter
from rules.vocabulary import CATALOGUE, Fact, Kind

BEYOND: Final = 4_000_000_000_000_000
"""Further than any fact or limit in millionths; exact as a float and as a C long."""

#: Patients of one class, species and weight share a mapping: more than a hospital has at a time.
_MOST_LIMITS: Final = 512


class Relation(Enum):
    """How a property compares with a whole number or another property."""

    GT = "$gt"
    GTE = "$gte"
    LT = "$lt"
    LTE = "$lte"
    EQ = "$eq"
    NE = "$neq"


_RELATIONS: Final[Mapping[Op, Relation]] = {
    Op.ABOVE: Relation.GT,
    Op.AT_LEAST: Relation.GTE,
    Op.BELOW: Relation.LT,
    Op.AT_MOST: Relation.LTE,
    Op.IS: Relation.EQ,
    Op.IS_NOT: Relation.NE,
}


@dataclass(frozen=True, slots=True)
class Check:
    """`left relation right`; `right` is a whole number or the name of another property.

    False when `left` is not there; a property named as `right` always is.
    """

    left: str
    relation: Relation
    right: int | str


@dataclass(slots=True)
class _FactReader:
    """Writes the properties of one fact that is there."""

    fact: Fact
    codes: dict[str, int] = field(default_factory=dict)
    scopes: dict[tuple[str, ...], tuple[str, str]] = field(default_factory=dict)
    low: float = math.inf
    high: float = -math.inf

    def __post_init__(self) -> None:
        # Of facts that are no numbers, and beyond what fits, no float is usual.
        if self.fact.kind is Kind.NUMBER and max(-self.fact.low, self.fact.high) <= WIDEST:
            self.low, self.high = self.fact.low, self.fact.high

    def write(self, value: object, properties: dict[str, int]) -> None:
        """Writes nothing for a value that the guard refuses."""
        if value is None or flaw(self.fact, value) is not None:
            return
        properties[self.fact.name] = self._number(value)
        for labels, (within, maybe_within) in self.scopes.items():
            if value in labels:
                properties[within] = properties[maybe_within] = 1

    def _number(self, value: object) -> int:
        if isinstance(value, bool):
            return int(value)
        if isinstance(value, str):
            return self.codes.get(value, 0)
        assert isinstance(value, int | float)  # noqa: S101 - the guard has let it through
        return millionths(value)


@dataclass(frozen=True, slots=True)
class _LimitReader:
    """Writes one limit as one fact sees it."""

    limit: str
    unit: str
    offset: float
    upper: bool

    @property
    def name(self) -> str:
        side = "over" if self.upper else "under"
        return f"{side} limit {self.limit} {self.offset!r} {self.unit}"

    def number(self, limits: Mapping[str, ResolvedLimit]) -> int:
        limit = limits.get(self.limit)
        if limit is None or limit.value is None or not math.isfinite(limit.value):
            return BEYOND if self.upper else -BEYOND
        return _moved(limit.value, limit.unit, self.unit, self.offset)


T = TypeVar("T")


class ByLimits(Generic[T]):
    """What was made of each of the mappings of limits last asked with.

    A place is judged with the very same mapping from look to look, and the same mapping always
    holds the same limits. Each is held here, so that no other can take its identity.
    """

    def __init__(self, make: Callable[[Mapping[str, ResolvedLimit]], T]) -> None:
        self._make = make
        self._made: dict[int, tuple[Mapping[str, ResolvedLimit], T]] = {}

    def __call__(self, limits: Mapping[str, ResolvedLimit]) -> T:
        found = self._made.get(id(limits))
        if found is None:
            if len(self._made) >= _MOST_LIMITS:
                self._made.clear()
            found = self._made[id(limits)] = (limits, self._make(limits))
        return found[1]

    def forget(self) -> None:
        """Make all of them anew."""
        self._made.clear()


@functools.lru_cache(maxsize=4096)
def _moved(value: float, unit: str, target: str, offset: float) -> int:
    return millionths(converter(unit, target)(value) + offset)


@dataclass(frozen=True, slots=True)
class Conditions:
    """The conditions of one rule, by their keys: its `when`, and those of what then stands."""

    when: Mapping[str, Tree[Check]]
    others: Mapping[str, Tree[Check]]


class Program:
    """The conditions of a rule set as trees of checks, by rule.

    `snapshot` turns facts and limits into properties.
    """

    def __init__(self, rule_set: RuleSet) -> None:
        """Raises EngineError when a condition is wider or deeper than the engines take."""
        self.rules: dict[str, Conditions] = {}
        self._facts: dict[str, _FactReader] = {}
        self._limits: dict[_LimitReader, str] = {}
        # Facts of which it is asked whether they are there, with what holds when they are not.
        self._unknown: dict[str, list[str]] = {}
        self._numbers = ByLimits(self._number_limits)
        for rule in rule_set.rules:
            self.rules[rule.id] = self._compile(rule)

    def snapshot(
        self, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
    ) -> dict[str, int]:
        """The properties of one moment. Facts that the guard refuses count as unknown.

        The same mapping of limits always holds the same limits.
        """
        return {**self.facts(facts), **self.limits(limits)}

    def facts(self, facts: Mapping[str, FactValue]) -> dict[str, int]:
        """The properties that tell of facts."""
        properties: dict[str, int] = {}
        readers = self._facts
        for name, value in facts.items():
            reader = readers.get(name)
            if reader is None:
                continue
            # Nearly every value is a plausible float: what `write` does, at a third of the price.
            if type(value) is float and reader.low <= value <= reader.high:
                properties[name] = round(value * MILLION)
            else:
                reader.write(value, properties)
        for name, marks in self._unknown.items():
            if name not in properties:
                for mark in marks:
                    properties[mark] = 1
        return properties

    @property
    def limit_names(self) -> Collection[str]:
        """The properties that are limits; all others tell of facts."""
        return self._limits.values()

    def limits(self, limits: Mapping[str, ResolvedLimit]) -> Mapping[str, int]:
        """The properties that are limits; the same mapping always holds the same limits."""
        return self._numbers(limits)

    def checks(self, condition: Condition) -> Tree[Check]:
        """Another condition as checks of later snapshots, clause by clause as it is written."""
        return self._checks(normal(condition))

    def _number_limits(self, limits: Mapping[str, ResolvedLimit]) -> dict[str, int]:
        return {name: limit.number(limits) for limit, name in self._limits.items()}

    def _compile(self, rule: Rule) -> Conditions:
        when = self._tree(rule.needing(rule.when), rule.id)
        others = {f"{rule.id}/clears": self._tree(rule.needing(rule.clearing), rule.id)}
        scope = [self._scope(SCOPE_FACTS[key], labels) for key, labels in rule.only_in.items()]
        within = [Check(name, Relation.EQ, 1) for name, _ in scope]
        if rule.escalate is not None and rule.escalate.when is not None:
            others[f"{rule.id}/escalates"] = self._tree(rule.escalate.when, rule.id)
        if scope:
            maybe: list[Tree[Check]] = [Check(name, Relation.EQ, 1) for _, name in scope]
            others[f"{rule.id}/in_scope"] = every(maybe)
        return Conditions({f"{rule.id}/when": every([*within, when])}, others)

    def _tree(self, condition: Condition, rule_id: str) -> Tree[Check]:
        problem = too_wide(condition)
        if problem is not None:
            raise EngineError(f"rule {rule_id}: {problem}")
        return self._checks(normal(condition))

    def _checks(self, tree: Tree[Leaf]) -> Tree[Check]:
        if isinstance(tree, Every):
            return Every(tuple(self._checks(member) for member in tree.members))
        if isinstance(tree, Some):
            return Some(tuple(self._checks(member) for member in tree.members))
        if isinstance(tree, Unknown):
            return Check(self._mark(tree.fact, f"?{tree.fact}"), Relation.EQ, 1)
        if isinstance(tree, Known):
            self._fact(tree.fact)
            return Check(tree.fact, Relation.GT, -BEYOND)
        return Check(tree.fact, _RELATIONS[tree.op], self._right(tree))

    def _right(self, comparison: Comparison) -> int | str:
        reader = self._fact(comparison.fact)
        operand = comparison.operand
        if isinstance(operand, LimitRef):
            upper = comparison.op in (Op.ABOVE, Op.AT_LEAST)
            limit = _LimitReader(operand.name, reader.fact.unit, operand.offset, upper)
            self._numbers.forget()
            return self._limits.setdefault(limit, limit.name)
        if reader.fact.kind is Kind.LABEL:
            return reader.codes.setdefault(str(operand.value), len(reader.codes) + 1)
        if isinstance(operand.value, str):
            raise EngineError(f"{comparison.fact} is compared with a label")
        if reader.fact.kind is Kind.FLAG:
            return int(operand.value)
        return millionths(operand.value)

    def _fact(self, name: str) -> _FactReader:
        fact = CATALOGUE.get(name)
        if fact is None:
            raise EngineError(f"{name} is not a fact of the catalogue")
        return self._facts.setdefault(name, _FactReader(fact))

    def _mark(self, name: str, mark: str) -> str:
        """The property `mark`, which is there while the fact is unknown."""
        self._fact(name)
        marks = self._unknown.setdefault(name, [])
        if mark not in marks:
            marks.append(mark)
        return mark

    def _scope(self, name: str, labels: tuple[str, ...]) -> tuple[str, str]:
        """The properties "is among these" and "is among these or unknown" of a fact."""
        listed = "|".join(labels)
        within, maybe_within = f"{name} in {listed}", f"{name} may be in {listed}"
        self._mark(name, maybe_within)
        return self._fact(name).scopes.setdefault(labels, (within, maybe_within))
