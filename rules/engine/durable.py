"""The durable-rules engine, driven through its extension module directly.

A snapshot is asserted as one fact, every rule that fires is collected, and the fact is retracted:
nothing is posted as an event (of several rules that match only one would fire) and nothing chains.
All snapshots share one state id, because each costs the extension 0.8 MB.

Limits of the extension that shape the definition (read in its source, version 2.0.28):

- Its walk over the rules holds at most 64 open branches; one more and the snapshot is refused.
  Conditions are therefore put in groups behind gates that are always open (`g0`, `g1`, ...), so
  that open branches stay under that number whatever the snapshot.
- An expression holds 31 parts, a fact 253 properties, and Windows reads whole numbers as 32 bits.
- An `$or` reports once for each alternative that holds, so answers are collected as a set.
- It locks a state for 30 s when an action is started and never completed: after any error the
  rule set is built anew.
"""

from __future__ import annotations

import json
import sys
import weakref
from collections.abc import Iterator, Mapping
from typing import Any, Final

from rules.conditions import Every, Some, Tree, ways
from rules.engine.compile import Check, Program, Relation
from rules.engine.guard import EngineError, FactValue, vet
from rules.limits import ResolvedLimit
from rules.model import RuleSet

try:
    import durable_rules_engine as _extension
except ImportError:
    _extension = None

_MATCHED, _NO_MATCH = 0, 1
_MAX_PROPERTIES: Final = 253
_WAYS_PER_GATE: Final = 40
_MAX_GATES: Final = 24  # 23 waiting gates and 40 ways behind the open one: 63 branches


def available() -> bool:
    """Whether durable-rules can be used by this interpreter."""
    return _extension is not None and sys.platform != "win32"


class DurableEngine:
    """Evaluates a rule set with durable-rules. Not for use by two threads at once."""

    name = "durable-rules 2.0.28"

    def __init__(self, rule_set: RuleSet) -> None:
        """Raises EngineError when durable-rules is missing or the rule set is too large for it."""
        if not available():
            raise EngineError("durable-rules cannot be used by this interpreter")
        self._program = Program(rule_set)
        self._keys = {f"c{i}": key for i, key in enumerate(self._program.conditions)}
        self._names = {name: f"p{i}" for i, name in enumerate(self._program.property_names())}
        gates = _gates([ways(tree) for tree in self._program.conditions.values()])
        self._prefix = _prefix(max(gates, default=0) + 1)
        self._definition = json.dumps(self._define(gates))
        self._busy = False
        self._open()

    def evaluate(
        self, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]
    ) -> frozenset[str]:
        """The keys of the conditions that hold (see `rules.engine.Engine`).

        Raises EngineError when the extension fails; the engine can be used again afterwards.
        """
        if self._busy:
            raise EngineError("the engine is already evaluating: two threads share it")
        self._busy = True
        try:
            return frozenset(self._fire(self._message(facts, limits)))
        finally:
            self._busy = False

    def _message(self, facts: Mapping[str, FactValue], limits: Mapping[str, ResolvedLimit]) -> str:
        names = self._names
        properties = self._program.snapshot(facts, limits)
        body = "".join([f',"{names[name]}":{value}' for name, value in properties.items()])
        return f"{self._prefix}{body}}}"

    def _fire(self, message: str) -> set[str]:
        if not self._keys:
            return set()
        try:
            return {self._keys[name] for name in self._fired(message)}
        except Exception:
            # The extension's own text holds the whole snapshot: it must go no further.
            self._open()
            raise EngineError("durable-rules failed on a snapshot; it was built anew") from None

    def _fired(self, message: str) -> Iterator[str]:
        handle = self._handle
        try:
            code, state = _extension.assert_fact(handle, message)
            if code == _NO_MATCH:
                return
            if code != _MATCHED:
                raise EngineError("an earlier snapshot was left behind")
            # The first answer is (state, actions): a match without an action is a failure.
            _, fired = _extension.start_action_for_state(handle, state)
            while fired:
                yield fired.split('"', 2)[1]
                fired = _extension.complete_and_start_action(handle, state)
        finally:
            _extension.retract_fact(handle, message)

    def _open(self) -> None:
        finalizer = getattr(self, "_finalizer", None)
        if finalizer is not None:
            finalizer()
        if not self._keys:
            return
        try:
            self._handle = _extension.create_ruleset("tidewarden", self._definition)
        except Exception:
            raise EngineError("durable-rules refused the rule set") from None
        self._finalizer = weakref.finalize(self, _extension.delete_ruleset, self._handle)

    def _define(self, gates: list[int]) -> dict[str, Any]:
        if len(self._names) + max(gates, default=0) + 1 > _MAX_PROPERTIES:
            raise EngineError("the rule set reads too many facts and limits for durable-rules")
        definition: dict[str, Any] = {}
        trees = self._program.conditions.values()
        for name, gate, tree in zip(self._keys, gates, trees, strict=True):
            members = tree.members if isinstance(tree, Every) else (tree,)
            parts = [{f"g{gate}": 1}, *(self._expression(member) for member in members)]
            expression = {"$and": parts}
            vet(expression)
            definition[name] = {"all": [{"m": expression}]}
        return definition

    def _expression(self, tree: Tree[Check]) -> dict[str, Any]:
        if isinstance(tree, Every | Some):
            members = [self._expression(member) for member in tree.members]
            return {"$and" if isinstance(tree, Every) else "$or": members}
        right = {"$m": self._names[tree.right]} if isinstance(tree.right, str) else tree.right
        comparison = {self._names[tree.left]: right}
        return comparison if tree.relation is Relation.EQ else {tree.relation.value: comparison}


def _gates(widths: list[int]) -> list[int]:
    """The gate of each condition, so that none leads to more ways than fit."""
    gates: list[int] = []
    gate = used = 0
    for width in widths:
        if used + width > _WAYS_PER_GATE:
            gate, used = gate + 1, 0
        used += width
        gates.append(gate)
    if gate >= _MAX_GATES:
        raise EngineError("the rule set has too many conditions for durable-rules")
    return gates


def _prefix(gates: int) -> str:
    """The start of every message: the one state, the one fact, every gate open."""
    return '{"sid":"0","id":"s"' + "".join(f',"g{i}":1' for i in range(gates))
