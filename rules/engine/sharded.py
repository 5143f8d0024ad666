"""A rule set too large for one durable-rules engine, in several of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

from rules.engine.durable import DurableEngine
from rules.engine.guard import EngineError, FactValue
from rules.limits import ResolvedLimit
from rules.model import RuleSet

MOST_PARTS: Final = 8


class ShardedEngine:
    """Each part holds some of the rules; what holds is what holds in any part."""

    def __init__(self, rule_set: RuleSet, parts: int) -> None:
        """Raises EngineError when a part is still too large."""
        shares = [rule_set.rules[number::parts] for number in range(parts)]
        self._parts = [DurableEngine(replace(rule_set, rules=share)) for share in shares]
        self.name = self._parts[0].name

    def evaluate(
        self, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
    ) -> frozenset[str]:
        """The keys of the conditions that hold (see `rules.engine.Engine`)."""
        return frozenset().union(*(part.evaluate(facts, limits) for part in self._parts))


def durable_engine(rule_set: RuleSet) -> DurableEngine | ShardedEngine:
    """One engine where the rule set fits it, else as few as it takes; EngineError if none do."""
    try:
        return DurableEngine(rule_set)
    except EngineError as error:
        parts, refused = 2, error
    while parts <= min(MOST_PARTS, len(rule_set.rules)):
        try:
            return ShardedEngine(rule_set, parts)
        except EngineError as error:
            parts, refused = parts * 2, error
    raise refused
