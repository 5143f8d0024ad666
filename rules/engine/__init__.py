"""Engines: which conditions of a rule set hold for one snapshot of facts.

Two engines give the same answers: durable-rules, and a plain evaluator for interpreters on which
durable-rules cannot be loaded.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Literal, Protocol

from rules.engine.durable import DurableEngine
from rules.engine.extension import available
from rules.engine.guard import EngineError, FactValue, clean
from rules.engine.plain import PlainEngine
from rules.limits import ResolvedLimit
from rules.model import RuleSet

__all__ = ["Engine", "EngineError", "build_engine", "clean"]


class Engine(Protocol):
    """Evaluates one rule set. Use an instance from one thread at a time."""

    name: str

    def evaluate(
        self,
        facts: Mapping[str, FactValue],
        limits: Mapping[str, ResolvedLimit],
        following: Collection[str] | None = None,
    ) -> frozenset[str]:
        """The keys of the conditions that hold:

        - `{rule_id}/when`: `only_in`, `needs` and `when` are all true;
        - `{rule_id}/clears`: `needs` and `clears` are true; for a rule without `clears`: its
          `when`, taken without `only_in`, is known to be false;
        - `{rule_id}/escalates`, only for a rule whose `escalate` has a `when`: that is true;
        - `{rule_id}/in_scope`, only for a rule with `only_in`: each label that it names fits or
          is unknown.

        All but the first only of rules whose ids are in `following` or whose `when` holds now;
        None follows every rule. Most rules are idle, and nobody asks how an idle one would end.

        Numbers are in the units of the catalogue. A fact that is absent, or that the guard
        refuses, is unknown. The same mapping of limits always holds the same limits. Raises
        EngineError when the engine itself fails.
        """
        ...


def build_engine(rule_set: RuleSet, choice: Literal["auto", "durable", "plain"] = "auto") -> Engine:
    """An engine for `rule_set`.

    "auto" takes durable-rules where it can be loaded and the rule set fits it, otherwise the
    plain evaluator; `name` says which. Raises EngineError when the choice cannot be met.
    """
    if choice == "durable":
        return DurableEngine(rule_set)
    if choice == "auto" and available():
        try:
            return DurableEngine(rule_set)
        except EngineError:
            # Too large for durable-rules. A condition that no engine takes fails again below.
            return PlainEngine(rule_set)
    return PlainEngine(rule_set)
