"""From rules to checks on whole numbers, and from a snapshot to those numbers.

Both engines evaluate a `Program`. Its properties are whole numbers:

- a fact: millionths of its unit, 0 or 1 for a flag, a code for a label; left out when unknown;
- `?fact`: 1 when the fact is unknown, 0 when it is known;
- `fact in a|b` and `fact may be in a|b`: 1 when the label is among these (or, for the second, when
  it is unknown), for `only_in`;
- a limit, one property for each fact, offset and direction it is used with, in millionths of the
  fact's unit. It is always there: a limit without a value stands beyond every possible fact on
  the side that makes the comparison false. (durable-rules must never compare with a property
  that is missing: it then repeats the answer of the comparison before.)
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Final

from rules.conditions import Every, Known, Leaf, Some, Tree, every, millionths, normal, too_wide
from rules.engine.guard import EngineError, FactValue, flaw
from rules.limits import ResolvedLimit
from rules.model import SCOPE_FACTS, Comparison, Condition, LimitRef, Op, Rule, RuleSet, Unknown
from rules.units import converter
from rules.vocabulary import CATALOGUE, Fact, Kind

BEYOND: Final = 4_000_000_000_000_000
"""Further than any fact or limit in millionths; exact as a float and as a C long."""


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
    """Writes the properties of one fact."""

    fact: Fact
    codes: dict[str, int] = field(default_factory=dict)
    asks_unknown: bool = False
    scopes: dict[tuple[str, ...], tuple[str, str]] = field(default_factory=dict)

    def write(self, value: object, properties: dict[str, int]) -> None:
        name = self.fact.name
        known = value is not None and flaw(self.fact, value) is None
        if known:
            properties[name] = self._number(value)
        if self.asks_unknown:
            properties[f"?{name}"] = 0 if known else 1
        for labels, (within, maybe_within) in self.scopes.items():
            inside = known and value in labels
            properties[within] = int(inside)
            properties[maybe_within] = int(inside or not known)

    def names(self) -> list[str]:
        unknown = [f"?{self.fact.name}"] if self.asks_unknown else []
        return [self.fact.name, *unknown, *itertools.chain.from_iterable(self.scopes.values())]

    def scope(self, labels: tuple[str, ...]) -> tuple[str, str]:
        """The properties "is among these" and "is among these or unknown"."""
        listed = "|".join(labels)
        names = (f"{self.fact.name} in {listed}", f"{self.fact.name} may be in {listed}")
        return self.scopes.setdefault(labels, names)

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


@functools.lru_cache(maxsize=4096)
def _moved(value: float, unit: str, target: str, offset: float) -> int:
    return millionths(converter(unit, target)(value) + offset)


class Program:
    """The conditions of a rule set as trees of checks, by condition key.

    `snapshot` turns facts and limits into properties.
    """

    def __init__(self, rule_set: RuleSet) -> None:
        """Raises EngineError when a condition is wider or deeper than the engines take."""
        self.conditions: dict[str, Tree[Check]] = {}
        self._facts: dict[str, _FactReader] = {}
        self._limits: dict[_LimitReader, str] = {}
        # The limits last asked with, and their numbers: they are the same from look to look.
        self._last: tuple[Mapping[str, ResolvedLimit], dict[str, int]] | None = None
        for rule in rule_set.rules:
            self._add(rule)

    def property_names(self) -> tuple[str, ...]:
        """Every property that a snapshot may hold."""
        facts = [name for reader in self._facts.values() for name in reader.names()]
        return (*facts, *self._limits.values())

    def snapshot(
        self, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
    ) -> dict[str, int]:
        """The properties of one moment. Facts that the guard refuses count as unknown.

        The same mapping of limits always holds the same limits.
        """
        properties: dict[str, int] = {}
        for name, reader in self._facts.items():
            reader.write(facts.get(name), properties)
        if self._last is None or self._last[0] is not limits:
            numbers = {name: limit.number(limits) for limit, name in self._limits.items()}
            self._last = (limits, numbers)
        properties.update(self._last[1])
        return properties

    def _add(self, rule: Rule) -> None:
        when = self._tree(rule.needing(rule.when), rule.id)
        clears = self._tree(rule.needing(rule.clearing), rule.id)
        scope = [self._fact(SCOPE_FACTS[key]).scope(labels) for key, labels in rule.only_in.items()]
        within = [Check(name, Relation.EQ, 1) for name, _ in scope]
        self.conditions[f"{rule.id}/when"] = every([*within, when])
        self.conditions[f"{rule.id}/clears"] = clears
        if rule.escalate is not None and rule.escalate.when is not None:
            self.conditions[f"{rule.id}/escalates"] = self._tree(rule.escalate.when, rule.id)
        if scope:
            maybe: list[Tree[Check]] = [Check(name, Relation.EQ, 1) for _, name in scope]
            self.conditions[f"{rule.id}/in_scope"] = every(maybe)

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
        if isinstance(tree, Unknown | Known):
            self._fact(tree.fact).asks_unknown = True
            return Check(f"?{tree.fact}", Relation.EQ, int(isinstance(tree, Unknown)))
        return Check(tree.fact, _RELATIONS[tree.op], self._right(tree))

    def _right(self, comparison: Comparison) -> int | str:
        reader = self._fact(comparison.fact)
        operand = comparison.operand
        if isinstance(operand, LimitRef):
            upper = comparison.op in (Op.ABOVE, Op.AT_LEAST)
            limit = _LimitReader(operand.name, reader.fact.unit, operand.offset, upper)
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
