"""durable-rules, driven through its extension module directly.

A snapshot is asserted as one fact, every rule that fires is collected, and the fact is retracted:
nothing is posted as an event (of several rules that match only one would fire) and nothing chains.
All snapshots share one state id, because each costs the extension 0.8 MB.

Limits of the extension that shape a definition (read in its source, version 2.0.28):

- Its walk over the rules holds at most 64 open branches; one more and the snapshot is refused.
  Conditions are therefore put in groups behind gates (`g0`, `g1`, ...), so that open branches stay
  under that number whatever the snapshot. What is behind a gate that is left out is not looked at.
- An expression holds 31 parts, a fact 252 properties (one with 253 cannot be retracted), and
  Windows reads whole numbers as 32 bits.
- An `$or` reports once for each alternative that holds, so answers are collected as a set.
- It locks a state for 30 s when an action is started and never completed: after any error the
  rule set is built anew.
"""

from __future__ import annotations

import json
import sys
import weakref
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from rules.conditions import Every, Some, Tree, flat, ways
from rules.engine.compile import ByLimits, Check, Program, Relation
from rules.engine.guard import EngineError, vet
from rules.limits import ResolvedLimit

try:
    import durable_rules_engine as _extension
except ImportError:
    _extension = None

_MATCHED, _NO_MATCH = 0, 1
_MAX_PROPERTIES: Final = 252
_WAYS_PER_GATE: Final = 40
_MAX_GATES: Final = 24  # 23 waiting gates and 40 ways behind the open one: 63 branches


def available() -> bool:
    """Whether durable-rules can be used by this interpreter."""
    return _extension is not None and sys.platform != "win32"


@dataclass(slots=True)
class Share:
    """Conditions by their keys, no more than one definition takes."""

    conditions: dict[str, Tree[Check]] = field(default_factory=dict)
    _properties: set[str] = field(default_factory=set)
    _gate: int = 0
    _used: int = 0

    def takes(self, conditions: Mapping[str, Tree[Check]]) -> bool:
        """Takes these in too; False when they do not fit."""
        properties = self._properties.union(*map(_properties, conditions.values()))
        gate, used = self._gate, self._used
        for tree in conditions.values():
            gate, used = _behind(gate, used, ways(tree), _WAYS_PER_GATE)
        if gate >= _MAX_GATES or len(properties) + gate + 1 > _MAX_PROPERTIES:
            return False
        self.conditions.update(conditions)
        self._properties, self._gate, self._used = properties, gate, used
        return True

    def gates(self, *, fine: bool) -> dict[str, int]:
        """The gate of each condition, so that none leads to more ways than fit.

        As few gates as it takes; if `fine`, as many as fit, so that little is behind each.
        """
        if not fine:
            return self._behind_gates(_WAYS_PER_GATE)
        room = min(_MAX_GATES, _MAX_PROPERTIES - len(self._properties))
        divisions = map(self._behind_gates, range(1, _WAYS_PER_GATE + 1))
        return next(gates for gates in divisions if max(gates.values(), default=0) < room)

    def _behind_gates(self, most: int) -> dict[str, int]:
        gates: dict[str, int] = {}
        gate = used = 0
        for key, tree in self.conditions.items():
            gate, used = _behind(gate, used, ways(tree), most)
            gates[key] = gate
        return gates


def _behind(gate: int, used: int, width: int, most: int) -> tuple[int, int]:
    """The gate for a condition of this width, and how many ways it then leads to."""
    return (gate + 1, width) if used and used + width > most else (gate, used + width)


def _properties(tree: Tree[Check]) -> set[str]:
    checks = list(flat(tree))
    return {c.left for c in checks} | {c.right for c in checks if isinstance(c.right, str)}


class Part:
    """Some conditions of a program, as one rule set of the extension."""

    def __init__(self, program: Program, share: Share, *, fine: bool = False) -> None:
        """If `fine`, asking for few rules costs little. EngineError when it is refused."""
        gates = share.gates(fine=fine)
        self._gates: dict[str, set[int]] = {}
        for key, gate in gates.items():
            self._gates.setdefault(_rule_of(key), set()).add(gate)
        self._all_open = _opened(set(gates.values()))
        self._keys = {f"c{i}": key for i, key in enumerate(share.conditions)}
        used = sorted(set().union(*map(_properties, share.conditions.values())))
        names = {name: f"p{i}" for i, name in enumerate(used)}
        limits = [(name, _head(names[name])) for name in used if name in program.limit_names]
        self._facts = [
            (n, _head(short)) for n, short in names.items() if n not in program.limit_names
        ]
        self._limits = ByLimits(lambda given: _text(limits, program.limits(given)))
        self._definition = json.dumps(_define(share.conditions, gates, names))
        self._open()

    def holding(
        self,
        facts: Mapping[str, int],
        limits: Mapping[str, ResolvedLimit],
        rules: Collection[str] | None = None,
    ) -> set[str]:
        """The keys of those that hold; with `rules` (ids), only of these.

        `facts` are the properties that `Program.facts` gives. Raises EngineError when the
        extension fails; the part can be used again afterwards.
        """
        if rules is None:
            return self._fire(self._message(self._all_open, facts, limits))
        asked = self._gates.keys() & rules
        if not asked:
            return set()
        gates = set().union(*(self._gates[rule_id] for rule_id in asked))
        found = self._fire(self._message(_opened(gates), facts, limits))
        return {key for key in found if _rule_of(key) in asked}

    def _message(
        self, opened: str, facts: Mapping[str, int], limits: Mapping[str, ResolvedLimit]
    ) -> str:
        told = _text(self._facts, facts)
        return f'{{"sid":"0","id":"s"{opened}{self._limits(limits)}{told}}}'

    def _fire(self, message: str) -> set[str]:
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
        try:
            self._handle = _extension.create_ruleset("tidewarden", self._definition)
        except Exception:
            raise EngineError("durable-rules refused the rule set") from None
        self._finalizer = weakref.finalize(self, _extension.delete_ruleset, self._handle)


def _rule_of(key: str) -> str:
    return key.rpartition("/")[0]


def _head(name: str) -> str:
    return f',"{name}":'


def _opened(gates: Iterable[int]) -> str:
    return "".join([f"{_head(f'g{gate}')}1" for gate in gates])


def _text(heads: Iterable[tuple[str, str]], properties: Mapping[str, int]) -> str:
    return "".join([f"{head}{properties[n]}" for n, head in heads if n in properties])


def _define(
    conditions: Mapping[str, Tree[Check]], gates: Mapping[str, int], names: Mapping[str, str]
) -> dict[str, Any]:
    definition: dict[str, Any] = {}
    for number, (key, tree) in enumerate(conditions.items()):
        members = tree.members if isinstance(tree, Every) else (tree,)
        parts = [{f"g{gates[key]}": 1}, *(_expression(member, names) for member in members)]
        expression = {"$and": parts}
        vet(expression)
        definition[f"c{number}"] = {"all": [{"m": expression}]}
    return definition


def _expression(tree: Tree[Check], names: Mapping[str, str]) -> dict[str, Any]:
    if isinstance(tree, Every | Some):
        members = [_expression(member, names) for member in tree.members]
        return {"$and" if isinstance(tree, Every) else "$or": members}
    right = {"$m": names[tree.right]} if isinstance(tree.right, str) else tree.right
    comparison = {names[tree.left]: right}
    return comparison if tree.relation is Relation.EQ else {tree.relation.value: comparison}
