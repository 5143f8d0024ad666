"""The durable-rules engine: the conditions of a rule set dealt out to rule sets of the extension.

The `when` of every rule is asked at every moment; the other conditions are apart from them, and
asked only for rules that somebody follows.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Final

from rules.conditions import Tree
from rules.engine.compile import Check, Program
from rules.engine.extension import Part, Share, available
from rules.engine.guard import EngineError, FactValue
from rules.limits import ResolvedLimit
from rules.model import RuleSet

MOST_PARTS: Final = 8


class DurableEngine:
    """Evaluates a rule set with durable-rules. Not for use by two threads at once."""

    name = "durable-rules 2.0.28"

    def __init__(self, rule_set: RuleSet) -> None:
        """Raises EngineError when durable-rules is missing or the rule set is too large for it."""
        if not available():
            raise EngineError("durable-rules cannot be used by this interpreter")
        self._program = Program(rule_set)
        rules = self._program.rules.values()
        when = _dealt(conditions.when for conditions in rules)
        others = _dealt(conditions.others for conditions in rules)
        if len(when) + len(others) > MOST_PARTS:
            raise EngineError("the rule set has too many conditions for durable-rules")
        self._when = [Part(self._program, share) for share in when]
        self._others = [Part(self._program, share, fine=True) for share in others]
        self._busy = False

    def evaluate(
        self,
        facts: Mapping[str, FactValue],
        limits: Mapping[str, ResolvedLimit],
        following: Collection[str] | None = None,
    ) -> frozenset[str]:
        """The keys of the conditions that hold (see `rules.engine.Engine`).

        Raises EngineError when the extension fails; the engine can be used again afterwards.
        """
        if self._busy:
            raise EngineError("the engine is already evaluating: two threads share it")
        self._busy = True
        try:
            return frozenset(self._holding(facts, limits, following))
        finally:
            self._busy = False

    def _holding(
        self,
        facts: Mapping[str, FactValue],
        limits: Mapping[str, ResolvedLimit],
        following: Collection[str] | None,
    ) -> set[str]:
        properties = self._program.facts(facts)
        found: set[str] = set()
        for part in self._when:
            found |= part.holding(properties, limits)
        asked = None
        if following is not None:
            asked = {*following, *(key.removesuffix("/when") for key in found)}
        for part in self._others:
            found |= part.holding(properties, limits, asked)
        return found


def _dealt(conditions: Iterable[Mapping[str, Tree[Check]]]) -> list[Share]:
    """In as few shares as it takes, one after the other; those of one rule stay together."""
    shares: list[Share] = []
    for together in conditions:
        if not shares or not shares[-1].takes(together):
            shares.append(Share())
            if not shares[-1].takes(together):
                raise EngineError("a rule reads too many facts and limits for durable-rules")
    return shares
