"""The plain engine: every condition compiled once to a Python closure."""

from __future__ import annotations

import operator
from collections.abc import Callable, Collection, Mapping
from typing import Final

from rules.conditions import Every, Some, Tree
from rules.engine.compile import Check, Program, Relation
from rules.engine.guard import FactValue
from rules.limits import ResolvedLimit
from rules.model import RuleSet

Properties = Mapping[str, int]
Predicate = Callable[[Properties], bool]

_OPERATORS: Final[Mapping[Relation, Callable[[int, int], bool]]] = {
    Relation.GT: operator.gt,
    Relation.GTE: operator.ge,
    Relation.LT: operator.lt,
    Relation.LTE: operator.le,
    Relation.EQ: operator.eq,
    Relation.NE: operator.ne,
}


class PlainEngine:
    """Evaluates a rule set in Python alone; needs no extension and keeps no state."""

    name = "plain"

    def __init__(self, rule_set: RuleSet) -> None:
        """Raises EngineError when the rule set cannot be compiled."""
        self._program = Program(rule_set)
        self._rules = [
            (rule_id, _predicates(conditions.when), _predicates(conditions.others))
            for rule_id, conditions in self._program.rules.items()
        ]

    def evaluate(
        self,
        facts: Mapping[str, FactValue],
        limits: Mapping[str, ResolvedLimit],
        following: Collection[str] | None = None,
    ) -> frozenset[str]:
        """The keys of the conditions that hold (see `rules.engine.Engine`)."""
        properties = self._program.snapshot(facts, limits)
        found: list[str] = []
        for rule_id, when, others in self._rules:
            begins = [key for key, holds in when if holds(properties)]
            if begins or following is None or rule_id in following:
                found += begins
                found += [key for key, holds in others if holds(properties)]
        return frozenset(found)


def _predicates(conditions: Mapping[str, Tree[Check]]) -> list[tuple[str, Predicate]]:
    return [(key, _predicate(tree)) for key, tree in conditions.items()]


def _predicate(tree: Tree[Check]) -> Predicate:
    if isinstance(tree, Every):
        return _every(tuple(_predicate(member) for member in tree.members))
    if isinstance(tree, Some):
        return _some(tuple(_predicate(member) for member in tree.members))
    return predicate(tree)


def predicate(tree: Check) -> Predicate:
    """One check as a function of a snapshot."""
    if isinstance(tree.right, str):
        return _against_property(tree.left, _OPERATORS[tree.relation], tree.right)
    return _against_number(tree.left, _OPERATORS[tree.relation], tree.right)


def _every(members: tuple[Predicate, ...]) -> Predicate:
    def holds(properties: Properties) -> bool:
        for member in members:  # noqa: SIM110 - a loop is twice as fast as all() here
            if not member(properties):
                return False
        return True

    return holds


def _some(members: tuple[Predicate, ...]) -> Predicate:
    def holds(properties: Properties) -> bool:
        for member in members:  # noqa: SIM110 - a loop is twice as fast as any() here
            if member(properties):
                return True
        return False

    return holds


def _against_number(left: str, compare: Callable[[int, int], bool], right: int) -> Predicate:
    def holds(properties: Properties) -> bool:
        value = properties.get(left)
        return value is not None and compare(value, right)

    return holds


def _against_property(left: str, compare: Callable[[int, int], bool], right: str) -> Predicate:
    def holds(properties: Properties) -> bool:
        value = properties.get(left)
        return value is not None and compare(value, properties[right])

    return holds
